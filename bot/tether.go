package bot

import (
	"context"
	"sync"
	"time"

	"handrail.example/reminders/clock"
)

// Tether is the poller's hold on the clock, which it lends to a server that
// keeps its request open on purpose. Without it a virtual clock could not move
// while a poll waits, or could move while its answer is on the way. On the
// machine's clock it does nothing.
type Tether struct {
	clock clock.Clock

	mu      sync.Mutex
	release func() // nil: not held, or lent
	lent    bool
	// parked counts the requests that the server keeps open: more than one while
	// it has not noticed yet that the caller of the first is gone.
	parked int
}

// NewTether ties a poller to c.
func NewTether(c clock.Clock) *Tether { return &Tether{clock: c} }

// Park wraps the wait of a server in the same process, so that the clock is free
// while it lasts. wait must neither hold the clock nor be waited for by it; when it
// is over it calls awake before the clock can move again.
func (t *Tether) Park(wait func(ctx context.Context, d time.Duration, awake func()) error) func(context.Context, time.Duration) error {
	return func(ctx context.Context, d time.Duration) error {
		t.lend()
		return wait(ctx, d, t.resume)
	}
}

func (t *Tether) hold() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.release = t.clock.Hold()
}

func (t *Tether) drop() {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.release != nil {
		t.release()
	}
	t.release, t.lent = nil, false
}

// lend gives the clock free, if the poller holds it.
func (t *Tether) lend() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.parked++
	if t.release != nil {
		t.release()
		t.release, t.lent = nil, true
	}
}

// resume ends the loan on the server's side, once it keeps no request open.
func (t *Tether) resume() {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.parked--; t.parked == 0 {
		t.takeBack()
	}
}

// reclaim ends the loan on the poller's side, when its request is over: it may
// have given up before the server noticed.
func (t *Tether) reclaim() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.takeBack()
}

func (t *Tether) takeBack() {
	if t.lent {
		t.release, t.lent = t.clock.Hold(), false
	}
}
