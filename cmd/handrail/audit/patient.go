package audit

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// patient is one patient as the database has her.
type patient struct {
	j          *judge
	id, person int64
	handle     string
	chat       int64
	cycle      int64
	closed     time.Time // of her cycle

	rows    []*row
	byKey   map[string]*row
	answers []answer
	facts   []*fact
	entries []*Entry // what was stated of her, in the order in which it was handled
	silent  []span   // when she was not to be written to
}

// row is one message of the outbox.
type row struct {
	id           int64
	key, kind    string
	state        string
	due, expires time.Time
	sent         time.Time
	external     int64
	text         uint64
	empty, gone  bool // gone: its text has been removed since
	unknown      int  // attempts whose answer was lost
}

type answer struct {
	dose, said string
	at         time.Time
	inbox      int64
}

type fact struct {
	id    int64
	kind  string
	inbox int64
	at    time.Time
	body  factBody
	used  bool
}

type factBody struct {
	At, On, From, Step, Decision, Drug, Stopped string
	Times                                       []string
	Value                                       *float64 `json:"iu_per_l"`
	Age                                         *int     `json:"embryo_day"`
	Viable                                      *bool
}

type span struct{ from, to time.Time }

// judgePatients looks at one patient after the other, in what she was sent, what is
// on record of her, and what she should have been reminded of.
func (j *judge) judgePatients() error {
	said := make(map[int64][]Said)
	for _, s := range j.Journal.Said {
		said[s.Chat] = append(said[s.Chat], s)
	}
	stated := make(map[string][]*Entry)
	for _, e := range j.Journal.Entries {
		stated[e.Patient] = append(stated[e.Patient], e)
	}
	for _, p := range j.patients {
		for _, step := range []func() error{
			func() error { return p.readRows(p.person) },
			p.readAnswers,
			p.readFacts,
			func() error { p.match(stated[p.handle]); return nil },
			func() error { p.silences(said[p.chat]); return nil },
			func() error { return p.judgePresses(said[p.chat]) },
			func() error { p.judgeMessages(p.chat); return nil },
			func() error { p.judgeDoses(); return nil },
			func() error { p.judgeVisits(); return nil },
			func() error { p.judgeReadBacks(); return nil },
		} {
			if err := step(); err != nil {
				return fmt.Errorf("%s: %w", p.handle, err)
			}
		}
		p.rows, p.byKey = nil, nil
	}
	return nil
}

// judgeStaff looks at what coordinators were sent.
func (j *judge) judgeStaff() error {
	for _, id := range sorted(j.staff) {
		p := &patient{j: j, person: j.staff[id]}
		if err := p.readRows(p.person); err != nil {
			return err
		}
		p.judgeMessages(j.chatOf[p.person])
	}
	return nil
}

// readRows reads everything that somebody was to be sent.
func (p *patient) readRows(person int64) error {
	p.byKey = make(map[string]*row)
	err := p.j.each(`SELECT o.id, o.key, o.kind, o.state, o.due_at, o.expires_at, o.sent_at, coalesce(o.external_id, ''), o.sealed_for, o.body,
		(SELECT count(*) FROM attempts a WHERE a.outbox_id = o.id AND a.fate = 'unknown')
		FROM outbox o WHERE o.person_id = ? ORDER BY o.id`, func(r *sql.Rows) error {
		w := &row{}
		var due, expires, sent sql.NullString
		var external string
		var about int64
		var body []byte
		if err := r.Scan(&w.id, &w.key, &w.kind, &w.state, &due, &expires, &sent, &external, &about, &body, &w.unknown); err != nil {
			return err
		}
		w.due, w.expires, w.sent = instant(due), instant(expires), instant(sent)
		w.external, _ = strconv.ParseInt(external, 10, 64)
		p.rows = append(p.rows, w)
		p.byKey[w.key] = w
		if w.state == "withdrawn" && w.unknown == 0 {
			return nil
		}
		if w.gone = len(body) == 0; w.gone {
			return nil // its time was over
		}
		plain, err := unseal(p.j.keys[about], "outbox", body)
		if err != nil {
			return err
		}
		var says struct {
			Message struct {
				Text string
				File *struct{ Name string }
			}
		}
		if err := json.Unmarshal(plain, &says); err != nil {
			return fmt.Errorf("row %d: %w", w.id, err)
		}
		w.text, w.empty = Mark(says.Message.Text), strings.TrimSpace(says.Message.Text) == "" && says.Message.File == nil
		return nil
	}, person)
	return err
}

func (p *patient) readAnswers() error {
	return p.j.each(`SELECT dose, answer, recorded_at, coalesce(inbox_id, 0) FROM dose_answers WHERE cycle_id = ? ORDER BY id`, func(r *sql.Rows) error {
		var a answer
		var at sql.NullString
		if err := r.Scan(&a.dose, &a.said, &at, &a.inbox); err != nil {
			return err
		}
		a.at = instant(at)
		p.j.note("answer %s %s %s %s", p.handle, a.dose, a.said, at.String)
		p.answers = append(p.answers, a)
		return nil
	}, p.cycle)
}

// answered is what a message said about a dose, "" for nothing.
func (p *patient) answered(dose string, inbox int64) string {
	for _, a := range p.answers {
		if a.dose == dose && a.inbox == inbox {
			return a.said
		}
	}
	return ""
}

// settledBefore reports whether a dose had been answered for good, or had no
// question left, when a message was handled.
func (p *patient) settledBefore(dose string, it *item) bool {
	for _, a := range p.answers {
		if a.dose == dose && a.inbox != it.id && a.said != "not_yet" && !a.at.After(it.settled) {
			return true
		}
	}
	return !p.closed.IsZero() && !p.closed.After(it.settled)
}

func (p *patient) readFacts() error {
	return p.j.each(`SELECT id, kind, body, recorded_at, coalesce(inbox_id, 0) FROM facts WHERE cycle_id = ? ORDER BY id`, func(r *sql.Rows) error {
		f := &fact{}
		var at sql.NullString
		var body []byte
		if err := r.Scan(&f.id, &f.kind, &body, &at, &f.inbox); err != nil {
			return err
		}
		f.at = instant(at)
		plain, err := unseal(p.j.keys[p.person], "fact", body)
		if err != nil {
			return err
		}
		if err := json.Unmarshal(plain, &f.body); err != nil {
			return fmt.Errorf("fact %d: %w", f.id, err)
		}
		p.j.note("fact %s %s %s %s", p.handle, f.kind, at.String, plain)
		p.facts = append(p.facts, f)
		return nil
	}, p.cycle)
}

// match finds each statement on record. What its writer was told is on record must
// be, as it was stated; what is on record must have been stated.
func (p *patient) match(stated []*Entry) {
	j := p.j
	for _, e := range stated {
		got := j.itemOf(e.Chat, e.Update, e.Stated)
		if got == nil {
			continue // found lost already, or gone
		}
		f := p.statedBy(e, got.id)
		switch {
		case f == nil && e.Sure:
			j.find(&j.v.LostIn, "what message %d states of %s (%s) is not on record", got.id, p.handle, e.Kind)
			p.entries = append(p.entries, e)
		case f == nil:
		case !p.same(e, f):
			j.find(&j.v.LostIn, "fact %d of %s is not what message %d states (%s)", f.id, p.handle, got.id, e.Kind)
		default:
			f.used = true
			p.entries = append(p.entries, e)
		}
	}
	for _, f := range p.facts {
		// What she writes in her own words of a test at home states itself.
		if !f.used && f.kind != "period_expected" && f.kind != "home_lh" && f.inbox != 0 {
			j.find(&j.v.DoubledEffects, "fact %d of %s (%s) was stated by nobody", f.id, p.handle, f.kind)
		}
	}
	slices.SortStableFunc(p.entries, func(a, b *Entry) int { return p.handled(a).Compare(p.handled(b)) })
}

// handled is when a statement was handled.
func (p *patient) handled(e *Entry) time.Time {
	if got := p.j.itemOf(e.Chat, e.Update, e.Stated); got != nil {
		return got.settled
	}
	return time.Time{}
}

// statedBy is the fact of a message that a statement is: a message may state a visit and
// another that goes with it.
func (p *patient) statedBy(e *Entry, inbox int64) *fact {
	for _, f := range p.facts {
		if f.inbox == inbox && p.same(e, f) {
			return f
		}
	}
	return p.factOf(inbox)
}

func (p *patient) factOf(inbox int64) *fact {
	for _, f := range p.facts {
		if f.inbox == inbox {
			return f
		}
	}
	return nil
}

// same reports whether a fact is what was stated.
func (p *patient) same(e *Entry, f *fact) bool {
	zone := p.j.Clinic.Zone
	if e.Kind != f.kind {
		return false
	}
	if !e.At.IsZero() {
		at, err := time.Parse(time.RFC3339, f.body.At)
		if err != nil {
			at, err = time.ParseInLocation("2006-01-02T15:04", f.body.At, zone)
		}
		if err != nil || e.Kind == "period_start" && p.j.Clinic.DayOne(at) != p.j.Clinic.DayOne(e.At) || e.Kind != "period_start" && !at.Truncate(time.Minute).Equal(e.At.Truncate(time.Minute)) {
			return false
		}
	}
	on := f.body.On
	if e.Kind == "order" {
		on = f.body.From
	}
	if d, is := ParseDay(on); e.On != 0 && (!is || d != e.On) {
		return false
	}
	return e.Step == f.body.Step && (e.Value == 0 || f.body.Value != nil && *f.body.Value == e.Value) && (e.Age == 0 || f.body.Age != nil && *f.body.Age == e.Age) &&
		(e.Kind != "baseline" || f.body.Decision == e.Word) && len(e.Times) == len(f.body.Times)
}

// silences are when she was not to be written to, since she had blocked the chat or
// asked for silence, by what she did and by the cases that say so.
func (p *patient) silences(said []Said) {
	left := func(s Said) bool { return s.Wish == Start }
	back := func(s Said) bool { return s.Deed != Blocked }
	for _, s := range said {
		switch {
		case s.Deed == Blocked:
			p.hush(s.At, said, back)
		case s.Wish == Stop:
			p.hush(s.At, said, left)
		}
	}
	for _, c := range p.j.casesOf[p.id] {
		if c.reason != "opted_out" && c.reason != "unreachable" {
			continue
		}
		ends := back
		if c.reason == "opted_out" {
			ends = left
		}
		p.hush(c.opened.Add(-time.Minute), said, ends)
	}
}

// breath is how long after she is back a question may still be on its way.
const breath = 5 * time.Minute

func (p *patient) hush(from time.Time, said []Said, ends func(Said) bool) {
	to := p.j.End
	for _, s := range said {
		got := p.j.itemOf(s.Chat, s.Update, s.At)
		if s.At.After(from.Add(time.Minute)) && ends(s) && got != nil {
			to = got.settled.Add(breath)
			break
		}
	}
	p.silent = append(p.silent, span{from, to})
}

// quiet reports whether she was not to be written to at t.
func (p *patient) quiet(t time.Time) bool {
	return slices.ContainsFunc(p.silent, func(s span) bool { return !t.Before(s.from) && !t.After(s.to) })
}
