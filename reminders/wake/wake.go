// Package wake runs what has to be done now and then: purging, watching, making
// backups. A job is a name, a schedule in cron's notation and a function.
//
// It owns the table removals, on which what was removed is on record, and the table
// job_runs, which remembers when each job last ran, so that a
// run that was missed while the program was down is made up for, once. The
// schedules are read by robfig/cron; of it only Schedule.Next is used, since its
// own runner has no clock to inject and makes up for nothing.
//
// The package refuses to carry anything that a patient would notice the time of:
// a schedule skips the hour that spring leaves out and meets twice the one that
// autumn repeats. Such things are rows of the outbox.
package wake

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"github.com/robfig/cron/v3"

	"handrail.example/reminders/clock"
	"handrail.example/reminders/store"
)

// Job is something to do at the instants of a schedule.
type Job struct {
	// Name is the job's identity for ever, and what stands in the log.
	Name string
	// Schedule is in cron's notation with five fields, or a word like "@hourly",
	// in the zone of the loop.
	Schedule string
	// Run does it. It must bear being run again after it was cut short. An error
	// is reported, and the job waits for its next turn all the same.
	Run func(ctx context.Context) error
}

// Loop runs jobs. Its fields are set before Run and left alone afterwards.
type Loop struct {
	DB   *store.DB
	Zone *time.Location // of the clinic
	Jobs []Job
	// Report hears of failures for the log.
	Report func(err error)
	// Bell wakes the loop, as after the clock was set; it may be nil.
	Bell *clock.Bell
}

// turn is a job with its schedule understood.
type turn struct {
	Job
	schedule cron.Schedule
}

// Check reports every fault of the jobs at once.
func (l *Loop) Check() error {
	_, err := l.turns()
	return err
}

func (l *Loop) turns() ([]turn, error) {
	var turns []turn
	var faults []error
	named := make(map[string]bool)
	for _, j := range l.Jobs {
		s, err := parse(j.Schedule)
		switch {
		case j.Name == "" || j.Run == nil:
			faults = append(faults, fmt.Errorf("job %q: it needs a name and something to run", j.Name))
		case named[j.Name]:
			faults = append(faults, fmt.Errorf("job %q: there are two of that name", j.Name))
		case err != nil:
			faults = append(faults, fmt.Errorf("job %q: the schedule %q cannot be read (%w): write five fields as `30 2 * * *`", j.Name, j.Schedule, err))
		case s.Next(anyTime).IsZero():
			faults = append(faults, fmt.Errorf("job %q: the schedule %q never comes round", j.Name, j.Schedule))
		}
		named[j.Name] = true
		turns = append(turns, turn{j, s})
	}
	return turns, errors.Join(faults...)
}

// parse reads a schedule. A zone in it is refused: the clinic has one, and the
// library panics at a zone with nothing after it.
func parse(schedule string) (cron.Schedule, error) {
	if strings.Contains(schedule, "TZ=") {
		return nil, errors.New("the zone is the clinic's")
	}
	return cron.ParseStandard(schedule)
}

// anyTime is where the search for a first turn begins; cron gives up after five
// years.
var anyTime = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// retry is how soon a pass is made again that the database would not let happen:
// common practice, no source.
const retry = time.Minute

// Run passes for ever: a pass, then a wait for the next turn. It returns when ctx
// ends, or at once when the jobs make no sense. The caller holds clk.
func (l *Loop) Run(ctx context.Context, clk clock.Clock) error {
	if err := l.Check(); err != nil {
		return err
	}
	for {
		next, err := l.Pass(ctx)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			l.Report(fmt.Errorf("jobs: %w", err))
			next = clk.Now().Add(retry)
		}
		if err := clk.Until(ctx, next, l.Bell); err != nil {
			return err
		}
	}
}

// Pass runs each job whose turn has come, once, however many turns were missed.
// It reports when the next turn is; the zero time with no jobs.
func (l *Loop) Pass(ctx context.Context) (time.Time, error) {
	turns, err := l.turns()
	if err != nil {
		return time.Time{}, err
	}
	for _, t := range turns {
		if err := l.take(ctx, t); err != nil {
			return time.Time{}, fmt.Errorf("%s: %w", t.Name, err)
		}
	}
	return l.next(ctx, turns)
}

// take runs t if its turn has come. The run is on record before it begins: a job
// that ends the program must not do so again at every start.
func (l *Loop) take(ctx context.Context, t turn) error {
	due := false
	if err := l.DB.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		ran, known, err := lastRun(ctx, tx, t.Name)
		if err != nil {
			return err
		}
		// A first run waits for its turn; a run in the future was noted by a
		// clock that has been set back since.
		if known && !ran.After(tx.Now) {
			if due = !l.after(t, ran).After(tx.Now); !due {
				return nil
			}
		}
		return noteRun(ctx, tx, t.Name)
	}); err != nil || !due {
		return err
	}
	if err := run(ctx, t.Job); err != nil && ctx.Err() == nil {
		l.Report(fmt.Errorf("job %s: %w", t.Name, err))
	}
	return ctx.Err()
}

func run(ctx context.Context, j Job) (err error) {
	defer func() {
		if p := recover(); p != nil {
			// The value may quote a patient; the stack holds places only.
			err = fmt.Errorf("panic of type %T\n%s", p, debug.Stack())
		}
	}()
	return j.Run(ctx)
}

// after is the first turn later than an instant.
func (l *Loop) after(t turn, at time.Time) time.Time { return t.schedule.Next(at.In(l.Zone)).UTC() }

// NextDue is the next turn of any job; the zero time with no jobs. It is past
// when a turn has come and no pass has been made since.
func (l *Loop) NextDue(ctx context.Context) (time.Time, error) {
	turns, err := l.turns()
	if err != nil {
		return time.Time{}, err
	}
	return l.next(ctx, turns)
}

func (l *Loop) next(ctx context.Context, turns []turn) (time.Time, error) {
	var first time.Time
	err := l.DB.Read(ctx, func(ctx context.Context, tx *store.Tx) error {
		for _, t := range turns {
			from, known, err := lastRun(ctx, tx, t.Name)
			if err != nil {
				return err
			}
			if !known || from.After(tx.Now) {
				from = tx.Now
			}
			if at := l.after(t, from); first.IsZero() || at.Before(first) {
				first = at
			}
		}
		return nil
	})
	return first, err
}

func lastRun(ctx context.Context, tx *store.Tx, job string) (time.Time, bool, error) {
	var at store.Time
	known, err := tx.Find(ctx, &at, `SELECT ran_at FROM job_runs WHERE job = ?`, job)
	return at.Time, known, err
}

func noteRun(ctx context.Context, tx *store.Tx, job string) error {
	_, err := tx.Exec(ctx, `INSERT INTO job_runs (job, ran_at) VALUES (?, ?)
		ON CONFLICT (job) DO UPDATE SET ran_at = excluded.ran_at`, job, store.At(tx.Now))
	return err
}

// Turns counts the turns of a schedule after an instant and up to another, and stops
// at most.
func Turns(schedule string, zone *time.Location, after, upTo time.Time, most int) (n int) {
	s, err := parse(schedule)
	if err != nil {
		return 0
	}
	for at := s.Next(after.In(zone)); n < most && !at.IsZero() && !at.After(upTo); at = s.Next(at) {
		n++
	}
	return n
}

// Missed reports whether so many turns of a job have gone by since its last run, or
// since the first start with it.
func (l *Loop) Missed(ctx context.Context, job string, turns int) (missed bool, err error) {
	i := slices.IndexFunc(l.Jobs, func(j Job) bool { return j.Name == job })
	if i < 0 {
		return false, fmt.Errorf("there is no job %q", job)
	}
	err = l.DB.Read(ctx, func(ctx context.Context, tx *store.Tx) error {
		ran, known, err := lastRun(ctx, tx, job)
		missed = known && Turns(l.Jobs[i].Schedule, l.Zone, ran, tx.Now, turns) >= turns
		return err
	})
	return missed, err
}
