package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime/debug"
	"time"

	"handrail.example/cmd/handrail/audit"
	"handrail.example/cmd/handrail/rehearsal"
	"handrail.example/dialog/phrase"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/picture"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

const rehearseArgs = "--patients N --days D --seed S [--faults light|heavy] [--transport http|direct] [--keep FILE] [--json]"

// rehearsalSet is what a rehearsal is asked for.
type rehearsalSet struct {
	patients, days int
	seed           uint64
	faults         string
	transport      string
	keep           string
}

// runRehearse has an invented clinic work for some weeks on a virtual clock, and
// audits what came of it.
func runRehearse(ctx context.Context, args []string, e env) error {
	var set rehearsalSet
	flags := newFlags("rehearse")
	flags.IntVar(&set.patients, "patients", 20, "")
	flags.IntVar(&set.days, "days", 60, "")
	flags.Uint64Var(&set.seed, "seed", 1, "")
	flags.StringVar(&set.faults, "faults", "", "")
	flags.StringVar(&set.transport, "transport", "http", "")
	flags.StringVar(&set.keep, "keep", "", "")
	asJSON := flags.Bool("json", false, "")
	if err := parse(flags, args, rehearseArgs); err != nil {
		return err
	}
	if err := set.check(); err != nil {
		return err
	}
	// A rehearsal allocates much and keeps little: with the usual setting a quarter of
	// its time went into collecting garbage. The limit keeps it below 1 GiB.
	debug.SetGCPercent(400)
	debug.SetMemoryLimit(700 << 20)
	bar := newBar(e.stderr)
	report, findings, err := rehearse(ctx, set, rehearsalHooks{progress: bar.show})
	bar.end()
	if err != nil {
		return err
	}
	if *asJSON {
		out := json.NewEncoder(e.stdout)
		out.SetIndent("", "  ")
		err = out.Encode(report)
	} else {
		err = report.print(e.stdout)
	}
	for _, f := range findings {
		fmt.Fprintln(e.stderr, f)
	}
	if err == nil && report.Faulty() {
		err = errors.New("the rehearsal found something lost, doubled, unanswered or wrong; the lines above name it")
	}
	return err
}

func (s rehearsalSet) check() error {
	_, known := faultLevels[s.faults]
	switch {
	case s.patients < 1 || s.patients > 1_000_000:
		return refusedf("--patients %d: name 1 to 1000000", s.patients)
	case s.days < 3 || s.days > 365:
		return refusedf("--days %d: name 3 to 365", s.days)
	case !known:
		return refusedf("--faults %q: name light or heavy, or leave it out", s.faults)
	case s.transport != "http" && s.transport != "direct":
		return refusedf("--transport %q: name http or direct", s.transport)
	}
	return nil
}

// durability is that of the live program over HTTP; in memory it would only cost time,
// as would pictures that nobody looks at.
func (s rehearsalSet) durability() store.Durability {
	if s.transport == "direct" {
		return store.Relaxed
	}
	return store.Full
}

// rehearsalHooks lets others look on, and the tests of the audit break something.
type rehearsalHooks struct {
	progress func(done, of int)
	// meddle changes the program before it starts, or its people's ground.
	meddle func(r *rehearsalRun)
	// after is called when the program has stopped, before the audit.
	after func(r *rehearsalRun) error
}

// rehearsalRun is one rehearsal under way.
type rehearsalRun struct {
	set     rehearsalSet
	app     *app
	clock   *clock.Virtual
	world   *rehearsal.World
	journal *audit.Journal
	ground  ground
	weather *weather
	alarm   *alarms
	feed    func(ctx context.Context)
	close   func() error
	end     time.Time
	master  []byte
	file    string
}

// rehearse runs a whole rehearsal and its audit.
func rehearse(ctx context.Context, set rehearsalSet, hooks rehearsalHooks) (rehearsalReport, []string, error) {
	began := clock.System{}.Now()
	folder, err := os.MkdirTemp("", "handrail-rehearsal-")
	if err != nil {
		return rehearsalReport{}, nil, fmt.Errorf("make a folder for the rehearsal: %w", err)
	}
	defer os.RemoveAll(folder)
	file := set.keep
	if file == "" {
		file = filepath.Join(folder, "clinic.sqlite")
	}
	r, err := newRehearsalRun(ctx, set, file)
	if err != nil {
		return rehearsalReport{}, nil, err
	}
	if hooks.meddle != nil {
		hooks.meddle(r)
	}
	if err := r.play(ctx, hooks.progress); err != nil {
		return rehearsalReport{}, nil, errors.Join(err, r.close())
	}
	if err := r.close(); err != nil {
		return rehearsalReport{}, nil, err
	}
	if hooks.after != nil {
		if err := hooks.after(r); err != nil {
			return rehearsalReport{}, nil, err
		}
	}
	v, findings, err := audit.Judge(ctx, audit.Input{File: file, Master: r.master, Clinic: r.world.Clinic, Journal: r.journal, Start: r.world.Start, End: r.end})
	if err != nil {
		return rehearsalReport{}, nil, fmt.Errorf("audit the rehearsal: %w", err)
	}
	took := clock.System{}.Now().Sub(began)
	return r.report(v, took), findings, nil
}

func newRehearsalRun(ctx context.Context, set rehearsalSet, file string) (*rehearsalRun, error) {
	policy := rehearsalPolicy(set.patients)
	texts, err := patientsWords()
	if err != nil {
		return nil, err
	}
	words, err := phrase.Load()
	if err != nil {
		return nil, err
	}
	r := &rehearsalRun{set: set, journal: audit.NewJournal(), file: file}
	start := rehearsalStart.At(6*60, policy.Location())
	r.end = rehearsalStart.AddDays(set.days).At(6*60, policy.Location())
	r.clock = clock.NewSerial(start)
	if r.master, err = seal.ParseMasterKey(seal.NewMasterKey()); err != nil {
		return nil, err
	}
	s := setting{database: file, durability: set.durability(), master: r.master, policy: policy, clock: r.clock, log: slog.New(slog.DiscardHandler)}
	c := rehearsal.Config{Patients: set.patients, Days: set.days, Seed: set.seed, Start: start, Clinic: clinicOf(policy), Texts: texts,
		Phrases: phrases{words}, Journal: r.journal, Now: r.clock.Now}
	if err := r.join(ctx, s, c); err != nil {
		return nil, err
	}
	if err := r.app.populate(ctx, r.world); err != nil {
		return nil, errors.Join(fmt.Errorf("take the people in: %w", err), r.close())
	}
	r.weather = forecast(set, r.world, r.end)
	r.alarm = watchAlarms(r.app, words)
	return r, nil
}

// join sets the program on its ground, and the people with it.
func (r *rehearsalRun) join(ctx context.Context, s setting, c rehearsal.Config) error {
	if r.set.transport == "direct" {
		g := newDirect(ctx, r.clock)
		s.sender = g
		a, err := newApp(ctx, s)
		if err != nil {
			return err
		}
		g.intake = a.intake
		a.dispatcher.Draw = func(spec []byte) ([]byte, error) { return nil, picture.Check(spec) }
		c.Platform, c.Grain = g, directGrain
		r.app, r.ground, r.world = a, g, rehearsal.New(c)
		g.begin(r.world)
		r.feed = func(ctx context.Context) { <-ctx.Done() }
		r.close = func() error { return errors.Join(g.failed(), a.db.Close()) }
		return nil
	}
	st, g, err := onHTTP(ctx, r.clock, r.set.seed, s)
	if err != nil {
		return err
	}
	c.Platform = g
	r.app, r.ground, r.world = st.app, g, rehearsal.New(c)
	g.begin(r.world)
	r.feed = st.poller.Run
	r.close = st.close
	return nil
}

// play lets the clinic live until its end.
func (r *rehearsalRun) play(ctx context.Context, progress func(done, of int)) error {
	ctx, stop := context.WithCancel(ctx)
	wait, err := r.app.start(ctx, r.feed)
	if err != nil {
		stop()
		return err
	}
	defer func() {
		stop()
		wait()
	}()
	if !r.ground.ready() {
		return errors.New("the program does not begin to fetch updates")
	}
	// Only at rest does the clock know what is waited for.
	if err := r.clock.Rest(ctx); err != nil {
		return err
	}
	looks := r.looks()
	for shown := -1; ; {
		next, more := r.next()
		if !more || next.After(r.end) {
			break
		}
		if err := r.clock.Advance(ctx, next); err != nil {
			return err
		}
		for len(looks) > 0 && !looks[0].After(next) {
			looks = looks[1:]
			if err := r.look(ctx); err != nil {
				return err
			}
		}
		if err := r.happen(ctx, next); err != nil {
			return err
		}
		if day := int(next.Sub(r.world.Start) / (24 * time.Hour)); progress != nil && day != shown {
			shown = day
			progress(day, r.set.days)
		}
	}
	r.ground.behave()
	r.ground.back()
	if err := r.clock.Advance(ctx, r.end); err != nil {
		return err
	}
	if progress != nil {
		progress(r.set.days, r.set.days)
	}
	r.journal.Odd = r.weather.odd
	for _, d := range r.ground.gone() {
		if d.Chat == 0 { // it came from nobody, and waited too long as others do
			r.journal.Odd--
			continue
		}
		r.journal.Gone[audit.DeedID{Chat: d.Chat, Update: d.Update, At: d.At.UTC()}] = true
	}
	return r.look(ctx)
}

// next is when anything next happens: to people, in the program, to the platform.
func (r *rehearsalRun) next() (next time.Time, more bool) {
	for _, ask := range []func() (time.Time, bool){r.world.Next, r.clock.Next, r.weather.next, r.weather.over} {
		if at, ok := ask(); ok && (!more || at.Before(next)) {
			next, more = at, true
		}
	}
	if now := r.clock.Now(); more && next.Before(now) {
		next = now
	}
	return next, more
}

// happen does what is due now: what a deed, or all that are handed over together,
// set off comes to rest before the next.
func (r *rehearsalRun) happen(ctx context.Context, now time.Time) error {
	r.world.Look()
	r.weather.strike(r.ground, now)
	r.weather.clear(now, r.ground.back)
	for {
		if err := r.clock.Rest(ctx); err != nil {
			return err
		}
		r.world.Look()
		if !r.world.Due(now) {
			return nil
		}
		r.world.Act()
		for r.ground.together() && r.world.Due(now) {
			r.world.Act()
		}
		r.ground.hand()
	}
}

// looks are the instants at which everybody's calendar is looked at, besides the
// end.
func (r *rehearsalRun) looks() []time.Time {
	third := r.end.Sub(r.world.Start) / 3
	return []time.Time{r.world.Start.Add(third), r.world.Start.Add(2 * third)}
}

// look notes what every patient's calendar says now.
func (r *rehearsalRun) look(ctx context.Context) error {
	return r.app.db.Read(ctx, func(ctx context.Context, tx *store.Tx) error {
		all, err := r.app.book.Patients(ctx, tx)
		if err != nil {
			return err
		}
		for _, p := range all {
			pl, c, err := r.app.book.Plan(ctx, tx, p.ID)
			if err != nil {
				return err
			}
			if !c.Closed.IsZero() {
				continue
			}
			r.journal.Looks = append(r.journal.Looks, lookOf(p.Handle, tx.Now, pl))
		}
		return nil
	})
}

func lookOf(handle string, at time.Time, pl plan.Plan) audit.Look {
	l := audit.Look{Patient: handle, At: at, DayOne: pl.CycleDayOne.String()}
	for _, s := range pl.Steps {
		l.Rows = append(l.Rows, audit.Row{Step: string(s.Name), On: s.On.String(), Status: string(s.Status)})
	}
	return l
}
