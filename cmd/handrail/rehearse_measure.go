package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"handrail.example/dialog"
	"handrail.example/dialog/phrase"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/store"
)

// alarms measures how long the card of an emergency takes from the commit of the
// message that set it off to the Sender, in real time. One that had to wait on the
// clinic's clock waited for the platform, and does not count.
type alarms struct {
	clock clock.Clock
	next  outbox.Sender
	mark  string // stands on the card of an emergency and on no other

	mu   sync.Mutex
	last struct{ real, virtual time.Time } // commit
	took []time.Duration
}

// watchAlarms puts itself between the program's worker, its dispatcher and their
// seams.
func watchAlarms(a *app, words *phrase.Book) *alarms {
	w := &alarms{clock: a.clock, next: a.dispatcher.Sender, mark: words.Say("en", "urgency.emergency", nil) + " ·"}
	a.dispatcher.Sender = w
	handle := a.worker.Handle
	a.worker.Handle = func(ctx context.Context, tx *store.Tx, item dialog.Item) error {
		tx.AfterCommit(func() {
			w.mu.Lock()
			defer w.mu.Unlock()
			w.last.real, w.last.virtual = clock.System{}.Now(), w.clock.Now()
		})
		return handle(ctx, tx, item)
	}
	return w
}

// Send passes an envelope on.
func (w *alarms) Send(ctx context.Context, e outbox.Envelope) outbox.Outcome {
	w.mu.Lock()
	if w.last.virtual.Equal(w.clock.Now()) && strings.Contains(e.Message.Text, w.mark) {
		w.took = append(w.took, clock.System{}.Now().Sub(w.last.real))
	}
	w.mu.Unlock()
	return w.next.Send(ctx, e)
}

// p99 is the 99th percentile in milliseconds.
func (w *alarms) p99() float64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.took) == 0 {
		return 0
	}
	slices.Sort(w.took)
	return float64(w.took[len(w.took)*99/100].Round(10*time.Microsecond)) / float64(time.Millisecond)
}

// peakMB is the most memory that the program has had, in megabytes.
func peakMB() float64 {
	var use syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &use); err != nil {
		return 0
	}
	kilo := use.Maxrss
	if runtime.GOOS == "darwin" { // counts in bytes there
		kilo /= 1024
	}
	return float64(kilo*10/1024) / 10
}

// bar shows on a terminal how far a rehearsal has come.
type bar struct {
	w     io.Writer
	began time.Time
	shown bool
}

func newBar(w io.Writer) *bar {
	b := &bar{began: clock.System{}.Now()}
	if f, is := w.(*os.File); is {
		if info, err := f.Stat(); err == nil && info.Mode()&os.ModeCharDevice != 0 {
			b.w = w
		}
	}
	return b
}

const barWidth = 40

func (b *bar) show(done, of int) {
	if b.w == nil {
		return
	}
	b.shown = true
	full := min(barWidth, barWidth*done/max(of, 1))
	fmt.Fprintf(b.w, "\r[%s%s] day %d of %d, %.0f s", strings.Repeat("#", full), strings.Repeat(".", barWidth-full), done, of, clock.System{}.Now().Sub(b.began).Seconds())
}

func (b *bar) end() {
	if b.shown {
		fmt.Fprintln(b.w)
	}
}
