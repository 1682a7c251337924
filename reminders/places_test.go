package reminders_test

import (
	"context"
	"strings"
	"sync"
	"testing"
	"time"

	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/room"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// begun is a patient on her first cycle day, a Monday: her baseline is to be from Tuesday
// to Thursday.
func (c *clinic) begun(t failer) reminders.Patient {
	t.Helper()
	p := c.enrol(t)
	c.mustRecord(t, p, plan.Fact{Kind: plan.PeriodStart, At: c.at(monday, "08:15")})
	return p
}

func (c *clinic) taken(t failer, d civil.Date) (minutes []string) {
	t.Helper()
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		all, err := c.book.Taken(ctx, tx, room.Monitoring, d, d, reminders.Own{})
		for _, x := range all {
			minutes = append(minutes, x.At.String())
		}
		return err
	})
	return minutes
}

func (c *clinic) amiss(t failer) (all []string) {
	t.Helper()
	c.within(t, func(ctx context.Context, tx *store.Tx) (err error) {
		all, err = c.book.PlacesAmiss(ctx, tx)
		return err
	})
	return all
}

// A place is taken with the visit and freed with whatever ends it.
func TestAPlaceFollowsItsVisit(t *testing.T) {
	t.Parallel()
	tuesday, wednesday := monday.AddDays(1), monday.AddDays(2)
	for name, end := range map[string]func(c *clinic, p reminders.Patient, visit string){
		"moved to another day": func(c *clinic, p reminders.Patient, visit string) {
			c.mustRecord(t, p, plan.Fact{Kind: plan.Visit, Step: plan.Baseline, At: c.at(wednesday, "07:40"), Replaces: visit})
		},
		"taken back": func(c *clinic, p reminders.Patient, visit string) {
			c.mustRecord(t, p, plan.Fact{Kind: plan.Retracted, Replaces: visit, Reason: "a slip"})
		},
		"cancelled": func(c *clinic, p reminders.Patient, visit string) {
			c.mustRecord(t, p, plan.Fact{Kind: plan.Cancelled, On: monday, Reason: "her wish"})
		},
		"the cycle is closed": func(c *clinic, p reminders.Patient, visit string) {
			c.within(t, func(ctx context.Context, tx *store.Tx) error { return c.book.CloseCycle(ctx, tx, p.ID, "cancelled") })
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := newClinic(t, plan.DefaultPolicy(), c0(monday, "09:00"))
			p := c.begun(t)
			visit := c.mustRecord(t, p, plan.Fact{Kind: plan.Visit, Step: plan.Baseline, At: c.at(tuesday, "07:20")})
			if got := c.taken(t, tuesday); len(got) != 1 || got[0] != "07:20" {
				t.Fatalf("booked: got %v", got)
			}
			end(c, p, visit)
			if got := c.taken(t, tuesday); len(got) != 0 {
				t.Errorf("still taken: %v", got)
			}
			if got := c.amiss(t); len(got) != 0 {
				t.Errorf("amiss: %v", got)
			}
		})
	}
}

func c0(d civil.Date, clock string) time.Time {
	return d.At(civil.MustTime(clock), plan.DefaultPolicy().Location())
}

// What was tampered with is named, and mended from the facts; a database from before
// there were places gets them.
func TestPlacesAreRebuiltFromFacts(t *testing.T) {
	t.Parallel()
	c := newClinic(t, plan.DefaultPolicy(), c0(monday, "09:00"))
	p, q := c.begun(t), c.begun(t)
	tuesday := monday.AddDays(1)
	c.mustRecord(t, p, plan.Fact{Kind: plan.Visit, Step: plan.Baseline, At: c.at(tuesday, "07:20")})
	c.mustRecord(t, q, plan.Fact{Kind: plan.Visit, Step: plan.Baseline, At: c.at(tuesday, "07:20")})
	sabotage := func(query string) {
		c.within(t, func(ctx context.Context, tx *store.Tx) error { _, err := tx.Exec(ctx, query); return err })
	}
	for _, query := range []string{`UPDATE places SET minute = minute + 10 WHERE cycle_id = 1`, `UPDATE places SET day = '2026-03-05' WHERE cycle_id = 2`,
		`INSERT INTO places (cycle_id, step, sort, day, minute, seat) VALUES (1, 'monitoring', 'monitoring', '2026-03-12', 420, 1)`} {
		sabotage(query)
		if len(c.amiss(t)) == 0 {
			t.Errorf("%s is not found", query)
		}
		c.within(t, c.book.RebuildPlaces)
		if got := c.amiss(t); len(got) != 0 || len(c.taken(t, tuesday)) != 2 {
			t.Errorf("after mending %s: %v", query, got)
		}
	}
	sabotage(`DELETE FROM places`)
	c.within(t, c.book.ReadyPlaces)
	if got := c.taken(t, tuesday); len(got) != 2 {
		t.Errorf("got %v, want two places", got)
	}
}

// Of many who look for room and book at the same moment, one has the last place.
func TestTheLastPlaceUnderConcurrency(t *testing.T) {
	t.Parallel()
	policy := plan.DefaultPolicy()
	policy.Room.Monitoring.Rooms = 1
	c := newClinic(t, policy, c0(monday, "09:00"))
	var patients []reminders.Patient
	for range 8 {
		patients = append(patients, c.begun(t))
	}
	visit := plan.Fact{Kind: plan.Visit, Step: plan.Baseline, At: c.at(monday.AddDays(1), "07:20")}
	var all sync.WaitGroup
	var mu sync.Mutex
	won := 0
	for _, p := range patients {
		all.Go(func() {
			err := c.db.Within(context.Background(), func(ctx context.Context, tx *store.Tx) error {
				cycle, err := c.book.Cycle(ctx, tx, p.ID)
				if err != nil {
					return err
				}
				if full, err := c.book.NoRoom(ctx, tx, cycle, visit); err != nil || len(full) > 0 {
					return err
				}
				_, err = c.book.Record(ctx, tx, p.ID, visit, reminders.Said{By: seal.House})
				mu.Lock()
				won++
				mu.Unlock()
				return err
			})
			if err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if got := c.taken(t, monday.AddDays(1)); won != 1 || len(got) != 1 {
		t.Errorf("%d have it, %v is taken", won, got)
	}
}

// A seat of a minute is never given twice, whoever writes it.
func TestASeatIsGivenOnce(t *testing.T) {
	t.Parallel()
	c := newClinic(t, plan.DefaultPolicy(), c0(monday, "09:00"))
	p, q := c.begun(t), c.begun(t)
	for _, x := range []reminders.Patient{p, q} {
		c.mustRecord(t, x, plan.Fact{Kind: plan.Visit, Step: plan.Baseline, At: c.at(monday.AddDays(1), "07:20")})
	}
	err := c.db.Within(context.Background(), func(ctx context.Context, tx *store.Tx) error {
		_, err := tx.Exec(ctx, `UPDATE places SET seat = 1`)
		return err
	})
	if err == nil || !strings.Contains(err.Error(), "UNIQUE") {
		t.Errorf("got %v", err)
	}
}

// Nobody is reminded of a visit on a day that has been closed since it was booked; what
// is booked on it knowingly is reminded of.
func TestAClosedDayIsNotRemindedOf(t *testing.T) {
	t.Parallel()
	c := newClinic(t, plan.DefaultPolicy(), c0(monday, "09:00"))
	p := c.begun(t)
	tuesday := monday.AddDays(1)
	visit := c.mustRecord(t, p, plan.Fact{Kind: plan.Visit, Step: plan.Baseline, At: c.at(tuesday, "07:20")})
	reminded := func() (n int) {
		c.within(t, func(ctx context.Context, tx *store.Tx) error {
			return tx.Get(ctx, &n, `SELECT count(*) FROM outbox WHERE state = 'queued' AND key LIKE '%/visit/%'`)
		})
		return n
	}
	closed := plan.ClosedDay{On: tuesday, Part: plan.WholeClinic}
	if reminded() == 0 {
		t.Fatal("she is not reminded of it at all")
	}
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		_, err := c.book.CloseDay(ctx, tx, closed, "storm", seal.House)
		return err
	})
	c.replan(t, p)
	if n := reminded(); n != 0 {
		t.Errorf("%d reminders of a visit on a closed day", n)
	}
	if err := c.clock.Advance(context.Background(), c0(monday, "10:00")); err != nil {
		t.Fatal(err)
	}
	c.mustRecord(t, p, plan.Fact{Kind: plan.Visit, Step: plan.Baseline, At: c.at(tuesday, "11:00"), Replaces: visit})
	if reminded() == 0 {
		t.Error("what was booked on the closed day knowingly is not reminded of")
	}
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		days, err := c.book.ClosedDays(ctx, tx, monday)
		if err != nil || len(days) != 1 || days[0].Why != "storm" {
			t.Errorf("got %v, %v", days, err)
		}
		if was, err := c.book.ReopenDay(ctx, tx, closed, seal.House); !was || err != nil {
			t.Errorf("open again: %v, %v", was, err)
		}
		pol, err := c.book.PolicyNow(ctx, tx)
		if !pol.OpenClinic(tuesday) {
			t.Error("the day is still closed")
		}
		return err
	})
}
