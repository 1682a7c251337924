package main

import (
	"context"
	"database/sql"
	"fmt"
	"testing"
	"time"

	"handrail.example/reminders/plan"
	"handrail.example/reminders/room"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// bookings is how many scans are booked before the clinic is put back to where it was:
// fewer than the places of the window that the writers share.
const bookings = 40

// BenchmarkBooking is one visit, from the wish for the nearest place to its committed
// booking with everything that hangs on it, in a clinic with so many open cycles, each of
// which has a place somewhere. The floor writes the very same rows. Neither may grow with
// the number of cycles.
func BenchmarkBooking(b *testing.B) {
	for _, cycles := range []int{100, 1_000, 10_000} {
		b.Run(fmt.Sprintf("cycles=%d", cycles), func(b *testing.B) {
			c := newBenchClinic(b, cycles)
			c.crowd(b)
			writes := c.recordBookings(b)
			var ours time.Duration
			b.Run("ours", func(b *testing.B) { ours = c.oursBooking(b) })
			b.Run("floor", func(b *testing.B) {
				floor := c.floorBooking(b, writes)
				b.ReportMetric(float64(floor)/float64(ours), "ours/floor")
				b.ReportMetric(float64((ours - floor).Microseconds()), "ours-above-µs")
			})
		})
	}
}

// crowd gives every cycle of the file a place on some day around.
func (c *benchClinic) crowd(b *testing.B) {
	b.Helper()
	db, err := sql.Open("sqlite3", "file:"+c.file)
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	for n := range 60 {
		day := c.now.AddDate(0, 0, n-20).Format("2006-01-02")
		if _, err := db.Exec(`INSERT OR IGNORE INTO places (cycle_id, step, sort, day, minute, seat) SELECT id, 'hcg_day_7', 'blood', ?, 450, id FROM cycles WHERE id % 60 = ?`, day, n); err != nil {
			b.Fatal(err)
		}
	}
}

// booking books the nearest place for the scan of the n-th writer.
func (a *app) booking(ctx context.Context, tx *store.Tx, by triage.Staff, n int64) error {
	f, err := a.care.Propose(ctx, tx, by, n, plan.Monitoring, plan.ClosedDay{}.On, room.AnyMinute)
	if err != nil {
		return err
	}
	_, err = a.care.Enter(ctx, tx, by, n, f, 0)
	return err
}

// booked are the coordinator and the writers of a file, by their numbers.
func (c *benchClinic) booked(b *testing.B, a *app) (by triage.Staff, patients []int64) {
	b.Helper()
	if err := a.db.Within(b.Context(), func(ctx context.Context, tx *store.Tx) error {
		team, err := a.desk.Team(ctx, tx)
		if err != nil {
			return err
		}
		for _, s := range team {
			if s.Role == triage.Coordinator {
				by = s
			}
		}
		all, err := a.book.Patients(ctx, tx)
		for _, p := range all {
			if p.Handle[0] == 'W' && len(patients) < bookings {
				patients = append(patients, p.ID)
			}
		}
		return err
	}); err != nil {
		b.Fatal(err)
	}
	return by, patients
}

func (c *benchClinic) book(b *testing.B, a *app, by triage.Staff, patient int64) {
	if err := a.db.Within(b.Context(), func(ctx context.Context, tx *store.Tx) error { return a.booking(ctx, tx, by, patient) }); err != nil {
		b.Fatal(err)
	}
}

// perClinic runs do for each booking, b.N in all, and has fresh put the clinic back
// unmeasured.
func perClinic(b *testing.B, fresh func(), do func(n int)) time.Duration {
	b.ReportAllocs()
	at := bookings
	for range b.N {
		if at == bookings {
			b.StopTimer()
			fresh()
			at = 0
			b.StartTimer()
		}
		do(at)
		at++
	}
	b.ReportMetric(float64(fsyncTime(b)), "fsync-ns")
	return b.Elapsed() / time.Duration(b.N)
}

func (c *benchClinic) oursBooking(b *testing.B) time.Duration {
	var a *app
	var by triage.Staff
	var patients []int64
	defer func() { a.db.Close() }()
	return perClinic(b, func() {
		if a != nil {
			a.db.Close()
		}
		a = c.open(b, c.fresh(b), store.Full, nil)
		by, patients = c.booked(b, a)
	}, func(n int) { c.book(b, a, by, patients[n]) })
}

// recordBookings has the program book, notes each row that it writes, and proves that
// replaying this gives the same rows.
func (c *benchClinic) recordBookings(b *testing.B) [][2][]write {
	b.Helper()
	file := c.fresh(b)
	a := c.open(b, file, store.Relaxed, nil)
	defer a.db.Close()
	by, patients := c.booked(b, a)
	tables := watch(b, a.db)
	all := make([][2][]write, bookings)
	for n := range all {
		c.book(b, a, by, patients[n])
		all[n][0] = noted(b, a.db, tables)
	}
	f := openBare(b, c.fresh(b))
	f.replay(b, all, 0)
	same(b, f.db, file, tables)
	if err := f.db.Close(); err != nil {
		b.Fatal(err)
	}
	return all
}

func (c *benchClinic) floorBooking(b *testing.B, writes [][2][]write) time.Duration {
	var f *bare
	defer func() { f.db.Close() }()
	return perClinic(b, func() {
		if f != nil {
			f.db.Close()
		}
		f = openBare(b, c.fresh(b))
	}, func(n int) { f.replay(b, writes[n:n+1], 0) })
}
