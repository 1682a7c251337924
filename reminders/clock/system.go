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

// Until waits in real time. The wall clock may be set while it waits, so it
// never sleeps longer than a minute before it looks again.
func (s System) Until(ctx context.Context, t time.Time, bell *Bell) error {
	rung := make(chan struct{})
	if !bell.arm(func() { close(rung) }) {
		return nil
	}
	defer bell.disarm()
	for {
		left := time.Minute
		if !t.IsZero() {
			if left = time.Until(t); left <= 0 {
				return nil
			}
			left = min(left, time.Minute)
		}
		if err := s.wait(ctx, left, rung); err != nil {
			return err
		}
		select {
		case <-rung:
			return nil
		default:
		}
	}
}

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
