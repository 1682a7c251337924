package care

import (
	"context"

	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/reckon"
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
	booked, err := c.booked(ctx, tx, actor, patient)
	if err != nil {
		return s, err
	}
	if s.Options, err = reckon.Weigh(c.Book.Policy, facts, s.Reading, pl.AsOf, booked); err != nil {
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
func (c *Care) booked(ctx context.Context, tx *store.Tx, actor triage.Staff, but int64) (map[civil.Date]int, error) {
	days := make(map[civil.Date]int)
	err := c.each(ctx, tx, actor, func(p reminders.Patient, _ reminders.Cycle, pl plan.Plan) error {
		if p.ID == but {
			return nil
		}
		trigger, known := pl.Step("trigger/1")
		for _, s := range pl.StepsOf(plan.Transfer) {
			if s.Status != plan.Dropped && !s.On.IsZero() && (s.Booked || known && trigger.Booked) {
				days[s.On]++
			}
		}
		return nil
	})
	return days, err
}
