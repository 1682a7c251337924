package vigil

import (
	"context"
	"maps"
	"sync"
	"time"

	"handrail.example/reminders/clock"
	"handrail.example/reminders/outbox"
)

// Traffic counts what goes over the wire.
type Traffic struct {
	clock clock.Clock

	mu     sync.Mutex
	polled time.Time // when updates were last asked for with success
	failed time.Time // the first failure since a message last got through; zero when none
	sends  map[send]int
}

// send is one sort of outcome, in the fixed words of the sender.
type send struct{ fate, class string }

// NewTraffic begins to count now.
func NewTraffic(clk clock.Clock) *Traffic {
	return &Traffic{clock: clk, polled: clk.Now(), sends: make(map[send]int)}
}

// Polled notes that a request for updates was answered, if with none.
func (t *Traffic) Polled() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.polled = t.clock.Now()
}

// PollAge is how long ago a request for updates was last answered.
func (t *Traffic) PollAge() time.Duration {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.clock.Now().Sub(t.polled)
}

// FailingFor is how long nothing has got through to anybody although something was
// tried; zero while messages get through.
func (t *Traffic) FailingFor() time.Duration {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.failed.IsZero() {
		return 0
	}
	return t.clock.Now().Sub(t.failed)
}

func (t *Traffic) counts() map[send]int {
	t.mu.Lock()
	defer t.mu.Unlock()
	return maps.Clone(t.sends)
}

// Over is a sender that counts what goes through it.
func (t *Traffic) Over(s outbox.Sender) outbox.Sender { return counting{s, t} }

type counting struct {
	outbox.Sender
	traffic *Traffic
}

func (c counting) Send(ctx context.Context, e outbox.Envelope) outbox.Outcome {
	out := c.Sender.Send(ctx, e)
	c.traffic.note(out)
	return out
}

// note counts an outcome. One that only that chat can get is no failure of the wire.
func (t *Traffic) note(out outbox.Outcome) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.sends[send{string(out.Fate), out.Class}]++
	switch out.Fate {
	case outbox.Sent, outbox.Never:
		t.failed = time.Time{}
	default:
		if t.failed.IsZero() {
			t.failed = t.clock.Now()
		}
	}
}
