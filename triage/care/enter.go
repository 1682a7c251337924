package care

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/reckon"
	"handrail.example/reminders/room"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// Preview is what an entry would do, or has done.
type Preview struct {
	Patient reminders.Patient
	Fact    plan.Fact
	// Also are the facts that are saved with it: the repeat that goes with a first test.
	Also []plan.Fact
	// Changes are the rows of her calendar that move.
	Changes []plan.Change
	// Conflicts are those that the entry brings about.
	Conflicts []plan.Conflict
	// Second: it does not count before a second person has checked it.
	Second bool
	// Missing are the items of the checklist that her cycle still lacks, when the
	// entry is its day one.
	Missing []string
	// Cautions are what stands against the entry, for a person to weigh; Near are the
	// places that are free near one that is not.
	Cautions []reckon.Caution
	Near     []room.Place
	// ToTell is the case of a result that was saved and that whoever saved it
	// must tell her; 0 for none.
	ToTell int64
	// Settled are the cases that a saved fact closed, since nothing is due any
	// more.
	Settled []int64

	after  plan.Plan
	series reckon.Series
}

// Preview is what entering a fact would move. What cannot be true is a
// *plan.Refusal, what staff must not do a *triage.Refused; neither changes
// anything.
func (c *Care) Preview(ctx context.Context, tx *store.Tx, actor triage.Staff, patient int64, f plan.Fact) (Preview, error) {
	if err := actor.May(actionFor(f)); err != nil {
		return Preview{}, err
	}
	if err := complete(f); err != nil {
		return Preview{}, err
	}
	if misdated(f, tx.Now) {
		return Preview{}, triage.Refuse("misdated", phrase.Args{"on": f.At.In(c.Book.Policy.Location()).Format("2006-01-02 15:04")})
	}
	f, err := c.plausible(f)
	if err != nil {
		return Preview{}, err
	}
	if f, err = c.rebooked(ctx, tx, patient, f); err != nil {
		return Preview{}, err
	}
	p, err := c.whole(ctx, tx, patient)
	if err != nil {
		return Preview{}, err
	}
	if err := c.tellFirst(ctx, tx, p, f); err != nil {
		return Preview{}, err
	}
	also, err := c.goesWith(ctx, tx, patient, f)
	if err != nil {
		return Preview{}, err
	}
	m, err := c.Book.Preview(ctx, tx, patient, f, also...)
	if err != nil {
		return Preview{}, inWords(err)
	}
	v := previewOf(p, f, m)
	v.Also = also
	v.Second = f.Kind == plan.TriggerOrder
	if f.Kind == plan.PeriodStart {
		if v.Missing, err = c.Book.Missing(ctx, tx, patient, c.today(tx)); err != nil {
			return v, err
		}
	}
	return v, c.weigh(ctx, tx, &v, m)
}

// plausible reads a fact as it will be read back from the record, so that nothing
// is ever saved that could not be.
func (c *Care) plausible(f plan.Fact) (plan.Fact, error) {
	b, err := json.Marshal(f)
	if err != nil {
		return f, fmt.Errorf("write down a %s: %w", f.Kind, err)
	}
	return plan.ParseFact(b, c.Book.Policy.Location())
}

// rebooked makes a visit that is given a new time the correction of the one that
// it moves, and a new order of the trigger that of the one before. A patient may
// have several scans on different days, but of every other visit only one lies
// ahead.
func (c *Care) rebooked(ctx context.Context, tx *store.Tx, patient int64, f plan.Fact) (plan.Fact, error) {
	if f.Kind != plan.Visit && f.Kind != plan.TriggerOrder || f.Replaces != "" {
		return f, nil
	}
	cycle, err := c.Book.Cycle(ctx, tx, patient)
	if err != nil {
		return f, err
	}
	if f.Kind == plan.TriggerOrder {
		old, _ := cycle.Live(plan.TriggerOrder)
		f.Replaces = old.ID
		return f, nil
	}
	zone := c.Book.Policy.Location()
	for _, old := range standing(cycle) {
		if old.Kind != plan.Visit || old.Step != f.Step {
			continue
		}
		sameDay := civil.DateOf(old.Fact.At.In(zone)) == civil.DateOf(f.At.In(zone))
		if sameDay || f.Step != plan.Monitoring && old.Fact.At.After(tx.Now) {
			f.Replaces = old.ID
		}
	}
	return f, nil
}

func previewOf(p reminders.Patient, f plan.Fact, m reminders.Moved) Preview {
	v := Preview{Patient: p, Fact: f, Changes: plan.Diff(m.Old, m.New), after: m.New}
	for _, n := range m.New.Conflicts {
		if !slices.ContainsFunc(m.Old.Conflicts, func(o plan.Conflict) bool { return o.Key == n.Key && o.Why.String() == n.Why.String() }) {
			v.Conflicts = append(v.Conflicts, n)
		}
	}
	return v
}

// Beside is a visit of the same kind that lies ahead and stays beside the one that is
// entered; false for none. Whoever enters another one may have meant to move it.
func (v Preview) Beside(facts []reminders.Recorded, now time.Time) (reminders.Recorded, bool) {
	if v.Fact.Kind != plan.Visit || v.Fact.Replaces != "" {
		return reminders.Recorded{}, false
	}
	i := slices.IndexFunc(facts, func(f reminders.Recorded) bool {
		return f.Kind == plan.Visit && f.Step == v.Fact.Step && f.Fact.At.After(now)
	})
	if i < 0 {
		return reminders.Recorded{}, false
	}
	return facts[i], true
}

// today is the day of the transaction at the clinic.
func (c *Care) today(tx *store.Tx) civil.Date {
	return civil.DateOf(tx.Now.In(c.Book.Policy.Location()))
}

// complete wants everything on an order that a person needs to give it.
func complete(f plan.Fact) error {
	if f.Kind != plan.OrderGiven && f.Kind != plan.TriggerOrder {
		return nil
	}
	for _, want := range []struct{ name, got string }{{"product", f.Product}, {"route", f.Route}, {"prescriber", f.Prescriber}} {
		if want.got == "" {
			return triage.Refuse("order_lacks_"+want.name, nil)
		}
	}
	return nil
}

// Enter saves a fact and has everything that hangs on it moved; the book tells the
// patient what moved, where she may know it. A trigger's order is not saved but put before
// a second person; see CheckTrigger.
func (c *Care) Enter(ctx context.Context, tx *store.Tx, actor triage.Staff, patient int64, f plan.Fact, inbox int64) (Preview, error) {
	v, err := c.Preview(ctx, tx, actor, patient, f)
	if err != nil {
		return v, err
	}
	if v.Asks() {
		return v, v.asked()
	}
	if v.Second {
		return v, c.askForCheck(ctx, tx, actor, v)
	}
	// First of all: while a result waits to be told, the book tells her nothing.
	if v.ToTell, err = c.openResult(ctx, tx, actor, v, inbox); err != nil {
		return v, err
	}
	m, err := c.save(ctx, tx, actor, v, inbox)
	switch {
	case err != nil && v.ToTell != 0:
		// The preview let it pass a moment ago: no refusal, but a failure that
		// must undo the case too.
		return v, fmt.Errorf("save a %s that was previewed: %v", f.Kind, err)
	case err != nil:
		return v, err
	}
	err = c.follow(ctx, tx, actor, &v, m)
	return v, err
}

// save records a fact and the action that it is.
func (c *Care) save(ctx context.Context, tx *store.Tx, actor triage.Staff, v Preview, inbox int64) (reminders.Moved, error) {
	m, err := c.Book.Record(ctx, tx, v.Patient.ID, v.Fact, said(actor, inbox), v.Also...)
	if err != nil {
		return m, inWords(err)
	}
	for _, f := range append([]reminders.Recorded{m.Fact}, m.Also...) {
		if err := c.watchDay(ctx, tx, f.Fact); err != nil {
			return m, err
		}
		if err := c.did(ctx, tx, actor, actionFor(f.Fact), v.Patient, f.Number, string(f.Kind)); err != nil {
			return m, err
		}
	}
	return m, nil
}

// follow does what a saved fact calls for besides moving the calendar.
func (c *Care) follow(ctx context.Context, tx *store.Tx, actor triage.Staff, v *Preview, m reminders.Moved) error {
	if len(v.Missing) > 0 {
		if _, err := c.Desk.Open(ctx, tx, triage.Opening{Key: factKey(m.Fact.Number) + "/not_ready", Person: v.Patient.Person, Reason: triage.NotReady,
			Urgency: rules.SameDay, Notes: []triage.Line{missingLine(v.Missing)}}); err != nil {
			return err
		}
	}
	if err := c.tellOthers(ctx, tx, *v, m.Fact.Number); err != nil {
		return err
	}
	var err error
	if v.Settled, err = c.settle(ctx, tx, actor, v.Patient, m); err != nil {
		return err
	}
	for _, k := range v.Conflicts {
		if k.Why.Code == "none_survived" {
			continue // what follows is an open end of the calendar, with a case of its own
		}
		if _, err := c.Desk.Open(ctx, tx, c.conflictCase(v.Patient, m.Fact, k)); err != nil {
			return err
		}
	}
	return nil
}

// settle closes the cases of what was due and is settled by a fact, unless somebody
// else has one in hand: nobody should be called about an order that is there. What
// waits to be told is not settled by an entry.
func (c *Care) settle(ctx context.Context, tx *store.Tx, actor triage.Staff, p reminders.Patient, m reminders.Moved) (closed []int64, err error) {
	cycle, err := c.Book.Cycle(ctx, tx, p.ID)
	if err != nil || actor.May(triage.CloseCase) != nil {
		return nil, err
	}
	due := make(map[string]bool)
	for _, o := range m.New.Open {
		due[reminders.OpenEndConcern(cycle.ID, o)] = true
	}
	live, err := c.Desk.ForPerson(ctx, tx, p.Person)
	if err != nil {
		return nil, err
	}
	for _, cs := range live {
		settled := strings.HasPrefix(cs.Key, reminders.OpenEndConcerns(cycle.ID)) && !due[cs.Key] || replaced(m.Fact, cs) || unfounded(m, cs)
		if !settled || cs.Reason == triage.ResultToTell || cs.Holder != 0 && cs.Holder != actor.ID {
			continue
		}
		if _, err := c.Desk.Close(ctx, tx, actor, cs.ID, triage.Checked); err != nil {
			return closed, err
		}
		closed = append(closed, cs.ID)
	}
	return closed, nil
}

// misdated reports whether a visit or a trigger is ordered for a time that can only
// be a slip: days gone by, or the better part of a year ahead. Common practice, no
// source.
func misdated(f plan.Fact, now time.Time) bool {
	if f.Kind != plan.Visit && f.Kind != plan.TriggerOrder {
		return false
	}
	return f.At.Before(now.Add(-24*time.Hour)) || f.At.After(now.AddDate(0, 9, 0))
}

// replaced reports whether a case is about what was unusual in a fact that f takes
// the place of, or takes back.
func replaced(f reminders.Recorded, cs triage.Case) bool {
	old, err := strconv.ParseInt(strings.TrimPrefix(f.Replaces, "f"), 10, 64)
	return err == nil && cs.Reason == triage.Conflict && strings.HasPrefix(cs.Key, factKey(old)+"/conflict/")
}

// unfounded reports whether a case is about a surge that does not stand any more: a
// person has judged that it is none, or it was taken back.
func unfounded(m reminders.Moved, cs triage.Case) bool {
	if !m.New.Surge.IsZero() || cs.Reason != triage.Conflict || !strings.Contains(cs.Key, "/surge_") {
		return false
	}
	is := func(k plan.Conflict) bool { return strings.HasSuffix(cs.Key, "/conflict/"+k.Key+"/"+k.Why.Code) }
	return slices.ContainsFunc(m.Old.Conflicts, is) && !slices.ContainsFunc(m.New.Conflicts, is)
}

func missingLine(items []string) triage.Line {
	return triage.Line{Key: "note.missing", Args: phrase.Args{"items": joined(items)}}
}

func joined(items []string) string {
	s := ""
	for i, item := range items {
		if i > 0 {
			s += ", "
		}
		s += item
	}
	return s
}

// conflictCase is the case for something that does not fit. The one who entered
// it has seen it; it waits for whoever can mend it.
//
// A visit on an unusual day is no hurry; what hangs on the laboratory is.
func (c *Care) conflictCase(p reminders.Patient, f reminders.Recorded, k plan.Conflict) triage.Opening {
	urgency := rules.SameDay
	if f.Kind == plan.Visit && f.Step != plan.Transfer {
		urgency = rules.Routine
	}
	args := phrase.Args{}
	for name, value := range k.Why.Args {
		args[name] = value
	}
	return triage.Opening{Key: factKey(f.Number) + "/conflict/" + k.Key + "/" + k.Why.Code, Person: p.Person, Reason: triage.Conflict,
		Urgency: urgency, Notes: []triage.Line{{Key: "why." + k.Why.Code, Args: args}}}
}

// Undo takes back a fact that was entered by mistake. It stays on record.
func (c *Care) Undo(ctx context.Context, tx *store.Tx, actor triage.Staff, patient int64, id, why string, inbox int64) (Preview, error) {
	return c.Enter(ctx, tx, actor, patient, plan.Fact{Kind: plan.Retracted, Replaces: id, Reason: why}, inbox)
}

// Facts are the facts of a patient's cycle that stand, the latest last.
func (c *Care) Facts(ctx context.Context, tx *store.Tx, actor triage.Staff, patient int64) ([]reminders.Recorded, error) {
	if err := actor.May(triage.SeePatients); err != nil {
		return nil, err
	}
	cycle, err := c.Book.Cycle(ctx, tx, patient)
	if err != nil {
		return nil, err
	}
	return standing(cycle), nil
}

func standing(cycle reminders.Cycle) []reminders.Recorded {
	gone := make(map[string]bool)
	for _, f := range cycle.Facts {
		gone[f.Replaces] = true
	}
	var live []reminders.Recorded
	for _, f := range cycle.Facts {
		if !gone[f.ID] && f.Kind != plan.Retracted {
			live = append(live, f)
		}
	}
	return live
}

// Orders are the orders of medication that stand and have not been stopped.
func (c *Care) Orders(ctx context.Context, tx *store.Tx, actor triage.Staff, patient int64) ([]reminders.Recorded, error) {
	facts, err := c.Facts(ctx, tx, actor, patient)
	if err != nil {
		return nil, err
	}
	stopped := make(map[string]bool)
	for _, f := range facts {
		if f.Kind == plan.StopOrder {
			stopped[f.Order] = true
		}
	}
	return slices.DeleteFunc(facts, func(f reminders.Recorded) bool { return f.Kind != plan.OrderGiven || stopped[f.ID] }), nil
}
