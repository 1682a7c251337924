package care

import (
	"context"
	"time"

	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/reckon"
	"handrail.example/reminders/room"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// Sheet is what a clinician weighs: her values, how they run, what is met, and what
// can be chosen between. It chooses nothing.
type Sheet struct {
	Patient reminders.Patient
	Plan    plan.Plan
	About   reminders.About
	Reading reckon.Reading
	Options reckon.Options
	Series  reckon.Series
	// Trigger is the trigger as given or ordered, zero without one.
	Trigger plan.Fact
	// Lapses are items of her checklist that will not hold on the transfer's day.
	Lapses []reckon.Caution
	// Room is how many transfers the laboratory has room for on a day.
	Room int
	// Transferred: the scans are behind her, and the blood tests are weighed.
	Transferred bool
}

// Sheet gathers a patient's values with everything that is reckoned from them.
// Looking is on record.
func (c *Care) Sheet(ctx context.Context, tx *store.Tx, actor triage.Staff, patient int64) (Sheet, error) {
	if err := actor.May(triage.SeePatients); err != nil {
		return Sheet{}, err
	}
	var s Sheet
	p, err := c.Book.Patient(ctx, tx, patient)
	if err != nil {
		return s, err
	}
	pl, cycle, err := c.Book.Plan(ctx, tx, patient)
	if err != nil {
		return s, err
	}
	if cycle.ID == 0 {
		return s, triage.Refuse("no_cycle", nil)
	}
	s.Patient, s.Plan, s.About, s.Room = p, pl, cycle.About(), c.Book.Policy.Lab.TransfersPerDay
	facts := cycle.PlanFacts()
	s.events(facts)
	if s.Reading, err = reckon.Read(c.Book.Policy, facts, pl.AsOf); err != nil {
		return s, err
	}
	booked, err := c.booked(ctx, tx, cycle.ID, pl.AsOf)
	if err != nil {
		return s, err
	}
	pol, err := c.Book.PolicyFor(ctx, tx, cycle.ID)
	if err != nil {
		return s, err
	}
	if s.Options, err = reckon.Weigh(pol, facts, s.Reading, pl.AsOf, booked); err != nil {
		return s, err
	}
	s.Series = reckon.HCG(c.Book.Policy, facts, pl.AsOf)
	list, err := c.Book.Checklist(ctx, tx, patient)
	if err != nil {
		return s, err
	}
	s.Lapses = reckon.Lapses(Checked(list), c.today(tx), TransferDay(pl))
	return s, c.did(ctx, tx, actor, triage.SeePatients, p, 0, "sheet")
}

func (s *Sheet) events(facts []plan.Fact) {
	for _, f := range plan.Standing(facts) {
		switch f.Kind {
		case plan.TriggerGiven:
			s.Trigger = f
		case plan.TriggerOrder:
			if s.Trigger.Kind == "" {
				s.Trigger = f
			}
		case plan.Transferred:
			s.Transferred = true
		}
	}
}

// booked is how many transfers of others are settled for each day: booked with a
// minute, or counted from a trigger that is ordered or given.
func (c *Care) booked(ctx context.Context, tx *store.Tx, cycle int64, asOf time.Time) (map[civil.Date]int, error) {
	today := civil.DateOf(asOf)
	taken, err := c.Book.Others(ctx, tx, room.Transfer, today, today.AddDays(sheetDays), cycle)
	days := make(map[civil.Date]int)
	for _, t := range taken {
		days[t.On]++
	}
	return days, err
}

// sheetDays is how far a sheet may look for a transfer: longer than any window of the
// trigger and what follows it.
const sheetDays = 60
