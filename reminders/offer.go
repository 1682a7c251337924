package reminders

import (
	"context"
	"errors"
	"slices"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/room"
	"handrail.example/reminders/store"
)

// Offer is what room there is for a visit of hers.
type Offer struct {
	// Step is the row of her plan that the visit is for, Old the booking that it has;
	// the zero Recorded for none.
	Step plan.Step
	Old  Recorded
	Wish room.Wish
	// Free are the places that can be had, the nearest first; Why says how the first was
	// found, or that there is none.
	Free []room.Place
	Why  plan.Reason
	// Chosen: a person chose the day that it stands on, and no window says where else it
	// could be.
	Chosen bool
}

// ErrNoVisit says that a plan waits for no visit of a step.
var ErrNoVisit = errors.New("her calendar waits for no such visit: enter what leads to it first")

// Offer looks for places for the visit of a step that her plan waits for.
func (b *Book) Offer(ctx context.Context, tx *store.Tx, pl plan.Plan, c Cycle, step plan.StepName) (Offer, error) {
	s, found := waited(pl, step)
	if !found || room.SortOf(step) == room.Nowhere || !c.Closed.IsZero() {
		return Offer{}, ErrNoVisit
	}
	o := Offer{Step: s, Wish: b.wish(tx, s), Chosen: s.Booked && s.From == s.To && step == plan.Monitoring}
	for _, f := range c.Facts {
		if f.Kind == plan.Visit && f.Step == step && f.Fact.At.Equal(s.At) && !c.replaced(f) {
			o.Old = f
		}
	}
	return o, b.Look(ctx, tx, c, &o)
}

// Look looks for the places of an offer by its wish.
func (b *Book) Look(ctx context.Context, tx *store.Tx, c Cycle, o *Offer) error {
	h, taken, err := b.House(ctx, tx, c.ID, o.Wish, Own{c.ID, o.Step.Name, o.Step.On})
	if err != nil {
		return err
	}
	o.Free = h.Free(o.Wish, taken)
	_, o.Why, _ = h.Find(o.Wish, taken)
	return nil
}

// House is the room for a wish and what of it is taken, but for a place of one's own.
func (b *Book) House(ctx context.Context, tx *store.Tx, cycle int64, w room.Wish, but Own) (*room.House, []room.Taken, error) {
	pol, err := b.PolicyNow(ctx, tx)
	if err != nil {
		return nil, nil, err
	}
	taken, err := b.Taken(ctx, tx, w.Sort, w.From, w.To, but)
	return room.Of(pol), taken, err
}

// waited is the row of a step that is still waited for: one that is booked, else the one
// that is to be booked, else one that was missed.
func waited(pl plan.Plan, step plan.StepName) (found plan.Step, ok bool) {
	rank := func(s plan.Step) int {
		switch {
		case s.Status == plan.Missed:
			return 0
		case s.Booked:
			return 2
		}
		return 1
	}
	for _, s := range pl.StepsOf(step) {
		if s.Status != plan.Done && s.Status != plan.Dropped && (!ok || rank(s) > rank(found)) {
			found, ok = s, true
		}
	}
	return found, ok
}

// wish is what is looked for in place of a row of a plan: its window, from now on. A
// transfer has its day and no other.
func (b *Book) wish(tx *store.Tx, s plan.Step) room.Wish {
	w := room.Wish{Sort: room.SortOf(s.Name), From: s.From, Preferred: s.On, To: s.To, At: room.AnyMinute, After: room.PlaceOf(tx.Now, b.zone())}
	if s.On.IsZero() {
		w.Preferred = s.From
	}
	if s.Booked && !s.At.IsZero() {
		w.At = room.PlaceOf(s.At, b.zone()).At
	}
	if s.Name == plan.Transfer {
		w.From, w.To = w.Preferred, w.Preferred
	}
	return w
}

// NoRoom says what stands against the place of a visit that is entered for a cycle: a
// full day or minute, or a minute outside of the slots. That a day is closed the plan
// itself says. own is the place that the visit had, if it is moved.
func (b *Book) NoRoom(ctx context.Context, tx *store.Tx, c Cycle, f plan.Fact) ([]plan.Reason, error) {
	p, sort := room.PlaceOf(f.At, b.zone()), room.SortOf(f.Step)
	if f.Kind != plan.Visit || sort == room.Nowhere || !f.At.After(tx.Now) {
		return nil, nil
	}
	own := Own{c.ID, f.Step, p.On}
	h, taken, err := b.House(ctx, tx, c.ID, room.Wish{Sort: sort, From: p.On, To: p.On}, own)
	if err != nil {
		return nil, err
	}
	var all []plan.Reason
	if why, full := h.Full(sort, p, taken); full {
		all = append(all, why)
	}
	if why, outside := h.Outside(sort, p); outside {
		all = append(all, why)
	}
	return all, nil
}

// FreeNear are the first n places that are free near one, within two days of it.
func (b *Book) FreeNear(ctx context.Context, tx *store.Tx, c Cycle, step plan.StepName, near room.Place, n int) ([]room.Place, error) {
	w := room.Wish{Sort: room.SortOf(step), From: near.On.AddDays(-2), Preferred: near.On, To: near.On.AddDays(2), At: near.At, After: room.PlaceOf(tx.Now, b.zone())}
	if step == plan.Transfer {
		w.From, w.To = near.On, near.On
	}
	h, taken, err := b.House(ctx, tx, c.ID, w, Own{c.ID, step, near.On})
	if err != nil {
		return nil, err
	}
	free := h.Free(w, taken)
	return free[:min(n, len(free))], nil
}

// Repeat is the visit for the repeat that goes with a first test, as a pair: 48 hours
// later where there is room, else as near to it as its window allows. It takes the place
// of a repeat that is booked already, and is the zero Fact where one is booked within the
// window, where a value is on record, or where there is no place: then a person books it.
func (b *Book) Repeat(ctx context.Context, tx *store.Tx, c Cycle, first plan.Fact) (plan.Fact, error) {
	gap, pairs := b.RepeatGap(c)
	if !pairs || first.Kind != plan.Visit || first.Step != plan.HCGFirst {
		return plan.Fact{}, nil
	}
	p := room.PlaceOf(first.At, b.zone())
	repeat := plan.Fact{Kind: plan.Visit, Step: plan.HCGRepeat}
	own := Own{Cycle: c.ID, Step: plan.HCGRepeat}
	for _, f := range c.Facts {
		if f.Kind != plan.Visit || f.Step != plan.HCGRepeat || c.replaced(f) || f.Fact.At.Before(tx.Now) {
			continue
		}
		on := civil.DateOf(f.Fact.At.In(b.zone()))
		if n := on.DaysSince(p.On); n >= gap.From && n <= gap.To && !moves(c, first) {
			return plan.Fact{}, nil
		}
		repeat.Replaces, own.On = f.ID, on
	}
	w := room.Wish{Sort: room.Blood, From: p.On.AddDays(gap.From), Preferred: p.On.AddDays(gap.Preferred), To: p.On.AddDays(gap.To), At: p.At, After: room.PlaceOf(tx.Now, b.zone())}
	h, taken, err := b.House(ctx, tx, c.ID, w, own)
	if err != nil {
		return plan.Fact{}, err
	}
	to, _, found := h.Find(w, taken)
	if !found || to.On == own.On {
		return plan.Fact{}, nil
	}
	repeat.At = to.Time(b.zone())
	return repeat, nil
}

// moves reports whether a visit is given another day than the one that it replaces has.
func moves(c Cycle, f plan.Fact) bool {
	i := slices.IndexFunc(c.Facts, func(old Recorded) bool { return f.Replaces != "" && old.ID == f.Replaces })
	return i >= 0 && civil.DateOf(c.Facts[i].Fact.At) != civil.DateOf(f.At.In(c.Facts[i].Fact.At.Location()))
}
