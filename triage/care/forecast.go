package care

import (
	"cmp"
	"context"
	"slices"

	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/forecast"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/room"
	"handrail.example/reminders/store"
)

// Expected is what is likely to come, and what is not ready for it.
type Expected struct {
	// Forecast has a day for every one of the outlook.
	Forecast []forecast.Day
	// Unplaced is how many wait for a period or a trigger of which nobody can say
	// when it comes; the forecast has nothing of them.
	Unplaced int
	// Periods are the calls that are expected, the earliest first.
	Periods []PeriodCall
	// Unready are those whose checklist does not hold on the day on which their
	// period is expected, the earliest first.
	Unready []Unready
}

// PeriodCall is a call that she makes when her period begins.
type PeriodCall struct {
	Patient reminders.Patient
	On      civil.Date
	// Overdue is for how many days it has been expected, 0 for none.
	Overdue int
}

// Unready is a patient whose cycle could not start.
type Unready struct {
	Patient reminders.Patient
	// By is when it must be done: the day on which her period is expected, or
	// today where that is over.
	By civil.Date
	// Missing was never done, Expired was and does not hold any more by then.
	Missing, Expired []string
}

// expect adds what a cycle waits for that has no day one.
func (c *Care) expect(ctx context.Context, tx *store.Tx, e *Expected, p reminders.Patient, cycle reminders.Cycle, pl plan.Plan) error {
	due := forecast.Expected(cycle.PlanFacts())
	if !pl.CycleDayOne.IsZero() || !pl.Cancelled.IsZero() || due.IsZero() {
		return nil
	}
	today := c.today(tx)
	e.Periods = append(e.Periods, PeriodCall{p, due, max(0, today.DaysSince(due))})
	if due.Before(today) {
		due = today
	}
	all, err := c.Book.Checklist(ctx, tx, p.ID)
	if err != nil {
		return err
	}
	if u := (Unready{Patient: p, By: due}); u.lacks(all) {
		e.Unready = append(e.Unready, u)
	}
	return nil
}

// lacks notes what of a checklist is required and does not hold by then, and reports
// whether anything is.
func (u *Unready) lacks(all []reminders.Check) bool {
	for _, k := range all {
		switch {
		case !k.Required || k.Holds(u.By):
		case k.On.IsZero():
			u.Missing = append(u.Missing, k.Item)
		default:
			u.Expired = append(u.Expired, k.Item)
		}
	}
	return len(u.Missing)+len(u.Expired) > 0
}

// sum adds up what was gathered.
func (e *Expected) sum(f *forecast.Maker, l forecast.Limits) {
	e.Forecast, e.Unplaced = f.Days(l), f.Unplaced
	slices.SortStableFunc(e.Periods, func(a, b PeriodCall) int {
		return cmp.Or(a.On.Compare(b.On), cmp.Compare(a.Patient.Handle, b.Patient.Handle))
	})
	slices.SortStableFunc(e.Unready, func(a, b Unready) int {
		return cmp.Or(a.By.Compare(b.By), cmp.Compare(a.Patient.Handle, b.Patient.Handle))
	})
}

// Limits are for how many patients an open day of the clinic has room.
func Limits(p plan.Policy) forecast.Limits {
	h := room.Of(p)
	return forecast.Limits{Mornings: h.Holds(room.Monitoring), Transfers: h.Holds(room.Transfer), Bloods: h.Holds(room.Blood)}
}
