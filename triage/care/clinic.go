package care

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/forecast"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// DayLoad is how much a day has of each sort of step, from the plans of all open
// cycles.
type DayLoad struct {
	Day civil.Date
	// Clinic and Lab say whether patients are seen and embryos transferred then.
	Clinic, Lab bool
	// Scans, Transfers, Bloods, Visits and Triggers are booked or planned.
	Scans, Transfers, Bloods, Visits, Triggers int
	// Booked is how many of them all a person has booked.
	Booked int
}

// Clash is a step that falls where the clinic or the laboratory is closed or full,
// with the days that would do.
type Clash struct {
	Patient  reminders.Patient
	Conflict plan.Conflict
}

// Outlook is what the clinic has before it.
type Outlook struct {
	Days []DayLoad
	// Clashes are the steps that fall on a day without room for them.
	Clashes []Clash
	// Late is what should have been settled by now, the longest wait first.
	Late []Late
	Expected
}

// Load is the outlook of some days from today on, in one walk through the open cycles. The caller puts the look on record.
func (c *Care) Load(ctx context.Context, tx *store.Tx, actor triage.Staff, days int) (Outlook, error) {
	pol, err := c.Book.PolicyNow(ctx, tx)
	if err != nil {
		return Outlook{}, err
	}
	from := c.today(tx)
	o := Outlook{Days: make([]DayLoad, days)}
	for n := range o.Days {
		d := from.AddDays(n)
		o.Days[n] = DayLoad{Day: d, Clinic: pol.OpenClinic(d), Lab: pol.OpenLab(d)}
	}
	f := forecast.New(c.Book.Policy, tx.Now, days)
	err = c.each(ctx, tx, actor, func(p reminders.Patient, cycle reminders.Cycle, pl plan.Plan) error {
		for _, s := range pl.Steps {
			if n := s.On.DaysSince(from); !s.On.IsZero() && n >= 0 && n < days && s.Status != plan.Dropped {
				o.Days[n].add(s)
			}
		}
		for _, k := range pl.Conflicts {
			if slices.Contains(closedCodes, k.Why.Code) || strings.HasPrefix(k.Why.Code, "lab_closed") {
				o.Clashes = append(o.Clashes, Clash{p, k})
			}
		}
		if err := f.Add(pl, cycle.PlanFacts()); err != nil {
			return fmt.Errorf("forecast cycle %d: %w", cycle.ID, err)
		}
		if err := c.expect(ctx, tx, &o.Expected, p, cycle, pl); err != nil {
			return err
		}
		return c.addLate(ctx, tx, &o.Late, p, cycle, pl)
	})
	o.Late = longestFirst(o.Late)
	o.sum(f, Limits(c.Book.Policy))
	return o, err
}

// closedCodes are the conflicts that come of a day without room.
var closedCodes = []string{"on_closed_day", "no_open_day", "no_evening", "outside_hours"}

func (l *DayLoad) add(s plan.Step) {
	switch s.Name {
	case plan.Baseline, plan.Monitoring:
		l.Scans++
	case plan.Transfer:
		l.Transfers++
	case plan.HCGFirst, plan.HCGRepeat, plan.HCGDay4, plan.HCGDay7:
		l.Bloods++
	case plan.Trigger:
		l.Triggers++
	default:
		if course(s) || s.Name == plan.LutealEnd || s.Name == plan.Call {
			return // for which nobody comes
		}
		l.Visits++
	}
	if s.Booked {
		l.Booked++
	}
}

// Shifted is a patient whom another policy would move.
type Shifted struct {
	Patient reminders.Patient
	Changes []plan.Change
	// Refused is why her plan cannot be made by that policy at all; "" when it can.
	Refused string
}

// TryPolicy shows whom another policy would move, before it is in force. It changes
// nothing. The caller puts the look on record.
func (c *Care) TryPolicy(ctx context.Context, tx *store.Tx, actor triage.Staff, p plan.Policy) ([]Shifted, error) {
	var all []Shifted
	closed, err := c.Book.PolicyNow(ctx, tx)
	if err != nil {
		return nil, err
	}
	p = p.WithClosed(closed.Closed)
	err = c.each(ctx, tx, actor, func(who reminders.Patient, cycle reminders.Cycle, now plan.Plan) error {
		then, err := plan.Build(p, cycle.PlanFacts(), tx.Now)
		if err != nil {
			all = append(all, Shifted{Patient: who, Refused: err.Error()})
			return nil
		}
		if changes := plan.Diff(now, then); len(changes) > 0 {
			all = append(all, Shifted{Patient: who, Changes: changes})
		}
		return nil
	})
	return all, err
}
