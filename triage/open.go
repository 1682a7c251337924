package triage

import (
	"context"
	"fmt"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage/rules"
)

// Opening is what a case is opened with, or what a live one takes in.
type Opening struct {
	// Key is its cause, unique for ever, as "inbox/45".
	Key    string
	Person seal.Person // whom it is about; zero or the house for nobody
	// Patient and Language are hers; looked up where they are not given.
	Patient  int64
	Language string
	Reason   Reason
	// Title fills the gaps of the reason's title.
	Title   phrase.Args
	Urgency rules.Urgency // None counts as Routine
	PageNow bool
	Words   string
	Rules   []string
	Spans   []Span
	Notes   []Line
	// CautionKey is the caution that she has been shown, "" for none.
	CautionKey string
	// Draft and By are for what waits for a second person; see Body.
	Draft []byte
	By    int64
	// Holder has the case from the first; the zero Staff for a case that is put
	// before others. A case that takes it in keeps its own holder.
	Holder Staff
	// RestUntil is until when its holder is not reminded of it; zero for no such time.
	RestUntil time.Time
}

func (o Opening) body() Body {
	return Body{Words: o.Words, Rules: o.Rules, Spans: o.Spans, Title: o.Title, Notes: o.Notes,
		Caution: o.CautionKey, Language: o.Language, Urgency: o.Urgency, Draft: o.Draft, By: o.By}
}

func (d *Desk) complete(ctx context.Context, tx *store.Tx, o *Opening) error {
	o.Urgency = max(o.Urgency, rules.Routine)
	if o.Person == 0 {
		o.Person = seal.House
	}
	if o.Key == "" || o.Reason == "" {
		return fmt.Errorf("a case needs a cause and a reason (cause %q, reason %q)", o.Key, o.Reason)
	}
	known, err := d.Who(ctx, tx, o.Person)
	if o.Patient == 0 {
		o.Patient = known.ID
	}
	if o.Language == "" {
		o.Language = known.Language
	}
	return err
}

// Open puts something before a person. The same cause opens nothing twice. What
// belongs to a live case of the same person is taken in there, and raises it
// where it is graver.
func (d *Desk) Open(ctx context.Context, tx *store.Tx, o Opening) (Case, error) {
	if err := d.complete(ctx, tx, &o); err != nil {
		return Case{}, err
	}
	if c, known, err := d.byCause(ctx, tx, o.Key); err != nil || known {
		return c, err
	}
	if o.Person != seal.House {
		live, err := d.ForPerson(ctx, tx, o.Person)
		if err != nil {
			return Case{}, err
		}
		for _, c := range live {
			// An emergency stands on its own feet, so that its card begins with it.
			alone := o.Urgency == rules.Emergency && c.Urgency < rules.Emergency
			if !alone && o.Reason.joins(c.Reason) {
				return d.takeIn(ctx, tx, c, o)
			}
		}
	}
	return d.begin(ctx, tx, o)
}

// Attach takes something in that belongs to a certain case, as her reply to an
// answer does. A case that has been closed meanwhile is not opened again; a new
// one is.
func (d *Desk) Attach(ctx context.Context, tx *store.Tx, id int64, o Opening) (Case, error) {
	if err := d.complete(ctx, tx, &o); err != nil {
		return Case{}, err
	}
	if c, known, err := d.byCause(ctx, tx, o.Key); err != nil || known {
		return c, err
	}
	c, err := d.Case(ctx, tx, id)
	if err != nil {
		return c, err
	}
	if c.State == Closed || c.Person != o.Person {
		return d.Open(ctx, tx, o)
	}
	return d.takeIn(ctx, tx, c, o)
}

func (d *Desk) byCause(ctx context.Context, tx *store.Tx, key string) (Case, bool, error) {
	var id int64
	known, err := tx.Find(ctx, &id, `SELECT id FROM cases WHERE key = ? UNION ALL SELECT case_id FROM case_events WHERE cause = ? LIMIT 1`, key, key)
	if err != nil || !known {
		return Case{}, false, err
	}
	c, err := d.Case(ctx, tx, id)
	return c, err == nil, err
}

// Ended reports whether a case with this cause has been closed.
func (d *Desk) Ended(ctx context.Context, tx *store.Tx, key string) (bool, error) {
	c, known, err := d.byCause(ctx, tx, key)
	return known && c.State == Closed, err
}

func (d *Desk) begin(ctx context.Context, tx *store.Tx, o Opening) (Case, error) {
	body, err := d.sealBody(ctx, tx, o.Person, o.body())
	if err != nil {
		return Case{}, err
	}
	c := Case{Key: o.Key, Patient: o.Patient, Person: o.Person, Reason: o.Reason, Urgency: o.Urgency, PageNow: o.PageNow,
		State: Open, Body: o.body(), Opened: tx.Now}
	if err := tx.Get(ctx, &c.ID, `INSERT INTO cases (key, patient_id, person_id, reason, urgency, page_now, body, opened_at)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?) RETURNING id`,
		o.Key, orNull(o.Patient), o.Person, o.Reason, o.Urgency.String(), o.PageNow, body, store.At(tx.Now)); err != nil {
		return Case{}, fmt.Errorf("open a case for %s: %w", o.Key, err)
	}
	turn, err := d.note(ctx, tx, c, event{what: Began, by: o.Person})
	if err != nil {
		return c, err
	}
	if o.Holder.ID != 0 {
		c, err = d.take(ctx, tx, o.Holder, c)
		if err != nil || !o.RestUntil.After(tx.Now) {
			return c, err
		}
		return c, d.restUntil(ctx, tx, c, turn, o.RestUntil)
	}
	err = d.climbFrom(ctx, tx, &c, turn, nil)
	return c, err
}

// takeIn adds something to a live case.
func (d *Desk) takeIn(ctx context.Context, tx *store.Tx, c Case, o Opening) (Case, error) {
	body := o.body()
	news, err := d.note(ctx, tx, c, event{what: Wrote, by: o.Person, cause: o.Key, body: &body})
	if err != nil {
		return c, err
	}
	busy, err := d.Busy(ctx, tx, c)
	if err != nil {
		return c, err
	}
	new, old := stake{o.Urgency, o.PageNow}, c.stake()
	graver := stake{max(new.Urgency, old.Urgency), new.PageNow || old.PageNow}
	switch {
	case c.State == Taken && d.Policy.paging(new, tx.Now) && (graver != old || !busy):
		// Whoever holds it may be asleep: it goes up the ladder, and she first.
		err = d.backToLadder(ctx, tx, &c, graver, Raised, o.Person)
	case c.State == Taken && busy:
		// She is at it, and waits for just this.
		err = d.tellHolder(ctx, tx, &c, arrival{news, new, graver, tx.Now})
	case c.State == Taken:
		err = d.tellHolder(ctx, tx, &c, arrival{news, new, graver, d.Policy.firstRing(new, tx.Now)})
	case graver != old:
		err = d.backToLadder(ctx, tx, &c, graver, Raised, o.Person)
	}
	return c, err
}

func (c Case) stake() stake { return stake{c.Urgency, c.PageNow} }

// setStake writes down how grave a case has become.
func (d *Desk) setStake(ctx context.Context, tx *store.Tx, c *Case, s stake) error {
	c.Urgency, c.PageNow = s.Urgency, s.PageNow
	_, err := tx.Exec(ctx, `UPDATE cases SET urgency = ?, page_now = ? WHERE id = ?`, s.Urgency.String(), s.PageNow, c.ID)
	return err
}

// backToLadder opens a case again and has it climb from the first rung, which
// is its former holder beside those on call.
func (d *Desk) backToLadder(ctx context.Context, tx *store.Tx, c *Case, s stake, why What, by seal.Person) error {
	if err := d.setStake(ctx, tx, c, s); err != nil {
		return err
	}
	return d.reopen(ctx, tx, c, event{what: why, by: by, to: c.Holder}, true)
}

// reopen puts a case back on the ladder. The one whom the event is for hears of
// it first, with others or alone.
func (d *Desk) reopen(ctx context.Context, tx *store.Tx, c *Case, e event, others bool) error {
	if err := d.quiet(ctx, tx, *c); err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `UPDATE cases SET state = 'open', holder_id = NULL, taken_at = NULL, rung = 0 WHERE id = ?`, c.ID); err != nil {
		return err
	}
	turn, err := d.note(ctx, tx, *c, e)
	if err != nil {
		return err
	}
	c.State, c.Holder, c.Rung = Open, 0, 0
	return d.climbFrom(ctx, tx, c, turn, &opener{staff: e.to, others: others})
}

// release puts a case that has lost its holder back on the ladder.
func (d *Desk) release(ctx context.Context, tx *store.Tx, c Case, why What, by seal.Person, to int64) error {
	return d.reopen(ctx, tx, &c, event{what: why, by: by, to: to}, true)
}

// atIt is how long after somebody took a case or answered in it she is counted on
// to be there still, at any hour: common practice, no source.
const atIt = 30 * time.Minute

// Busy reports whether the holder of a case is at it just now.
func (d *Desk) Busy(ctx context.Context, tx *store.Tx, c Case) (bool, error) {
	if c.State != Taken {
		return false, nil
	}
	var last store.Time
	found, err := tx.Find(ctx, &last, `SELECT at FROM case_events WHERE case_id = ? AND what IN ('taken', 'answered') ORDER BY id DESC LIMIT 1`, c.ID)
	return found && tx.Now.Sub(last.Time) < atIt, err
}

// arrival is something that came in for whoever has a case: how grave it is itself,
// how grave the case is with it, and when she is told.
type arrival struct {
	event       int64
	own, graver stake
	at          time.Time
}

// tellHolder lets whoever has a case know that something came in, and once more
// where it waits. What came in by night and can wait is told in the morning.
func (d *Desk) tellHolder(ctx context.Context, tx *store.Tx, c *Case, a arrival) error {
	if err := d.setStake(ctx, tx, c, a.graver); err != nil {
		return err
	}
	holder, err := d.StaffMember(ctx, tx, c.Holder)
	if err != nil {
		return err
	}
	if err := d.send(ctx, tx, *c, holder, card{key: fmt.Sprintf("case/%d/news/%d", c.ID, a.event), title: "staff.news", due: a.at,
		kind: outbox.Escalation, buttons: working}); err != nil {
		return err
	}
	waits, err := d.tighten(ctx, tx, *c, a)
	if err != nil {
		return err
	}
	// Beside the promise that stands: a patient who writes again and again must
	// not put it off.
	return d.promise(ctx, tx, "held", taskHeld, turn{Case: c.ID, Turn: a.event, Times: 1, Once: true}, d.Policy.nextRing(waits, 1, a.at))
}

// tighten has a case that was answered come back as one that was not, where what
// came in is as grave as the case: the promise that stands was a calm one. It
// reports how grave the waiting is: that of the case, or, where it stays answered,
// of what came in.
func (d *Desk) tighten(ctx context.Context, tx *store.Tx, c Case, a arrival) (stake, error) {
	c, err := d.Show(ctx, tx, c.ID)
	switch {
	case err != nil || !c.answered(a.event-1):
		return a.graver, err
	case c.answered(a.event):
		return a.own, nil
	}
	if err := d.Outbox.Withdraw(ctx, tx, taskTopic(c.ID)); err != nil {
		return a.graver, err
	}
	return a.graver, d.promise(ctx, tx, "strict", taskHeld, turn{Case: c.ID, Turn: a.event}, d.Policy.nextHeld(c.stake(), holding{}, tx.Now))
}

// restUntil has a case that was just taken come back to its holder only after an
// instant: what is to be done then cannot be done before.
func (d *Desk) restUntil(ctx context.Context, tx *store.Tx, c Case, turnID int64, at time.Time) error {
	if err := d.Outbox.Withdraw(ctx, tx, taskTopic(c.ID)); err != nil {
		return err
	}
	return d.promise(ctx, tx, "rest", taskHeld, turn{Case: c.ID, Turn: turnID}, d.Policy.nextHeld(c.stake(), holding{}, at))
}
