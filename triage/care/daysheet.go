package care

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// DaySheet is a day of the clinic.
type DaySheet struct {
	Day civil.Date
	// Booked are the steps of the day that have a minute, by it, and those that
	// happened without one; Unbooked those that are planned and that nobody has
	// booked.
	Booked, Unbooked []Entry
	// Missed are appointments of the day whose time is over, and of the days before
	// it, of which nothing is on record.
	Missed []Entry
	// Unrepeated are transfers of which she has not repeated when to come.
	Unrepeated []Entry
	ToTell     []Telling
	Triggers   []Evening // of its evening
	// Short are the supplies that somebody must see to by the day.
	Short []Shortage
	// NotDone are those who were seen or drawn on the day and are not done with.
	NotDone []Pending
}

// Telling is a result that a person must tell, or has told with an order that is still
// due. Nobody leaves the list before both are done.
type Telling struct {
	Patient reminders.Patient
	// Case waits for the telling; its ID is 0 when she has been told.
	Case triage.Case
	// Due are the orders that the result calls for and that are not there.
	Due []plan.OpenEnd
}

// lateForVisit is after how long somebody who has not come counts as missed, and
// missedFor how long she stays on the list: common practice, no source.
const (
	lateForVisit = 30 * time.Minute
	missedFor    = 7 // days
)

// DaySheet is everything of one day. The caller puts the look on record.
func (c *Care) DaySheet(ctx context.Context, tx *store.Tx, actor triage.Staff, d civil.Date) (DaySheet, error) {
	s := DaySheet{Day: d}
	all, err := c.Desk.Live(ctx, tx)
	if err != nil {
		return s, err
	}
	live := slices.DeleteFunc(slices.Clone(all), func(cs triage.Case) bool { return cs.Reason != triage.ResultToTell })
	night, err := c.nightOf(ctx, tx, d)
	if err != nil {
		return s, err
	}
	err = c.each(ctx, tx, actor, func(p reminders.Patient, cycle reminders.Cycle, pl plan.Plan) error {
		for _, step := range pl.Steps {
			if err := c.place(ctx, tx, &s, Entry{p, step, pl.CycleDay(d)}, cycle); err != nil {
				return err
			}
		}
		if t, some := telling(p, pl, live); some {
			s.ToTell = append(s.ToTell, t)
		}
		s.Short = append(s.Short, shortages(p, pl, d)...)
		left, err := c.pending(ctx, tx, charted{p, cycle, pl}, d, all)
		if err != nil {
			return err
		}
		if len(left.Why) > 0 {
			s.NotDone = append(s.NotDone, left)
		}
		some, err := c.evenings(ctx, tx, p, cycle, pl, night)
		s.Triggers = append(s.Triggers, some...)
		return err
	})
	byMinute(s.Triggers)
	soonestOut(s.Short)
	for _, list := range [][]Entry{s.Booked, s.Unbooked, s.Missed, s.Unrepeated} {
		slices.SortStableFunc(list, func(a, b Entry) int {
			return cmp.Or(a.Step.On.Compare(b.Step.On), compareMinutes(a.Step.At, b.Step.At), cmp.Compare(a.Patient.Handle, b.Patient.Handle))
		})
	}
	return s, err
}

// place puts a step on the lists that it belongs to.
func (c *Care) place(ctx context.Context, tx *store.Tx, s *DaySheet, e Entry, cycle reminders.Cycle) error {
	step := e.Step
	if step.Status == plan.Dropped || course(step) || step.On.IsZero() {
		return nil
	}
	if over := step.Booked && !step.At.IsZero() && step.Status != plan.Done && step.Name != plan.Trigger && tx.Now.Sub(step.At) > lateForVisit; over &&
		!step.On.After(s.Day) && s.Day.DaysSince(step.On) <= missedFor {
		s.Missed = append(s.Missed, e)
	}
	if step.On != s.Day {
		return nil
	}
	if step.Booked || step.Status == plan.Done {
		s.Booked = append(s.Booked, e)
	} else {
		s.Unbooked = append(s.Unbooked, e)
	}
	if step.Name != plan.Transfer || step.Status == plan.Done {
		return nil
	}
	stages, err := c.Book.Stages(ctx, tx, cycle)
	for _, f := range standing(cycle) {
		if f.Kind == plan.Visit && f.Step == plan.Transfer && stages[f.Number] == reminders.Unanswered {
			s.Unrepeated = append(s.Unrepeated, e)
		}
	}
	return err
}

// telling is a result of hers that is not told or not followed up.
func telling(p reminders.Patient, pl plan.Plan, live []triage.Case) (Telling, bool) {
	t := Telling{Patient: p}
	for _, cs := range live {
		if cs.Person == p.Person {
			t.Case = cs
		}
	}
	for _, o := range pl.Open {
		if strings.HasPrefix(o.Why.Code, "open_stop_after") {
			t.Due = append(t.Due, o)
		}
	}
	return t, t.Case.ID != 0 || len(t.Due) > 0
}

// Evening is the trigger of one patient.
type Evening struct {
	Patient reminders.Patient
	At      time.Time // ordered for; zero while it is only expected
	Order   plan.Fact
	// Case is that of an order that waits for its check; 0 for none.
	Case int64
	// Ordered is when the order came into force, Given when the injection was given.
	Ordered, Given time.Time
	Stage          reminders.Stage
}

// The evening that a trigger belongs to begins at noon and ends in the early morning:
// common practice, no source.
var eveningFrom, eveningTo = civil.MustTime("12:00"), civil.MustTime("06:00")

// night is an evening with the orders for it that wait for a second person, by patient.
type night struct {
	day      civil.Date
	from, to time.Time
	waiting  map[int64][]Evening
}

func (n night) has(t time.Time) bool { return !t.Before(n.from) && t.Before(n.to) }

// Tonight are the triggers of a day's evening, by their minute, and those that the
// calendar expects and nobody has ordered. The caller puts the look on record.
func (c *Care) Tonight(ctx context.Context, tx *store.Tx, actor triage.Staff, d civil.Date) ([]Evening, error) {
	n, err := c.nightOf(ctx, tx, d)
	if err != nil {
		return nil, err
	}
	var all []Evening
	err = c.each(ctx, tx, actor, func(p reminders.Patient, cycle reminders.Cycle, pl plan.Plan) error {
		some, err := c.evenings(ctx, tx, p, cycle, pl, n)
		all = append(all, some...)
		return err
	})
	byMinute(all)
	return all, err
}

func byMinute(all []Evening) {
	slices.SortStableFunc(all, func(a, b Evening) int {
		return cmp.Or(compareMinutes(a.At, b.At), cmp.Compare(a.Patient.Handle, b.Patient.Handle))
	})
}

// evenings are the triggers of one patient on an evening: what waits for its check,
// what is in force or was given, else what the calendar expects.
func (c *Care) evenings(ctx context.Context, tx *store.Tx, p reminders.Patient, cycle reminders.Cycle, pl plan.Plan, n night) (all []Evening, err error) {
	for _, e := range n.waiting[p.ID] {
		if e.Patient = p; n.has(e.At) {
			all = append(all, e)
		}
	}
	e := Evening{Patient: p}
	given, was := cycle.Live(plan.TriggerGiven)
	if was {
		e.Given = given.Fact.At
	}
	order, ordered := cycle.Live(plan.TriggerOrder)
	switch {
	case ordered && n.has(order.Fact.At):
		e.At, e.Order, e.Ordered = order.Fact.At, order.Fact, order.Entered
		stages, err := c.Book.Stages(ctx, tx, cycle)
		e.Stage = stages[order.Number]
		return append(all, e), err
	case ordered || len(n.waiting[p.ID]) > 0:
	case was && n.has(e.Given), expected(pl, n.day):
		all = append(all, e)
	}
	return all, nil
}

// expected reports whether the calendar looks for a trigger on the evening of d that
// nobody has ordered.
func expected(pl plan.Plan, d civil.Date) bool {
	return slices.ContainsFunc(pl.Steps, func(s plan.Step) bool {
		return s.Name == plan.Trigger && s.On == d && !s.Booked && (s.Status == plan.Due || s.Status == plan.Projected)
	})
}

// nightOf is the evening of a day.
func (c *Care) nightOf(ctx context.Context, tx *store.Tx, d civil.Date) (night, error) {
	zone := c.Book.Policy.Location()
	n := night{day: d, from: d.At(eveningFrom, zone), to: d.AddDays(1).At(eveningTo, zone), waiting: make(map[int64][]Evening)}
	live, err := c.Desk.LiveFor(ctx, tx, triage.TriggerCheck)
	for _, cs := range live {
		if f, err := plan.ParseFact(cs.Body.Draft, zone); err == nil {
			n.waiting[cs.Patient] = append(n.waiting[cs.Patient], Evening{At: f.At, Order: f, Case: cs.ID})
		}
	}
	return n, err
}
