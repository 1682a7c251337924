package outbox_test

import (
	"context"
	"flag"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"handrail.example/reminders/outbox"
	"handrail.example/reminders/store"
)

var pending = flag.Int("pending", 50_000, "rows pending in the dispatcher's benchmarks")

// fill makes a store on a real disk with n reminders, all due at one instant, to a
// thousand people.
func fill(b *testing.B, n int, due time.Time) *world {
	b.Helper()
	w := setupAt(b, filepath.Join(b.TempDir(), "clinic.sqlite"), min(n, 1000), store.Full)
	for from := 0; from < n; from += 10_000 {
		w.within(func(ctx context.Context, tx *store.Tx) error {
			for i := from; i < min(n, from+10_000); i++ {
				err := w.box.Put(ctx, tx, outbox.Want{Key: fmt.Sprintf("r/%d", i), Topic: fmt.Sprintf("t/%d", i%1000), Kind: outbox.Reminder,
					To: w.people[i%len(w.people)], Due: due, Message: outbox.Message{Text: "Baseline ultrasound and blood test tomorrow at 07:30."}})
				if err != nil {
					return err
				}
			}
			return nil
		})
	}
	return w
}

// perBatch is how many reminders the dispatcher claims at once.
const perBatch = 9

// BenchmarkDispatch measures one batch: claimed, sent to nobody, settled. The
// floor writes the same three rows a message in the same two commits a batch.
// Both report what the disk takes for a commit of one small row.
func BenchmarkDispatch(b *testing.B) {
	b.Run("ours", func(b *testing.B) {
		w := fill(b, *pending, monday)
		d := w.dispatcher()
		commit := commitTime(w)
		b.ReportAllocs()
		for b.Loop() {
			if _, err := d.Tick(w.ctx); err != nil {
				b.Fatal(err)
			}
			w.advance(w.clock.Now().Add(time.Second)) // past the platform's limits
		}
		b.ReportMetric(float64(commit), "commit-ns")
		b.ReportMetric(perBatch*float64(b.N)/b.Elapsed().Seconds(), "messages/s")
		if got, want := w.deliveries(), perBatch*b.N; got != want {
			b.Fatalf("%d messages went out, want %d: is -pending too small?", got, want)
		}
	})
	b.Run("floor", func(b *testing.B) {
		w := fill(b, *pending, monday)
		commit := commitTime(w)
		var done int64
		b.ReportAllocs()
		for b.Loop() {
			floorBatch(w, done)
			done += perBatch
		}
		b.ReportMetric(float64(commit), "commit-ns")
		b.ReportMetric(float64(done)/b.Elapsed().Seconds(), "messages/s")
		if done > int64(*pending) {
			b.Fatal("-pending is too small")
		}
	})
}

func (w *world) deliveries() int {
	w.wire.mu.Lock()
	defer w.wire.mu.Unlock()
	return len(w.wire.sent)
}

// commitTime is what a commit of one small row takes, on average.
func commitTime(w *world) time.Duration {
	const n = 100
	start := time.Now()
	for i := range int64(n) {
		w.within(func(ctx context.Context, tx *store.Tx) error { return tx.SetNextOffset(ctx, "commit", i) })
	}
	return time.Since(start) / n
}

func floorBatch(w *world, after int64) {
	w.within(func(ctx context.Context, tx *store.Tx) error {
		for i := range int64(perBatch) {
			if _, err := tx.Exec(ctx, `UPDATE outbox SET state = 'sending', lease_until = ? WHERE id = ?`, store.At(tx.Now.Add(time.Minute)), after+i+1); err != nil {
				return err
			}
		}
		return nil
	})
	w.within(func(ctx context.Context, tx *store.Tx) error {
		for i := range int64(perBatch) {
			id := after + i + 1
			if _, err := tx.Exec(ctx, `UPDATE outbox SET state = 'sent', sent_at = ?, settled_at = ?, external_id = ?, tries = tries + 1,
				lease_until = NULL, revised = NULL WHERE id = ?`, store.At(tx.Now), store.At(tx.Now), "1", id); err != nil {
				return err
			}
			if _, err := tx.Exec(ctx, `INSERT INTO attempts (outbox_id, at, fate, class) VALUES (?, ?, ?, ?)`, id, store.At(tx.Now), "sent", ""); err != nil {
				return err
			}
		}
		return nil
	})
}

// BenchmarkEmptyTick measures a pass that finds nothing due, however much waits.
func BenchmarkEmptyTick(b *testing.B) {
	w := fill(b, *pending, monday.Add(24*time.Hour))
	d := w.dispatcher()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := d.Tick(w.ctx); err != nil {
			b.Fatal(err)
		}
	}
	if w.deliveries() != 0 {
		b.Fatal("something was due")
	}
}
