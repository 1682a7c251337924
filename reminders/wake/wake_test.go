package wake_test

import (
	"context"
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"handrail.example/reminders/clock"
	"handrail.example/reminders/store"
	"handrail.example/reminders/wake"
)

// chicago is where the clinic is. Its clocks go forward on 8 March 2026 and back
// on 1 November 2026, at 02:00 (Energy Policy Act of 2005, section 110; the IANA
// time zone database).
func chicago(t *testing.T) *time.Location {
	t.Helper()
	z, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	return z
}

type world struct {
	t       *testing.T
	clock   *clock.Virtual
	db      *store.DB
	zone    *time.Location
	ran     []string
	reports []error
}

func setup(t *testing.T, start string) *world {
	t.Helper()
	w := &world{t: t, zone: chicago(t)}
	w.clock = clock.NewVirtual(w.at(start))
	db, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "clinic.sqlite"), store.Relaxed, w.clock)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	w.db = db
	return w
}

func (w *world) at(s string) time.Time {
	w.t.Helper()
	at, err := time.ParseInLocation("2006-01-02 15:04", s, w.zone)
	if err != nil {
		w.t.Fatal(err)
	}
	return at
}

// job notes when it ran, by the clinic's clock.
func (w *world) job(name, schedule string) wake.Job {
	return wake.Job{Name: name, Schedule: schedule, Run: func(context.Context) error {
		w.ran = append(w.ran, name+" "+w.clock.Now().In(w.zone).Format("01-02 15:04 MST"))
		return nil
	}}
}

func (w *world) loop(jobs ...wake.Job) *wake.Loop {
	return &wake.Loop{DB: w.db, Zone: w.zone, Jobs: jobs, Report: func(err error) { w.reports = append(w.reports, err) }}
}

// run has the loop running while the clock goes on to an instant.
func (w *world) run(l *wake.Loop, until string) {
	w.t.Helper()
	ctx, cancel := context.WithCancel(w.t.Context())
	release := w.clock.Hold()
	done := make(chan error, 1)
	go func() { defer release(); done <- l.Run(ctx, w.clock) }()
	if err := w.clock.Advance(ctx, w.at(until)); err != nil {
		w.t.Fatal(err)
	}
	cancel()
	if err := <-done; !errors.Is(err, context.Canceled) {
		w.t.Errorf("the loop ended with %v", err)
	}
}

func (w *world) want(want ...string) {
	w.t.Helper()
	if !slices.Equal(w.ran, want) {
		w.t.Errorf("ran\n  %s\nwant\n  %s", strings.Join(w.ran, "\n  "), strings.Join(want, "\n  "))
	}
}

func TestJobsRunInTheirTurn(t *testing.T) {
	t.Parallel()
	w := setup(t, "2026-03-02 08:00")
	w.run(w.loop(w.job("purge", "30 2 * * *"), w.job("watch", "0 */12 * * *")), "2026-03-04 03:00")
	w.want("watch 03-02 12:00 CST", "watch 03-03 00:00 CST", "purge 03-03 02:30 CST", "watch 03-03 12:00 CST", "watch 03-04 00:00 CST", "purge 03-04 02:30 CST")
	if len(w.reports) != 0 {
		t.Errorf("reported %v", w.reports)
	}
}

// The hour that spring leaves out has no turn, and the next day's comes as ever.
func TestSpringForward(t *testing.T) {
	t.Parallel()
	w := setup(t, "2026-03-07 08:00")
	w.run(w.loop(w.job("purge", "30 2 * * *"), w.job("daily", "0 4 * * *")), "2026-03-09 08:00")
	w.want("daily 03-08 04:00 CDT", "purge 03-09 02:30 CDT", "daily 03-09 04:00 CDT")
}

// The hour that autumn repeats has its turn twice, and says so: it is a reason
// why no patient's time is kept here.
func TestFallBack(t *testing.T) {
	t.Parallel()
	w := setup(t, "2026-10-31 08:00")
	w.run(w.loop(w.job("purge", "30 1 * * *"), w.job("daily", "0 4 * * *")), "2026-11-02 08:00")
	w.want("purge 11-01 01:30 CDT", "purge 11-01 01:30 CST", "daily 11-01 04:00 CST", "purge 11-02 01:30 CST", "daily 11-02 04:00 CST")
}

func TestAMissedRunIsMadeUpForOnce(t *testing.T) {
	t.Parallel()
	w := setup(t, "2026-03-02 08:00")
	w.run(w.loop(w.job("purge", "30 2 * * *")), "2026-03-03 08:00")
	// The program is down for four days, then starts again.
	if err := w.clock.Advance(t.Context(), w.at("2026-03-07 09:15")); err != nil {
		t.Fatal(err)
	}
	w.run(w.loop(w.job("purge", "30 2 * * *")), "2026-03-07 12:00")
	w.run(w.loop(w.job("purge", "30 2 * * *")), "2026-03-07 13:00")
	w.want("purge 03-03 02:30 CST", "purge 03-07 09:15 CST")
}

func TestANewJobWaitsForItsTurn(t *testing.T) {
	t.Parallel()
	w := setup(t, "2026-03-02 08:00")
	w.run(w.loop(w.job("purge", "30 2 * * *")), "2026-03-02 20:00")
	w.want()
	w.run(w.loop(w.job("purge", "30 2 * * *")), "2026-03-03 02:30")
	w.want("purge 03-03 02:30 CST")
}

// A run on record for later than now was noted before the clock was set back. It
// must not keep the job from its turns until then.
func TestAClockThatWasSetBack(t *testing.T) {
	t.Parallel()
	w := setup(t, "2026-03-02 08:00")
	if err := w.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		_, err := tx.Exec(ctx, `INSERT INTO job_runs (job, ran_at) VALUES ('watch', ?)`, store.At(w.at("2027-01-01 00:00")))
		return err
	}); err != nil {
		t.Fatal(err)
	}
	w.run(w.loop(w.job("watch", "@hourly")), "2026-03-02 10:30")
	w.want("watch 03-02 09:00 CST", "watch 03-02 10:00 CST")
}

func TestABrokenJobStopsNothing(t *testing.T) {
	t.Parallel()
	w := setup(t, "2026-03-02 08:00")
	const canary = "Noor Castellane"
	failing := wake.Job{Name: "failing", Schedule: "@hourly", Run: func(context.Context) error { return errors.New("on purpose") }}
	panicking := wake.Job{Name: "panicking", Schedule: "@hourly", Run: func(context.Context) error { panic(canary) }}
	w.run(w.loop(failing, panicking, w.job("watch", "@hourly")), "2026-03-02 10:30")
	w.want("watch 03-02 09:00 CST", "watch 03-02 10:00 CST")
	if len(w.reports) != 4 {
		t.Errorf("reported %v, want four failures", w.reports)
	}
	for _, err := range w.reports {
		if strings.Contains(err.Error(), canary) {
			t.Errorf("a report quotes a panic: %v", err)
		}
	}
}

// A job that brings the program down must not do so again at every start.
func TestARunIsOnRecordBeforeItBegins(t *testing.T) {
	t.Parallel()
	w := setup(t, "2026-03-02 08:00")
	l := w.loop(w.job("purge", "@hourly"))
	if _, err := l.Pass(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := w.clock.Advance(t.Context(), w.at("2026-03-02 09:00")); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	l.Jobs[0].Run = func(context.Context) error { cancel(); return errors.New("cut short") }
	if _, err := l.Pass(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, want the context's error", err)
	}
	again := w.loop(w.job("purge", "@hourly"))
	if next, err := again.Pass(t.Context()); err != nil || !next.Equal(w.at("2026-03-02 10:00")) {
		t.Errorf("the next turn is %v (%v), want 10:00", next, err)
	}
	w.want()
}

func TestNextDue(t *testing.T) {
	t.Parallel()
	w := setup(t, "2026-03-02 08:00")
	l := w.loop()
	if next, err := l.NextDue(t.Context()); err != nil || !next.IsZero() {
		t.Errorf("with no jobs: %v (%v)", next, err)
	}
	l = w.loop(w.job("purge", "30 2 * * *"), w.job("watch", "@hourly"))
	if next, err := l.NextDue(t.Context()); err != nil || !next.Equal(w.at("2026-03-02 09:00")) {
		t.Errorf("got %v (%v), want 09:00", next, err)
	}
}

func TestCheckNamesEveryFault(t *testing.T) {
	t.Parallel()
	w := setup(t, "2026-03-02 08:00")
	l := w.loop(w.job("a", "* * *"), w.job("b", "0 0 30 2 *"), w.job("c", "@hourly"), w.job("c", "@daily"), wake.Job{Name: "d", Schedule: "@daily"})
	err := l.Run(t.Context(), w.clock)
	if err == nil {
		t.Fatal("it ran")
	}
	for _, want := range []string{`"a": the schedule "* * *" cannot be read`, `"b": the schedule "0 0 30 2 *" never comes round`, `"c": there are two`, `"d": it needs a name and something to run`} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q does not say %q", err, want)
		}
	}
}

// No schedule that can be read makes the loop panic or stand still.
func FuzzSchedule(f *testing.F) {
	for _, s := range []string{"30 2 * * *", "@hourly", "@every 1ms", "0 0 30 2 *", "TZ=Asia/Tokyo 0 0 * * *", "TZ=0", "", "*/0 * * * *", "CRON_TZ= 0 0 * * *"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		l := &wake.Loop{Zone: time.UTC, Jobs: []wake.Job{{Name: "a", Schedule: s, Run: func(context.Context) error { return nil }}}}
		_ = l.Check()
	})
}
