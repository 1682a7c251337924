// Package vigil watches a running program from beside it: whether its loops are
// alive, whether updates come in and messages go out, and what waits longest. It
// answers for that on a listener of its own, in Prometheus's format, tells the
// administrators by a way that does not lead through what may have stalled, and
// feeds systemd's watchdog while the loops live.
//
// The package owns nothing on disk. It refuses to hold names, texts or results:
// all it ever says is numbers, and words that stand in the program.
package vigil

import (
	"context"
	"slices"
	"strings"
	"sync"
	"time"

	"handrail.example/reminders/clock"
)

// Pulse knows when each loop was last at rest. A loop that waits for its next
// turn or for a bell is well, however long it waits; one that has been at work
// for too long hangs.
type Pulse struct {
	mu    sync.Mutex
	loops map[string]*loop
}

type loop struct {
	most time.Duration
	// since is when it last came out of a wait; zero while it waits, or has ended.
	since time.Time
}

// Beat is clk for the loop of that name, which may be at work for most at a time.
func (p *Pulse) Beat(name string, most time.Duration, clk clock.Clock) clock.Clock {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.loops == nil {
		p.loops = make(map[string]*loop)
	}
	p.loops[name] = &loop{most: most, since: clk.Now()}
	return beating{clk, p, name}
}

// Hanging are the names of the loops that have been at work for too long, in order.
func (p *Pulse) Hanging(now time.Time) []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	var names []string
	for name, l := range p.loops {
		if !l.since.IsZero() && now.Sub(l.since) > l.most {
			names = append(names, name)
		}
	}
	slices.SortFunc(names, strings.Compare)
	return names
}

// Busy is for how long each loop has been at work, zero for one that waits.
func (p *Pulse) Busy(now time.Time) map[string]time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	all := make(map[string]time.Duration, len(p.loops))
	for name, l := range p.loops {
		all[name] = 0
		if !l.since.IsZero() {
			all[name] = max(0, now.Sub(l.since))
		}
	}
	return all
}

func (p *Pulse) set(name string, since time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.loops[name].since = since
}

// beating notes its loop's waits.
type beating struct {
	clock.Clock
	pulse *Pulse
	name  string
}

func (b beating) Sleep(ctx context.Context, d time.Duration) error {
	defer b.rest()()
	return b.Clock.Sleep(ctx, d)
}

func (b beating) Until(ctx context.Context, t time.Time, bell *clock.Bell) error {
	defer b.rest()()
	return b.Clock.Until(ctx, t, bell)
}

func (b beating) rest() (work func()) {
	b.pulse.set(b.name, time.Time{})
	return func() { b.pulse.set(b.name, b.Now()) }
}
