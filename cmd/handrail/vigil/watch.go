package vigil

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"handrail.example/reminders/clock"
	"handrail.example/reminders/outbox"
)

// Sight is what the database says about the work that waits.
type Sight struct {
	Cases []Cases
	Due   []Due
	// Unhandled are updates that came in and that nobody has read yet, the oldest
	// from Oldest on; Stuck those that were given up and lie before a person.
	Unhandled, Stuck int
	Oldest           time.Time
	// Told are the colleagues who hear of an alarm.
	Told []Colleague
}

// Cases counts the cases of one urgency and state that are not closed.
type Cases struct {
	Urgency, State string
	N              int
	// Unanswered is when the oldest was opened in which nobody has written to her
	// yet; zero when there is none.
	Unanswered time.Time
}

// Due counts what ought to have gone out by now, of one kind.
type Due struct {
	Kind   string
	N      int
	Oldest time.Time // when the oldest was due
}

// Colleague is where somebody is reached, and in which language.
type Colleague struct{ Chat, Language string }

// How long something may take before somebody is told, and how often she is told
// while it lasts: common practice, no source.
const (
	every        = 20 * time.Second
	pollsWithin  = 3 * time.Minute
	sendsWithin  = 3 * time.Minute
	dueWithin    = 5 * time.Minute
	handleWithin = 2 * time.Minute
	again        = time.Hour
)

// Watch looks around every twenty seconds. Its fields are set before Run and left
// alone afterwards.
type Watch struct {
	Clock   clock.Clock
	Pulse   *Pulse
	Traffic *Traffic
	// Polls: updates are asked for, rather than delivered to us.
	Polls bool
	// Look reads the database. It must not wait for a writer, nor for long: while it
	// does, the supervisor is not fed.
	Look func(ctx context.Context) (Sight, error)
	// Direct puts a message on the wire past the outbox, on a connection of its own.
	Direct outbox.Sender
	// Say is the phrasebook.
	Say func(lang, key string, args map[string]string) string
	Log *slog.Logger
	// Feed tells whoever supervises the process that it lives; nil when nobody does.
	Feed func()

	mu     sync.Mutex
	sight  Sight
	seen   bool // the last look succeeded
	alarms []Alarm

	told     []Colleague // who was to be told when the database could last be read
	reported map[string]time.Time
	logged   map[string]bool
}

// Alarm is something that somebody must see to. Its name and arguments are words
// and numbers of the program.
type Alarm struct {
	Name string
	Args map[string]string
}

// Run watches until ctx ends. The caller holds the clock.
func (w *Watch) Run(ctx context.Context) {
	for ctx.Err() == nil {
		w.Pass(ctx)
		_ = w.Clock.Sleep(ctx, every)
	}
}

// Pass looks once, tells whom it concerns and feeds the supervisor.
func (w *Watch) Pass(ctx context.Context) {
	sight, err := w.Look(ctx)
	if ctx.Err() != nil {
		return
	}
	now := w.Clock.Now()
	hanging := w.Pulse.Hanging(now)
	alarms := w.judge(now, sight, err, hanging)
	w.mu.Lock()
	w.sight, w.seen, w.alarms = sight, err == nil, alarms
	w.mu.Unlock()
	if err == nil {
		w.told = sight.Told
	}
	w.tell(ctx, now, alarms)
	if w.Feed != nil && len(hanging) == 0 {
		w.Feed()
	}
}

// State is what the last pass saw; ok is false when the database could not be read.
func (w *Watch) State() (s Sight, alarms []Alarm, ok bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.sight, slices.Clone(w.alarms), w.seen
}

// judge says what is wrong, the gravest first.
func (w *Watch) judge(now time.Time, s Sight, err error, hanging []string) []Alarm {
	var all []Alarm
	add := func(name string, args map[string]string) { all = append(all, Alarm{name, args}) }
	if len(hanging) > 0 {
		add("hangs", map[string]string{"loops": strings.Join(hanging, ", ")})
	}
	if err != nil {
		add("database", nil)
	}
	if age := w.Traffic.PollAge(); w.Polls && age > pollsWithin {
		add("updates", minutes(age))
	}
	if failing := w.Traffic.FailingFor(); failing > sendsWithin {
		add("sending", minutes(failing))
	}
	if wait, n := overdue(now, s.Due); wait > dueWithin {
		args := minutes(wait)
		args["n"] = fmt.Sprint(n)
		add("waiting", args)
	}
	if !s.Oldest.IsZero() && now.Sub(s.Oldest) > handleWithin {
		args := minutes(now.Sub(s.Oldest))
		args["n"] = fmt.Sprint(s.Unhandled)
		add("unread", args)
	}
	return all
}

func minutes(d time.Duration) map[string]string {
	return map[string]string{"minutes": fmt.Sprint(int(d.Minutes()))}
}

// overdue is how long the oldest of all has been due, and how many are.
func overdue(now time.Time, due []Due) (wait time.Duration, n int) {
	for _, d := range due {
		wait, n = max(wait, now.Sub(d.Oldest)), n+d.N
	}
	return wait, n
}

// tell says what is new, what still lasts after an hour and what is over. What
// reaches nobody is said again at the next pass.
func (w *Watch) tell(ctx context.Context, now time.Time, alarms []Alarm) {
	if w.reported == nil {
		w.reported, w.logged = make(map[string]time.Time), make(map[string]bool)
	}
	lasting := make(map[string]bool)
	for _, a := range alarms {
		lasting[a.Name] = true
		if !w.logged[a.Name] {
			w.logged[a.Name] = true
			w.Log.Error("alarm", "name", a.Name, "for", a.Args["minutes"], "what", a.Args["loops"])
		}
		if last, said := w.reported[a.Name]; (!said || now.Sub(last) >= again) && w.toAll(ctx, "watch."+a.Name, a.Args) {
			w.reported[a.Name] = now
		}
	}
	for _, name := range names {
		if w.logged[name] && !lasting[name] {
			delete(w.logged, name)
			w.Log.Info("alarm over", "name", name)
		}
		if _, said := w.reported[name]; said && !lasting[name] && w.toAll(ctx, "watch."+name+"_over", nil) {
			delete(w.reported, name)
		}
	}
}

// names has every alarm there is.
var names = []string{"hangs", "database", "updates", "sending", "waiting", "unread"}

// Names has the name of every alarm there is.
func Names() []string { return slices.Clone(names) }

// toAll tells everybody who is to be told, and reports whether it reached one.
func (w *Watch) toAll(ctx context.Context, key string, args map[string]string) bool {
	reached := false
	for _, c := range w.told {
		text := w.Say(c.Language, key, args)
		out := w.Direct.Send(ctx, outbox.Envelope{Chat: c.Chat, Message: outbox.Message{Text: text}})
		reached = reached || out.Fate == outbox.Sent
	}
	return reached
}
