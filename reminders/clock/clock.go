// Package clock is the only place that asks what time it is and the only one
// that waits. Everything else is handed a Clock, so that the demo and the tests
// can walk a clinic through sixty days with the very code that runs live.
//
// System follows the machine. Virtual stands still until it is told to move,
// and moves only when nothing is in flight.
//
// The package owns the right to call time.Now; it keeps nothing and knows nothing
// of days or zones. It refuses waits that cannot be ended: each has a context.
package clock

import (
	"context"
	"time"
)

// Clock tells the time and waits for it to pass.
type Clock interface {
	// Now is the present instant, in UTC.
	Now() time.Time
	// Sleep returns nil after d has passed on this clock, or the context's
	// error when that comes first. A d of zero or less returns at once.
	Sleep(ctx context.Context, d time.Duration) error
	// Until waits for the instant t, for a ring of the bell, or for the end of
	// the context, whichever is first; only the last is an error. The zero t
	// means "no instant": only the bell counts. bell may be nil. It may return
	// early, as when the machine's clock has been set back: look again.
	Until(ctx context.Context, t time.Time, bell *Bell) error
	// Hold says that something is in flight. Virtual does not move until
	// release has been called, which must happen exactly once. A goroutine
	// inside Sleep or Until is not in flight: these give back the caller's hold
	// while they wait and take it again before they return, so a goroutine that
	// waits must hold.
	Hold() (release func())
}
