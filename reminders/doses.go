package reminders

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
)

// Answer is what she says about a dose.
type Answer string

// The answers. NotYet asks for another question; the others settle it.
const (
	Taken  Answer = "taken"
	NotYet Answer = "not_yet"
	Missed Answer = "missed"
)

// Asked is a dose that she is asked about.
type Asked struct {
	// ID names the dose for ever: the order it belongs to, and its minute.
	ID   string
	Dose plan.Dose
	// Last is the latest answer, "" when there is none, and At when it came.
	Last Answer
	At   time.Time
	// Asked is when she is first asked: at its minute, or when its order is
	// entered after that. Deadline is when an unsettled dose becomes a case.
	Asked, Deadline time.Time
}

// Settled reports whether nothing more is asked about the dose.
func (a Asked) Settled() bool { return a.Last == Taken || a.Last == Missed }

// Trigger reports whether it is the trigger injection.
func (a Asked) Trigger() bool { return a.Dose.Class == plan.TriggerDrug }

// Words says what is to be taken: "letrozole 5 mg".
func (a Asked) Words() string { return words(a.Dose.Drug, a.Dose.Amount, a.Dose.Unit) }

// doseWords says what a fact orders; "" when it is no order.
func doseWords(f plan.Fact) string {
	if f.Drug == "" {
		return string(f.Kind)
	}
	if f.Kind == plan.StopOrder {
		return f.Drug
	}
	return words(f.Drug, f.Dose, f.Unit)
}

func words(drug string, amount float64, unit string) string {
	return strings.TrimSpace(fmt.Sprintf("%s %s %s", drug, strconv.FormatFloat(amount, 'f', -1, 64), unit))
}

func doseID(d plan.Dose) string { return d.Order + "@" + d.At.UTC().Format("20060102T1504Z") }

// lookBack is how long a dose can still be asked about: no deadline of a policy
// lies further from its dose. Common practice, no source.
const lookBack = 48 * time.Hour

// doseAnswer is a row of dose_answers.
type doseAnswer struct {
	ID     int64      `db:"id"`
	Dose   string     `db:"dose"`
	Answer Answer     `db:"answer"`
	At     store.Time `db:"recorded_at"`
}

// Doses are those of the plan from two days ago on, with what she said, in order
// of time. The trigger is among them until it is on record as given.
func (b *Book) Doses(ctx context.Context, tx *store.Tx, c Cycle, p plan.Plan) ([]Asked, error) {
	if c.ID == 0 {
		return nil, nil
	}
	var rows []doseAnswer
	if err := tx.Select(ctx, &rows, `SELECT id, dose, answer, recorded_at FROM dose_answers WHERE cycle_id = ? AND recorded_at >= ?`,
		c.ID, store.At(tx.Now.Add(-2*lookBack))); err != nil {
		return nil, err
	}
	slices.SortFunc(rows, func(a, b doseAnswer) int { return cmp.Compare(a.ID, b.ID) })
	said := make(map[string]int, len(rows))
	for i, r := range rows {
		said[r.Dose] = i + 1
	}
	var asked []Asked
	for _, d := range p.Doses {
		if d.At.Before(tx.Now.Add(-lookBack)) {
			continue
		}
		a := Asked{ID: doseID(d), Dose: d, Asked: d.At, Deadline: b.deadline(d)}
		orders := c.chain(d)
		if entered := orders[0].Entered; entered.After(d.At) {
			a.Asked = entered
		}
		if !a.Trigger() && !a.Deadline.After(a.Asked) {
			continue // nobody promised to ask
		}
		// What she said of a dose before its order was changed stays said.
		last := 0
		for _, o := range orders {
			if d.Order != triggerOrder {
				d.Order = o.ID
			}
			last = max(last, said[doseID(d)])
		}
		if last > 0 {
			a.Last, a.At = rows[last-1].Answer, rows[last-1].At.Time
		}
		asked = append(asked, a)
	}
	return asked, nil
}

// triggerOrder stands for the order in a dose that is the trigger.
const triggerOrder = "trigger"

// chain is the order that a dose belongs to, and those that it took the place of.
// It is never empty.
func (c Cycle) chain(d plan.Dose) []Recorded {
	var orders []Recorded
	next := d.Order
	if live, ok := c.Live(plan.TriggerOrder); ok && next == triggerOrder {
		next = live.ID
	}
	for i := len(c.Facts) - 1; i >= 0; i-- {
		if f := c.Facts[i]; f.ID == next {
			orders = append(orders, f)
			next = f.Replaces
		}
	}
	if len(orders) == 0 {
		return []Recorded{{}}
	}
	return orders
}

// deadline is when a dose becomes a case if nothing is heard.
func (b *Book) deadline(d plan.Dose) time.Time {
	rule, ok := b.Policy.Messages.DoseDeadlines[d.Class]
	if !ok {
		rule = b.Policy.Messages.DoseDeadlines[plan.OtherDrug]
	}
	var at time.Time
	sooner := func(t time.Time) {
		if t.After(d.At) && (at.IsZero() || t.Before(at)) {
			at = t
		}
	}
	if rule.After > 0 {
		sooner(d.At.Add(rule.After))
	}
	if rule.SameDay != 0 {
		sooner(civil.DateOf(d.At).At(rule.SameDay, b.zone()))
	}
	if rule.BeforeNext && !d.Next.IsZero() {
		sooner(d.Next)
	}
	if at.IsZero() {
		// A tablet due at or after the hour by which its day is looked at.
		at = d.At.Add(2 * b.repeat(d.Class))
	}
	if d.Class == plan.Progesterone || d.Class == plan.Estrogen {
		return b.byMorning(at, d.Next)
	}
	return at
}

// byMorning puts off a deadline that lies in the night until the morning, if that
// still is before the next dose: a dose of the evening that she fell asleep over
// wakes nobody. Common practice, no source.
func (b *Book) byMorning(at, next time.Time) time.Time {
	if !b.quiet(at) {
		return at
	}
	morning := civil.DateOf(at.In(b.zone())).At(b.Policy.Triage.Morning, b.zone())
	if morning.Before(at) {
		morning = civil.DateOf(at.In(b.zone())).AddDays(1).At(b.Policy.Triage.Morning, b.zone())
	}
	if !next.IsZero() && !morning.Before(next) {
		return at
	}
	return morning
}

// repeat is after how long an unanswered dose is asked again.
func (b *Book) repeat(class plan.DrugClass) time.Duration {
	if r := b.Policy.Messages.DoseDeadlines[class].Repeat; r > 0 {
		return r
	}
	return b.Policy.Messages.DoseRepeat
}

// Dose is the dose with this ID, if it can still be asked about.
func (b *Book) Dose(ctx context.Context, tx *store.Tx, patient int64, id string) (Asked, bool, error) {
	p, c, err := b.Plan(ctx, tx, patient)
	if err != nil {
		return Asked{}, false, err
	}
	all, err := b.Doses(ctx, tx, c, p)
	if err != nil {
		return Asked{}, false, err
	}
	for _, a := range all {
		if a.ID == id {
			return a, true, nil
		}
	}
	return Asked{}, false, nil
}

// AnswerDose writes down what was said about a dose and brings the outbox in
// step.
func (b *Book) AnswerDose(ctx context.Context, tx *store.Tx, patient int64, dose string, answer Answer, said Said) error {
	c, err := b.Cycle(ctx, tx, patient)
	if err != nil {
		return err
	}
	var inbox any
	if said.Inbox != 0 {
		inbox = said.Inbox
	}
	if _, err := tx.Exec(ctx, `INSERT INTO dose_answers (cycle_id, dose, answer, said_by, inbox_id, recorded_at) VALUES (?, ?, ?, ?, ?, ?)`,
		c.ID, dose, string(answer), said.By, inbox, store.At(tx.Now)); err != nil {
		return err
	}
	return b.askAnew(ctx, tx, patient, dose)
}

// askAnew brings in step what is promised about one dose: of all that a plan asks for,
// only this depends on what she says of it.
func (b *Book) askAnew(ctx context.Context, tx *store.Tx, patient int64, dose string) error {
	pl, c, err := b.Plan(ctx, tx, patient)
	if err != nil {
		return err
	}
	all, err := b.Doses(ctx, tx, c, pl)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(all, func(a Asked) bool { return a.ID == dose })
	if i < 0 || !c.Closed.IsZero() {
		// A dose of an order that has been changed since, or is over.
		_, err := b.Replan(ctx, tx, patient)
		return err
	}
	p, err := b.Patient(ctx, tx, patient)
	if err != nil {
		return err
	}
	w := &wants{book: b, patient: p, cycle: c, now: tx.Now.In(b.zone())}
	w.dose(all[i])
	_, err = b.Outbox.ReconcileUnder(ctx, tx, planTopic(c.ID), w.key("dose/"+dose), w.list)
	return err
}
