// Package storetest says what the rest of the program expects of a store, as
// tests that any engine and any setting can be run through.
//
// It owns no table and keeps nothing. It refuses to look behind the store's own
// interface: what it cannot see there is the engine's business.
package storetest

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"handrail.example/reminders/clock"
	"handrail.example/reminders/store"
)

// Start is what the clock shows when a store is opened for a test.
var Start = time.Date(2026, 3, 2, 8, 0, 0, 123_000_000, time.UTC)

// Open makes an empty store for one test and sees to its end.
type Open func(t *testing.T, clk clock.Clock) *store.DB

// Run runs every test, each on a store of its own.
func Run(t *testing.T, open Open) {
	t.Helper()
	for name, test := range map[string]func(*testing.T, *fixture){
		"what commits stays":                       commits,
		"an error undoes everything":               errorUndoes,
		"a panic undoes everything":                panicUndoes,
		"a cancelled context cannot undo half":     cancelledMidway,
		"a writer that may not wait does not":      cancelledBefore,
		"nesting is refused":                       nesting,
		"a view cannot write":                      viewsAreReadOnly,
		"a view stays as it was":                   viewsAreStill,
		"now stands still within a transaction":    nowStandsStill,
		"nudges come after the commit":             afterCommit,
		"nudges die with their transaction":        noNudgeAfterFailure,
		"a nudge may write":                        nudgeWrites,
		"a try that fails undoes itself only":      tries,
		"a breach of a rule is no end":             breachGoesOn,
		"a transaction is over when it is over":    overIsOver,
		"readers of what they write lose no count": noLostUpdate,
		"what is only added stays":                 appendOnly,
		"rows must belong together":                foreignKeys,
		"instants sort as text":                    instantsSort,
		"where to poll next":                       polls,
		"more statements than are kept":            manyStatements,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			clk := clock.NewVirtual(Start)
			test(t, &fixture{db: open(t, clk), clock: clk})
		})
	}
}

type fixture struct {
	db    *store.DB
	clock *clock.Virtual
}

func (f *fixture) within(t *testing.T, fn func(ctx context.Context, tx *store.Tx) error) {
	t.Helper()
	if err := f.db.Within(t.Context(), fn); err != nil {
		t.Fatal(err)
	}
}

// set remembers a number under a name.
func set(ctx context.Context, tx *store.Tx, name string, n int64) error {
	return tx.SetNextOffset(ctx, name, n)
}

// want fails the test unless a new view has a number under a name; 0 for none.
func (f *fixture) want(t *testing.T, name string, want int64) {
	t.Helper()
	var got int64
	if err := f.db.Read(t.Context(), func(ctx context.Context, tx *store.Tx) (err error) {
		got, _, err = tx.NextOffset(ctx, name)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if got != want {
		t.Errorf("%s is %d, want %d", name, got, want)
	}
}

var errOnPurpose = errors.New("on purpose")

func commits(t *testing.T, f *fixture) {
	f.within(t, func(ctx context.Context, tx *store.Tx) error { return set(ctx, tx, "a", 1) })
	f.want(t, "a", 1)
}

func errorUndoes(t *testing.T, f *fixture) {
	err := f.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		if err := set(ctx, tx, "a", 1); err != nil {
			return err
		}
		return errOnPurpose
	})
	if !errors.Is(err, errOnPurpose) {
		t.Errorf("got %v, want the error that fn gave", err)
	}
	f.want(t, "a", 0)
	f.within(t, func(ctx context.Context, tx *store.Tx) error { return set(ctx, tx, "b", 2) })
	f.want(t, "b", 2)
}

func panicUndoes(t *testing.T, f *fixture) {
	func() {
		defer func() {
			if recover() == nil {
				t.Error("the panic was swallowed")
			}
		}()
		_ = f.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
			_ = set(ctx, tx, "a", 1)
			panic("on purpose")
		})
	}()
	f.want(t, "a", 0)
	f.within(t, func(ctx context.Context, tx *store.Tx) error { return set(ctx, tx, "b", 2) })
	f.want(t, "b", 2)
}

// A driver that rolls back when a statement's context ends would let what comes
// next stand alone.
func cancelledMidway(t *testing.T, f *fixture) {
	ctx, cancel := context.WithCancel(t.Context())
	if err := f.db.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		if err := set(ctx, tx, "a", 1); err != nil {
			return err
		}
		cancel()
		return set(ctx, tx, "b", 2)
	}); err != nil {
		t.Fatal(err)
	}
	f.want(t, "a", 1)
	f.want(t, "b", 2)
}

func cancelledBefore(t *testing.T, f *fixture) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	f.within(t, func(context.Context, *store.Tx) error {
		err := f.db.Within(ctx, func(context.Context, *store.Tx) error { return nil })
		if !errors.Is(err, context.Canceled) {
			t.Errorf("got %v, want the context's error", err)
		}
		return nil
	})
}

func nesting(t *testing.T, f *fixture) {
	nothing := func(context.Context, *store.Tx) error { return nil }
	inside := func(ctx context.Context, _ *store.Tx) error {
		if err := f.db.Within(ctx, nothing); !errors.Is(err, store.ErrNested) {
			t.Errorf("a transaction within: got %v, want ErrNested", err)
		}
		if err := f.db.Read(ctx, nothing); !errors.Is(err, store.ErrNested) {
			t.Errorf("a view within: got %v, want ErrNested", err)
		}
		return nil
	}
	f.within(t, inside)
	if err := f.db.Read(t.Context(), inside); err != nil {
		t.Fatal(err)
	}
}

func viewsAreReadOnly(t *testing.T, f *fixture) {
	if err := f.db.Read(t.Context(), func(ctx context.Context, tx *store.Tx) error { return set(ctx, tx, "a", 1) }); err == nil {
		t.Error("a view wrote")
	}
	f.want(t, "a", 0)
}

func viewsAreStill(t *testing.T, f *fixture) {
	f.within(t, func(ctx context.Context, tx *store.Tx) error { return set(ctx, tx, "a", 1) })
	if err := f.db.Read(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		for range 2 {
			got, _, err := tx.NextOffset(ctx, "a")
			if err != nil {
				return err
			}
			if got != 1 {
				t.Errorf("the view shows %d, want 1", got)
			}
			// Somebody else's transaction, beside this view.
			if err := f.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error { return set(ctx, tx, "a", 2) }); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	f.want(t, "a", 2)
}

func nowStandsStill(t *testing.T, f *fixture) {
	f.within(t, func(_ context.Context, tx *store.Tx) error {
		before := tx.Now
		if err := f.clock.Advance(t.Context(), Start.Add(time.Hour)); err != nil {
			return err
		}
		if !tx.Now.Equal(before) || !before.Equal(Start) {
			t.Errorf("now went from %v to %v, want %v", before, tx.Now, Start)
		}
		return nil
	})
	f.within(t, func(_ context.Context, tx *store.Tx) error {
		if want := Start.Add(time.Hour); !tx.Now.Equal(want) {
			t.Errorf("the next transaction began at %v, want %v", tx.Now, want)
		}
		return nil
	})
}

func afterCommit(t *testing.T, f *fixture) {
	var order []string
	f.within(t, func(_ context.Context, tx *store.Tx) error {
		tx.AfterCommit(func() { order = append(order, "first") })
		tx.AfterCommit(func() { order = append(order, "second") })
		order = append(order, "body")
		return nil
	})
	if got, want := fmt.Sprint(order), "[body first second]"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

func noNudgeAfterFailure(t *testing.T, f *fixture) {
	nudged := false
	_ = f.db.Within(t.Context(), func(_ context.Context, tx *store.Tx) error {
		tx.AfterCommit(func() { nudged = true })
		return errOnPurpose
	})
	f.within(t, func(ctx context.Context, tx *store.Tx) error {
		_ = tx.Try(ctx, func() error {
			tx.AfterCommit(func() { nudged = true })
			return errOnPurpose
		})
		return nil
	})
	if nudged {
		t.Error("a nudge came for something that never was")
	}
}

func nudgeWrites(t *testing.T, f *fixture) {
	f.within(t, func(_ context.Context, tx *store.Tx) error {
		tx.AfterCommit(func() {
			f.within(t, func(ctx context.Context, tx *store.Tx) error { return set(ctx, tx, "a", 1) })
		})
		return nil
	})
	f.want(t, "a", 1)
}

func tries(t *testing.T, f *fixture) {
	f.within(t, func(ctx context.Context, tx *store.Tx) error {
		if err := set(ctx, tx, "before", 1); err != nil {
			return err
		}
		err := tx.Try(ctx, func() error {
			if err := set(ctx, tx, "outer", 1); err != nil {
				return err
			}
			if err := tx.Try(ctx, func() error { _ = set(ctx, tx, "inner", 1); panic("a patient's name") }); err == nil {
				t.Error("the panic was lost")
			} else if got := err.Error(); len(got) < 5 || containsName(got) {
				t.Errorf("the error says %q: it must not quote the panic", got)
			}
			return nil
		})
		if err != nil {
			return err
		}
		if err := tx.Try(ctx, func() error { _ = set(ctx, tx, "failed", 1); return errOnPurpose }); !errors.Is(err, errOnPurpose) {
			t.Errorf("got %v, want the error that fn gave", err)
		}
		return set(ctx, tx, "after", 1)
	})
	for name, want := range map[string]int64{"before": 1, "outer": 1, "inner": 0, "failed": 0, "after": 1} {
		f.want(t, name, want)
	}
}

func containsName(s string) bool {
	for i := range s {
		if len(s)-i >= 9 && s[i:i+9] == "patient's" {
			return true
		}
	}
	return false
}

func breachGoesOn(t *testing.T, f *fixture) {
	f.within(t, func(ctx context.Context, tx *store.Tx) error {
		if err := set(ctx, tx, "a", 1); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `INSERT INTO poll_state (source, next_offset) VALUES ('a', 2)`)
		if !store.Taken(err) {
			t.Errorf("got %v, want an error that Taken knows", err)
		}
		if store.Busy(err) {
			t.Error("a key in use passed for a busy disk")
		}
		return set(ctx, tx, "b", 2)
	})
	f.want(t, "a", 1)
	f.want(t, "b", 2)
}

func overIsOver(t *testing.T, f *fixture) {
	var kept *store.Tx
	f.within(t, func(_ context.Context, tx *store.Tx) error { kept = tx; return nil })
	if err := set(t.Context(), kept, "a", 1); err == nil {
		t.Error("a transaction wrote after its end")
	}
	if err := f.db.Read(t.Context(), func(_ context.Context, tx *store.Tx) error { kept = tx; return nil }); err != nil {
		t.Fatal(err)
	}
	if _, _, err := kept.NextOffset(t.Context(), "a"); err == nil {
		t.Error("a view read after its end")
	}
	f.want(t, "a", 0)
}

func noLostUpdate(t *testing.T, f *fixture) {
	const writers, rounds = 8, 20
	var wg sync.WaitGroup
	for range writers {
		wg.Go(func() {
			for range rounds {
				if err := f.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
					n, _, err := tx.NextOffset(ctx, "count")
					if err != nil {
						return err
					}
					return set(ctx, tx, "count", n+1)
				}); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	f.want(t, "count", writers*rounds)
}

func polls(t *testing.T, f *fixture) {
	f.within(t, func(ctx context.Context, tx *store.Tx) error {
		if _, known, err := tx.NextOffset(ctx, "chat"); err != nil || known {
			t.Errorf("before the first poll: known %v, error %v", known, err)
		}
		return tx.SetNextOffset(ctx, "chat", 9)
	})
	// The platform's numbers may restart lower.
	f.within(t, func(ctx context.Context, tx *store.Tx) error { return tx.SetNextOffset(ctx, "chat", 3) })
	f.want(t, "chat", 3)
}

func instantsSort(t *testing.T, _ *fixture) {
	text := func(at time.Time) string {
		v, err := store.At(at).Value()
		if err != nil {
			t.Fatal(err)
		}
		return v.(string)
	}
	instant := rapid.Custom(func(t *rapid.T) time.Time {
		at := time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "seconds"), rapid.Int64Range(0, 999_999_999).Draw(t, "nanoseconds"))
		return at.In(time.FixedZone("", rapid.IntRange(-12*3600, 14*3600).Draw(t, "offset")))
	})
	rapid.Check(t, func(t *rapid.T) {
		a, b := instant.Draw(t, "a"), instant.Draw(t, "b")
		if len(text(a)) != len(text(b)) {
			t.Fatalf("%s and %s differ in width", text(a), text(b))
		}
		ta, tb := a.Truncate(time.Millisecond), b.Truncate(time.Millisecond)
		if (text(a) < text(b)) != ta.Before(tb) || (text(a) == text(b)) != ta.Equal(tb) {
			t.Fatalf("%s and %s do not sort as %v and %v", text(a), text(b), a, b)
		}
		var back store.Time
		if err := back.Scan(text(a)); err != nil || !back.Equal(ta) {
			t.Fatalf("%s came back as %v (%v)", text(a), back, err)
		}
	})
}

func manyStatements(t *testing.T, f *fixture) {
	f.within(t, func(ctx context.Context, tx *store.Tx) error {
		for i := range 1500 {
			var got int
			if err := tx.Get(ctx, &got, fmt.Sprintf(`SELECT %d`, i)); err != nil || got != i {
				return fmt.Errorf("statement %d gave %d: %w", i, got, err)
			}
		}
		return set(ctx, tx, "a", 1)
	})
	f.want(t, "a", 1)
}
