package care_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/room"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// narrow is a ward with little room: two slots of one room a day for scans, two draws of
// blood and one transfer. Its patients stand in different weeks.
func narrow(t *testing.T) (*ward, []reminders.Patient) {
	w := open(t)
	p := &w.book.Policy
	p.Room.Monitoring = plan.Slots{From: civil.MustTime("07:00"), To: civil.MustTime("07:20"), Every: 10 * time.Minute, Rooms: 1}
	p.Room.Blood.PerDay, p.Lab.TransfersPerDay = 2, 1
	patients := []reminders.Patient{w.patient}
	for i, begun := range [][]plan.Fact{
		{{Kind: plan.PeriodStart, At: at(10, 8, 15)}},
		{{Kind: plan.PeriodStart, At: at(9, 8, 15)}},
		{{Kind: plan.PeriodStart, At: at(2, 8, 15)}, {Kind: plan.BaselineFound, On: day(4), Decision: plan.Start}},
		{{Kind: plan.PeriodStart, At: at(1, 8, 15)}, {Kind: plan.TriggerGiven, At: at(10, 21, 30)}},
		{{Kind: plan.PeriodStart, At: feb(12)}, {Kind: plan.TriggerGiven, At: feb(25)}, {Kind: plan.Transferred, On: day(4)}},
		{{Kind: plan.PeriodStart, At: feb(12)}, {Kind: plan.TriggerGiven, At: feb(25)}, {Kind: plan.Transferred, On: day(4)}},
	} {
		w.within(func(ctx context.Context, tx *store.Tx) error {
			x := w.enrol(ctx, tx, fmt.Sprintf("P-20%d", i))
			patients = append(patients, x)
			for _, f := range begun {
				if _, err := w.book.Record(ctx, tx, x.ID, f, reminders.Said{By: seal.House}); err != nil {
					return err
				}
			}
			return nil
		})
	}
	return w, patients
}

func day(n int) civil.Date { return civil.Date{Year: 2026, Month: 3, Day: n} }

func feb(n int) time.Time { return time.Date(2026, 2, n, 20, 0, 0, 0, zone) }

// crew is a run of the property: what coordinators and patients do to a narrow ward, in
// any order.
type crew struct {
	w        *ward
	patients []reminders.Patient
	forced   map[civil.Date]bool // days on which somebody was let in with a reason
}

// within runs f in a transaction that a refusal undoes.
func (c *crew) within(t *rapid.T, f func(ctx context.Context, tx *store.Tx) error) (done bool) {
	err := c.w.db.Within(context.Background(), f)
	var refused *triage.Refused
	var untrue *plan.Refusal
	if errors.As(err, &refused) || errors.As(err, &untrue) || errors.Is(err, reminders.ErrNoVisit) {
		return false
	}
	if err != nil {
		t.Fatal(err)
	}
	return true
}

func (c *crew) patient(t *rapid.T) reminders.Patient {
	return rapid.SampledFrom(c.patients).Draw(t, "patient")
}

func (c *crew) step(t *rapid.T) plan.StepName {
	return rapid.SampledFrom([]plan.StepName{plan.Baseline, plan.Monitoring, plan.Transfer, plan.HCGFirst, plan.HCGRepeat}).Draw(t, "step")
}

func (c *crew) actor(t *rapid.T) triage.Staff {
	return rapid.SampledFrom([]triage.Staff{c.w.quoy, c.w.orrel}).Draw(t, "actor")
}

// BookNearest books what is proposed; it must lie in the window.
func (c *crew) BookNearest(t *rapid.T) {
	p, step, by := c.patient(t), c.step(t), c.actor(t)
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		o, err := c.w.care.Offer(ctx, tx, by, p.ID, step)
		if err != nil {
			return err
		}
		f, err := c.w.care.Propose(ctx, tx, by, p.ID, step, civil.Date{}, room.AnyMinute)
		if err != nil {
			return err
		}
		if on := civil.DateOf(f.At.In(zone)); on.Before(o.Wish.From) || on.After(o.Wish.To) {
			t.Fatalf("%s of %s is proposed for %s, outside of %s to %s", step, p.Handle, on, o.Wish.From, o.Wish.To)
		}
		_, err = c.w.care.Enter(ctx, tx, by, p.ID, f, 1)
		return err
	})
}

// BookAt enters a visit somewhere, as a coordinator may, with a reason or without.
func (c *crew) BookAt(t *rapid.T) {
	p, step, by := c.patient(t), c.step(t), c.actor(t)
	on := day(11).AddDays(rapid.IntRange(0, 8).Draw(t, "day"))
	f := plan.Fact{Kind: plan.Visit, Step: step, At: on.At(civil.MustTime("07:00")+civil.TimeOfDay(5*rapid.IntRange(0, 3).Draw(t, "minute")), zone)}
	if rapid.IntRange(0, 3).Draw(t, "insists") == 0 {
		f.Reason = "she has come from far"
	}
	var v care.Preview
	if c.within(t, func(ctx context.Context, tx *store.Tx) (err error) {
		v, err = c.w.care.Enter(ctx, tx, by, p.ID, f, 1)
		return err
	}) && f.Reason != "" && len(v.Cautions) > 0 {
		c.forced[on] = true
	}
}

// PatientMoves has her take a place that is left in her window, as the chat does.
func (c *crew) PatientMoves(t *rapid.T) {
	p, n := c.patient(t), rapid.IntRange(0, 5).Draw(t, "which")
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		pl, cycle, err := c.w.book.Plan(ctx, tx, p.ID)
		if err != nil {
			return err
		}
		o, err := c.w.book.Offer(ctx, tx, pl, cycle, plan.Baseline)
		if err != nil || n >= len(o.Free) {
			return err
		}
		_, err = c.w.book.Record(ctx, tx, p.ID, plan.Fact{Kind: plan.Visit, Step: plan.Baseline, At: o.Free[n].Time(zone), Replaces: o.Old.ID}, reminders.Said{By: p.Person})
		return err
	})
}

// Undo takes a booking back.
func (c *crew) Undo(t *rapid.T) {
	p, by := c.patient(t), c.actor(t)
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		facts, err := c.w.care.Facts(ctx, tx, by, p.ID)
		if err != nil {
			return err
		}
		facts = slices.DeleteFunc(facts, func(f reminders.Recorded) bool { return f.Kind != plan.Visit })
		if len(facts) == 0 {
			return nil
		}
		_, err = c.w.care.Undo(ctx, tx, by, p.ID, facts[len(facts)-1].ID, "a slip", 1)
		return err
	})
}

// CloseDay closes a day as it was previewed, and moves nobody whom it does not hit.
func (c *crew) CloseDay(t *rapid.T) {
	by := c.actor(t)
	k := care.Closing{From: day(11).AddDays(rapid.IntRange(0, 8).Draw(t, "day")), Why: "storm", Part: rapid.SampledFrom([]plan.ClosedPart{plan.WholeClinic, plan.LabOnly}).Draw(t, "part")}
	k.To = k.From.AddDays(rapid.IntRange(0, 1).Draw(t, "more"))
	before := c.bookings(t)
	var out care.Closure
	if !c.within(t, func(ctx context.Context, tx *store.Tx) error {
		seen, err := c.w.care.PreviewClosing(ctx, tx, by, k)
		if err != nil {
			return err
		}
		out, err = c.w.care.CloseDays(ctx, tx, by, k, seen.Digest, 1)
		return err
	}) {
		return
	}
	moved := make(map[int64]bool)
	for _, m := range out.Moves {
		if slices.Contains(out.Days, m.Move.Visit.On) {
			moved[m.Move.Visit.Cycle] = true
		}
		if to := m.Move.To.On; m.Move.Visit.First == 0 && (to.Before(m.Move.Visit.From) || to.After(m.Move.Visit.To)) {
			t.Fatalf("%s is moved to %s, outside of %s to %s", m.Move.Visit.Step, to, m.Move.Visit.From, m.Move.Visit.To)
		}
	}
	after := c.bookings(t)
	for b := range before {
		if !after[b] && !slices.Contains(out.Days, b.On) && !(moved[b.Cycle] && b.Step == plan.HCGRepeat) {
			t.Fatalf("the %s of cycle %d on %s was moved by closing %v", b.Step, b.Cycle, b.On, out.Days)
		}
	}
	if again := c.within(t, func(ctx context.Context, tx *store.Tx) error {
		_, err := c.w.care.CloseDays(ctx, tx, by, k, out.Digest, 1)
		return err
	}); again {
		t.Fatal("the same days were closed twice")
	}
}

// Reopen opens a day again.
func (c *crew) Reopen(t *rapid.T) {
	by := c.actor(t)
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		days, err := c.w.care.ClosedDays(ctx, tx, by)
		if err != nil || len(days) == 0 {
			return err
		}
		d := rapid.SampledFrom(days).Draw(t, "day")
		return c.w.care.Reopen(ctx, tx, by, d.On, d.Part)
	})
}

// Later lets hours pass.
func (c *crew) Later(t *rapid.T) {
	if err := c.w.clk.Advance(context.Background(), c.w.clk.Now().Add(time.Duration(rapid.IntRange(1, 12).Draw(t, "hours"))*time.Hour)); err != nil {
		t.Fatal(err)
	}
}

type taken struct {
	Cycle int64
	Step  plan.StepName
	room.Place
}

func (c *crew) bookings(t *rapid.T) map[taken]bool {
	all := make(map[taken]bool)
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		list, err := c.w.book.Bookings(ctx, tx, day(1), day(31))
		for _, b := range list {
			all[taken{b.Cycle, b.Step, b.Place}] = true
		}
		return err
	})
	return all
}

// Check: places follow from facts, and no day holds more than it has room for, unless
// somebody was let in with a reason. What was settled by a trigger alone is nobody's
// booking.
func (c *crew) Check(t *rapid.T) {
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		amiss, err := c.w.book.PlacesAmiss(ctx, tx)
		if len(amiss) > 0 {
			t.Fatalf("places and facts differ: %v", amiss)
		}
		return err
	})
	days, minutes := make(map[string]int), make(map[string]int)
	for b := range c.bookings(t) {
		if b.At < 0 || c.forced[b.On] {
			continue
		}
		sort := room.SortOf(b.Step)
		days[fmt.Sprint(sort, b.On)]++
		minutes[fmt.Sprint(sort, b.On, b.At)]++
		limit := map[room.Sort]int{room.Monitoring: 99, room.Blood: 2, room.Transfer: 1}[sort]
		if n := days[fmt.Sprint(sort, b.On)]; n > limit {
			t.Fatalf("%d of %s on %s, %d fit", n, sort, b.On, limit)
		}
		if sort == room.Monitoring && minutes[fmt.Sprint(sort, b.On, b.At)] > 1 {
			t.Fatalf("two in one room at %s on %s", b.At, b.On)
		}
	}
}

// TestRoomHoldsWhateverTheOrder has coordinators and patients book, move, take back, close
// and open days in any order over the real store.
func TestRoomHoldsWhateverTheOrder(t *testing.T) {
	t.Parallel()
	first, patients := narrow(t)
	if err := first.db.Close(); err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(rt *rapid.T) {
		c := &crew{w: first.again(), patients: patients, forced: make(map[civil.Date]bool)}
		rt.Repeat(map[string]func(*rapid.T){"": c.Check, "nearest": c.BookNearest, "at": c.BookAt, "patient": c.PatientMoves, "undo": c.Undo,
			"close": c.CloseDay, "reopen": c.Reopen, "later": c.Later})
		c.w.db.Close()
	})
}
