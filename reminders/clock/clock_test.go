package clock_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"handrail.example/reminders/clock"
)

var start = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// run starts f as a goroutine that holds the clock, as every loop does.
func run(c clock.Clock, f func()) <-chan struct{} {
	release := c.Hold()
	done := make(chan struct{})
	go func() {
		defer close(done)
		defer release()
		f()
	}()
	return done
}

func TestAdvanceStopsAtEveryAwaitedInstant(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	v := clock.NewVirtual(start)
	var woke []time.Time
	done := run(v, func() {
		for range 3 {
			if err := v.Sleep(ctx, 10*time.Minute); err != nil {
				t.Error(err)
			}
			woke = append(woke, v.Now())
		}
	})
	if err := v.Advance(ctx, start.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	<-done
	for i, at := range woke {
		if want := start.Add(time.Duration(i+1) * 10 * time.Minute); !at.Equal(want) {
			t.Errorf("wake %d at %v, want %v", i, at, want)
		}
	}
	if got, want := v.Now(), start.Add(time.Hour); !got.Equal(want) {
		t.Errorf("clock shows %v, want %v", got, want)
	}
}

func TestClockDoesNotMoveWhileHeld(t *testing.T) {
	t.Parallel()
	v := clock.NewVirtual(start)
	release := v.Hold()
	ctx, cancel := context.WithCancel(t.Context())
	moved := make(chan error, 1)
	go func() { moved <- v.Advance(ctx, start.Add(time.Hour)) }()
	cancel()
	if err := <-moved; err == nil {
		t.Error("advance went on although something was in flight")
	}
	if !v.Now().Equal(start) {
		t.Errorf("clock moved to %v while held", v.Now())
	}
	release()
	if err := v.Advance(t.Context(), start.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
}

func TestBell(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]clock.Clock{"virtual": clock.NewVirtual(start), "system": clock.System{}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var bell clock.Bell
			bell.Ring() // before anybody waits: kept
			passes := 0
			first := make(chan struct{})
			done := run(c, func() {
				for range 2 {
					if err := c.Until(t.Context(), time.Time{}, &bell); err != nil {
						t.Error(err)
					}
					if passes++; passes == 1 {
						close(first)
					}
				}
			})
			<-first
			bell.Ring()
			<-done
			if passes != 2 {
				t.Errorf("%d passes, want 2", passes)
			}
		})
	}
}

func TestLingerDoesNotStopTheClock(t *testing.T) {
	t.Parallel()
	v := clock.NewVirtual(start)
	done := make(chan struct{})
	go func() {
		defer close(done)
		if err := v.Linger(t.Context(), time.Minute, func() {}); err != nil {
			t.Error(err)
		}
	}()
	for woken := false; !woken; {
		if err := v.Advance(t.Context(), v.Now().Add(time.Hour)); err != nil {
			t.Fatal(err)
		}
		select {
		case <-done:
			woken = true
		default:
		}
	}
}

func TestUntilEndsWithItsContext(t *testing.T) {
	t.Parallel()
	v := clock.NewVirtual(start)
	ctx, cancel := context.WithCancel(t.Context())
	var err error
	done := run(v, func() { err = v.Until(ctx, start.Add(time.Hour), nil) })
	if rest := v.Rest(t.Context()); rest != nil {
		t.Fatal(rest)
	}
	cancel()
	<-done
	if err == nil {
		t.Error("want the context's error")
	}
	if rest := v.Rest(t.Context()); rest != nil {
		t.Fatal(rest)
	}
}

func TestUntilLetsARingThroughThatCameBeforeIt(t *testing.T) {
	t.Parallel()
	v := clock.NewVirtual(start)
	var bell clock.Bell
	bell.Ring()
	release := v.Hold()
	defer release()
	if err := v.Until(t.Context(), start.Add(time.Hour), &bell); err != nil {
		t.Fatal(err)
	}
	if !v.Now().Equal(start) {
		t.Error("the clock moved")
	}
}

// Whatever the sleepers and the steps, each wakes at its own instant, in order,
// and the clock never runs backwards.
func TestSleepersWakeInOrder(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		ctx := context.Background()
		v := clock.NewVirtual(start)
		naps := rapid.SliceOfN(rapid.IntRange(1, 500), 1, 8).Draw(t, "naps")
		woke := make(chan time.Duration, len(naps))
		var all []<-chan struct{}
		for _, n := range naps {
			all = append(all, run(v, func() {
				if err := v.Sleep(ctx, time.Duration(n)*time.Second); err != nil {
					panic(err)
				}
				woke <- v.Now().Sub(start)
			}))
		}
		for v.Now().Before(start.Add(500 * time.Second)) {
			step := rapid.IntRange(1, 200).Draw(t, "step")
			if err := v.Advance(ctx, v.Now().Add(time.Duration(step)*time.Second)); err != nil {
				t.Fatal(err)
			}
		}
		for _, done := range all {
			<-done
		}
		slices.Sort(naps)
		for _, n := range naps {
			if got, want := <-woke, time.Duration(n)*time.Second; got != want {
				t.Fatalf("woke after %v, want %v", got, want)
			}
		}
	})
}

// On a serial clock, whoever is woken goes on only when everybody else is at rest,
// in the order of the rings.
func TestSerialClockWakesOneAfterTheOther(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	v := clock.NewSerial(start)
	bells := make([]clock.Bell, 3)
	running, order := 0, []int{}
	for i := range bells {
		run(v, func() {
			for range 2 {
				if err := v.Until(ctx, time.Time{}, &bells[i]); err != nil {
					return
				}
				if running++; running > 1 {
					t.Errorf("%d are in flight at once", running)
				}
				order = append(order, i)
				time.Sleep(time.Millisecond) // long enough for another to slip in
				running--
				if len(order) == 1 {
					// It rings its own bell too, and still comes after the others.
					bells[2].Ring()
					bells[i].Ring()
					bells[1].Ring()
				}
			}
		})
	}
	if err := v.Rest(ctx); err != nil {
		t.Fatal(err)
	}
	bells[0].Ring()
	if err := v.Rest(ctx); err != nil {
		t.Fatal(err)
	}
	if want := []int{0, 2, 1, 0}; !slices.Equal(order, want) {
		t.Errorf("went on in the order %v, want %v", order, want)
	}
}

// Whoever lingered keeps the clock still until it has said that it is awake.
func TestClockWaitsForOneWhoLingered(t *testing.T) {
	t.Parallel()
	v := clock.NewVirtual(start)
	var at []time.Time
	began, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		ctx, cancel := context.WithCancel(t.Context())
		close(began)
		cancel() // its wait is over at once
		_ = v.Linger(ctx, time.Minute, func() {
			at = append(at, v.Now())
			time.Sleep(5 * time.Millisecond) // long enough for a clock to run away
			at = append(at, v.Now())
		})
	}()
	<-began
	for running := true; running; {
		if err := v.Advance(t.Context(), v.Now().Add(time.Second)); err != nil {
			t.Fatal(err)
		}
		select {
		case <-done:
			running = false
		default:
		}
	}
	if !at[0].Equal(at[1]) {
		t.Errorf("the clock went from %v to %v meanwhile", at[0], at[1])
	}
}
