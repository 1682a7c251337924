package clock

import (
	"context"
	"time"
)

// System is the machine's clock.
type System struct{}

var _ Clock = System{}

// Now is the machine's time in UTC.
func (System) Now() time.Time { return time.Now().UTC() }

// Sleep waits in real time.
func (s System) Sleep(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return ctx.Err()
	}
	return s.wait(ctx, d, nil)
}

// glance is how long Until sleeps before it looks at the wall clock again, and
// setBack how much of a step back it takes for one: common practice, no source.
const (
	glance  = 10 * time.Second
	setBack = time.Second
)

// Until waits in real time. The wall clock may be set while it waits, and a
// machine that sleeps does not count: hence the glances.
func (s System) Until(ctx context.Context, t time.Time, bell *Bell) error {
	rung := make(chan struct{})
	if !bell.arm(func() { close(rung) }) {
		return nil
	}
	defer bell.disarm()
	for {
		left := glance
		if !t.IsZero() {
			if left = time.Until(t); left <= 0 {
				return nil
			}
			left = min(left, glance)
		}
		before := time.Now()
		if err := s.wait(ctx, left, rung); err != nil {
			return err
		}
		after := time.Now()
		// Without their monotonic part, instants are what the wall showed.
		if steppedBack(after.Round(0).Sub(before.Round(0)), after.Sub(before)) {
			return nil
		}
		select {
		case <-rung:
			return nil
		default:
		}
	}
}

// steppedBack tells from how far the wall clock went and how long it really took
// whether it was set back meanwhile.
func steppedBack(wall, real time.Duration) bool { return real-wall > setBack }

// Hold does nothing: real time waits for nobody.
func (System) Hold() func() { return func() {} }

func (System) wait(ctx context.Context, d time.Duration, rung <-chan struct{}) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-rung:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
