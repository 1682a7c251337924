package care

import (
	"context"
	"errors"
	"maps"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/reckon"
	"handrail.example/reminders/room"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// offered is how many free places are named where somebody must choose another: common
// practice, no source.
const offered = 6

// Offer is what room there is for a visit of hers. Beyond what the calendar waits for it
// looks around a day that a person chose, and after a window that is over.
func (c *Care) Offer(ctx context.Context, tx *store.Tx, actor triage.Staff, patient int64, step plan.StepName) (reminders.Offer, error) {
	if err := actor.May(triage.EnterFact); err != nil {
		return reminders.Offer{}, err
	}
	pl, cycle, err := c.Book.Plan(ctx, tx, patient)
	if err != nil {
		return reminders.Offer{}, err
	}
	o, err := c.Book.Offer(ctx, tx, pl, cycle, step)
	switch {
	case errors.Is(err, reminders.ErrNoVisit):
		return o, triage.Refuse("no_visit", nil)
	case err != nil || step == plan.Transfer:
		return o, err
	}
	switch today := c.today(tx); {
	case o.Chosen:
		o.Wish.From, o.Wish.To = o.Wish.From.AddDays(-2), o.Wish.To.AddDays(2)
	case o.Wish.To.Before(today):
		o.Wish.From, o.Wish.Preferred, o.Wish.To = today, today, today.AddDays(3)
	default:
		return o, nil
	}
	return o, c.Book.Look(ctx, tx, cycle, &o)
}

// Waited are the visits that her plan waits for and that take a place.
func Waited(pl plan.Plan) (steps []plan.StepName) {
	seen := make(map[plan.StepName]bool)
	for _, s := range pl.Steps {
		if room.SortOf(s.Name) != room.Nowhere && s.Status != plan.Done && s.Status != plan.Dropped && !seen[s.Name] {
			seen[s.Name] = true
			steps = append(steps, s.Name)
		}
	}
	return steps
}

// Propose is the visit that would be booked: at the nearest place to the one that suits
// best, or on a day, or at a minute of it, where the zero Date and room.AnyMinute leave
// the choice. It refuses, with why and with what is free, what has no room.
func (c *Care) Propose(ctx context.Context, tx *store.Tx, actor triage.Staff, patient int64, step plan.StepName, on civil.Date, at civil.TimeOfDay) (plan.Fact, error) {
	o, err := c.Offer(ctx, tx, actor, patient, step)
	if err != nil {
		return plan.Fact{}, err
	}
	to, found := choose(o, on, at)
	if !found {
		return plan.Fact{}, c.noPlace(ctx, tx, o, patient, on, at)
	}
	return plan.Fact{Kind: plan.Visit, Step: step, At: to.Time(c.Book.Policy.Location())}, nil
}

// choose is the first place of an offer that is on the day and at the minute that are
// asked for.
func choose(o reminders.Offer, on civil.Date, at civil.TimeOfDay) (room.Place, bool) {
	for _, p := range o.Free {
		if (on.IsZero() || p.On == on) && (at < 0 || p.At == at) {
			return p, true
		}
	}
	return room.Place{}, false
}

// noPlace says why a place cannot be had, and what is free.
func (c *Care) noPlace(ctx context.Context, tx *store.Tx, o reminders.Offer, patient int64, on civil.Date, at civil.TimeOfDay) error {
	near := nearWords(o.Free)
	args := phrase.Args{"from": o.Wish.From.String(), "to": o.Wish.To.String(), "near": near}
	if on.IsZero() {
		return triage.Refuse("no_place", args)
	}
	if on.Before(o.Wish.From) || on.After(o.Wish.To) {
		args["on"] = on.String()
		return triage.Refuse("place_outside", args)
	}
	p := room.Place{On: on, At: at}
	h, taken, err := c.Book.House(ctx, tx, 0, room.Wish{Sort: o.Wish.Sort, From: on, To: on}, reminders.Own{})
	if err != nil {
		return err
	}
	why, against := h.Against(o.Wish.Sort, p, taken)
	switch {
	case against:
		return roomRefusal(why, near)
	case at < 0:
		args["from"], args["to"] = on.String(), on.String()
		return triage.Refuse("no_place", args)
	}
	args["on"], args["at"] = on.String(), at.String()
	return triage.Refuse("place_no_slot", args)
}

// nearWords lists places for a sentence.
func nearWords(free []room.Place) string {
	if len(free) == 0 {
		return "-"
	}
	var all []string
	for _, p := range free[:min(offered, len(free))] {
		all = append(all, p.On.String()+" "+p.At.String())
	}
	return strings.Join(all, ", ")
}

func roomRefusal(why plan.Reason, near string) error {
	args := phrase.Args{"near": near}
	maps.Copy(args, why.Args)
	delete(args, "weekday")
	delete(args, "closed")
	return triage.Refuse(why.Code, args)
}

// goesWith are the facts that are saved with another: the repeat with a first test.
func (c *Care) goesWith(ctx context.Context, tx *store.Tx, patient int64, f plan.Fact) ([]plan.Fact, error) {
	if f.Kind != plan.Visit || f.Step != plan.HCGFirst {
		return nil, nil
	}
	cycle, err := c.Book.Cycle(ctx, tx, patient)
	if err != nil {
		return nil, err
	}
	repeat, err := c.Book.Repeat(ctx, tx, cycle, f)
	if err != nil || repeat.Kind == "" || repeat.At.IsZero() {
		return nil, err
	}
	return []plan.Fact{repeat}, nil
}

// roomCautions are what stands against the place of a visit. A place that is full is
// asked a reason for, and what is free near it is named.
func (c *Care) roomCautions(ctx context.Context, tx *store.Tx, cycle reminders.Cycle, v *Preview) error {
	against, err := c.Book.NoRoom(ctx, tx, cycle, v.Fact)
	if err != nil || len(against) == 0 {
		return err
	}
	for _, why := range against {
		v.Cautions = append(v.Cautions, reckon.Caution{Why: why, Ask: full(why)})
	}
	if v.Near, err = c.Book.FreeNear(ctx, tx, cycle, v.Fact.Step, room.PlaceOf(v.Fact.At, c.Book.Policy.Location()), offered); err != nil || len(v.Near) == 0 {
		return err
	}
	v.Cautions = append(v.Cautions, reckon.Caution{Why: plan.Reason{Code: room.CodeNear, Args: map[string]string{"near": nearWords(v.Near)}}})
	return nil
}

func full(why plan.Reason) bool {
	return why.Code == room.CodeDayFull || why.Code == room.CodeMinuteFull
}

// asked is the refusal of an entry that is not saved without a reason.
func (v Preview) asked() error {
	for _, k := range v.Cautions {
		if full(k.Why) {
			return roomRefusal(k.Why, nearWords(v.Near))
		}
	}
	return triage.Refuse("reason_asked", nil)
}
