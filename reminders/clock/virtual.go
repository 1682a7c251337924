package clock

import (
	"context"
	"sync"
	"time"
)

// Virtual is a clock that stands still until Advance moves it. It moves from
// one awaited instant to the next and, at each, lets everything that was woken
// run to its next wait before it goes on.
type Virtual struct {
	serial  bool
	mu      sync.Mutex
	quiet   *sync.Cond // busy fell to zero, or a context ended
	now     time.Time
	busy    int
	seq     int
	waiting map[*waiter]bool
	rung    []*waiter // serial: woken by a bell, and waiting for their turn
}

// waiter is one goroutine inside Sleep, Until or Linger.
type waiter struct {
	at     time.Time // zero: only a bell wakes it
	seq    int       // order of arrival, to break ties the same way each run
	linger bool
	woken  chan struct{}
}

var _ Clock = (*Virtual)(nil)

// NewVirtual is a clock that shows start.
func NewVirtual(start time.Time) *Virtual {
	v := &Virtual{now: start.UTC(), waiting: make(map[*waiter]bool)}
	v.quiet = sync.NewCond(&v.mu)
	return v
}

// NewSerial is a clock on which whoever is woken by a bell goes on only when
// nothing else is in flight, one after the other in the order of the rings. What
// its users do then depends on nothing but what they are given, so that a run can
// be repeated exactly; but whoever waits on real time holds up all others.
func NewSerial(start time.Time) *Virtual {
	v := NewVirtual(start)
	v.serial = true
	return v
}

// Now is where the clock stands, in UTC.
func (v *Virtual) Now() time.Time {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.now
}

// Sleep waits until the clock has been moved by d.
func (v *Virtual) Sleep(ctx context.Context, d time.Duration) error {
	return v.Until(ctx, v.Now().Add(d), nil)
}

// Until waits as Clock says. The caller's hold is given back meanwhile.
func (v *Virtual) Until(ctx context.Context, t time.Time, bell *Bell) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	w := &waiter{at: t, woken: make(chan struct{})}
	v.mu.Lock()
	defer bell.disarm()
	if !t.IsZero() && !t.After(v.now) || !bell.arm(func() { v.ring(w) }) {
		if !v.serial {
			v.mu.Unlock()
			return nil
		}
		v.rung = append(v.rung, w) // others that are in flight come first
	}
	v.add(w)
	v.letGo()
	v.mu.Unlock()
	return v.await(ctx, w)
}

// Linger waits like Sleep, but neither holds nor makes Advance stop: it is for
// a server that keeps a request open, which counts as rest. It wakes once the
// clock has come to rest past its time.
//
// awake is called when the wait is over, and the clock stands still until it
// returns: whoever was waited for can take a hold of his own in it.
func (v *Virtual) Linger(ctx context.Context, d time.Duration, awake func()) error {
	v.mu.Lock()
	w := &waiter{at: v.now.Add(d), linger: true, woken: make(chan struct{})}
	v.add(w)
	v.mu.Unlock()
	err := v.await(ctx, w)
	awake()
	v.mu.Lock()
	defer v.mu.Unlock()
	v.letGo()
	return err
}

// Hold keeps the clock where it is until release is called.
func (v *Virtual) Hold() (release func()) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.busy++
	var once sync.Once
	return func() {
		once.Do(func() {
			v.mu.Lock()
			defer v.mu.Unlock()
			v.letGo()
		})
	}
}

// Rest returns when nothing is in flight.
func (v *Virtual) Rest(ctx context.Context) error {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.rest(ctx)
}

// Next is the earliest instant that anything in flight or at rest waits for;
// false when nothing waits for a time.
func (v *Virtual) Next() (time.Time, bool) {
	v.mu.Lock()
	defer v.mu.Unlock()
	w := v.earliest(false)
	if w == nil {
		return time.Time{}, false
	}
	return w.at, true
}

// Advance moves the clock to the instant to, stopping at every instant that
// something waits for. Waiters are woken one at a time in order of their time
// and then of their arrival. It returns with nothing in flight, or with the
// context's error and the clock wherever it had come to.
func (v *Virtual) Advance(ctx context.Context, to time.Time) error {
	v.mu.Lock()
	defer v.mu.Unlock()
	for {
		if err := v.rest(ctx); err != nil {
			return err
		}
		w := v.earliest(false)
		if w == nil || w.at.After(to) {
			break
		}
		v.moveTo(w.at)
		v.rouse(w)
	}
	v.moveTo(to.UTC())
	for w := v.earliest(true); w != nil && !w.at.After(v.now); w = v.earliest(true) {
		v.rouse(w)
	}
	return nil
}

func (v *Virtual) moveTo(t time.Time) {
	if t.After(v.now) {
		v.now = t
	}
}

func (v *Virtual) rest(ctx context.Context) error {
	stop := context.AfterFunc(ctx, func() {
		v.mu.Lock()
		defer v.mu.Unlock()
		v.quiet.Broadcast()
	})
	defer stop()
	for v.busy > 0 && ctx.Err() == nil {
		v.quiet.Wait()
	}
	return ctx.Err()
}

func (v *Virtual) earliest(linger bool) *waiter {
	var first *waiter
	for w := range v.waiting {
		if w.linger != linger || w.at.IsZero() {
			continue
		}
		if first == nil || w.at.Before(first.at) || w.at.Equal(first.at) && w.seq < first.seq {
			first = w
		}
	}
	return first
}

func (v *Virtual) add(w *waiter) {
	v.seq++
	w.seq = v.seq
	v.waiting[w] = true
}

func (v *Virtual) letGo() {
	v.busy--
	if v.busy < 0 {
		panic("clock: a goroutine waited without holding the clock")
	}
	for len(v.rung) > 0 && v.busy == 0 {
		w := v.rung[0]
		v.rung = v.rung[1:]
		v.rouse(w)
	}
	if v.busy == 0 {
		v.quiet.Broadcast()
	}
}

// ring wakes w, or on a serial clock lines it up.
func (v *Virtual) ring(w *waiter) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.serial && v.busy > 0 {
		v.rung = append(v.rung, w)
		return
	}
	v.rouse(w)
}

func (v *Virtual) wake(w *waiter) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.rouse(w)
}

// rouse wakes w and takes the hold on its behalf, so that the clock cannot move
// between the waking and the moment the goroutine runs.
func (v *Virtual) rouse(w *waiter) {
	if !v.waiting[w] {
		return
	}
	delete(v.waiting, w)
	v.busy++
	close(w.woken)
}

func (v *Virtual) await(ctx context.Context, w *waiter) error {
	select {
	case <-w.woken:
		return nil
	case <-ctx.Done():
		v.wake(w)
		return ctx.Err()
	}
}
