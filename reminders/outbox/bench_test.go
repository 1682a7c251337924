package outbox_test

import (
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"handrail.example/reminders/outbox"
	"handrail.example/reminders/store"
)

var pending = flag.Int("pending", 1_000_000, "rows pending in the dispatcher's benchmarks")

// perBatch is how many reminders the dispatcher claims at once.
const perBatch = 9

// BenchmarkDispatch measures one batch with a million rows pending: claimed, sent
// to nobody, settled. The floor writes the same three rows a message in the same
// two commits a batch. Both report what the disk takes for a commit of one small
// row. The empty pass is one that finds nothing due, however much waits.
func BenchmarkDispatch(b *testing.B) {
	full := fill(b, *pending)
	var ours float64
	b.Run("ours", func(b *testing.B) {
		w := reopen(b, full)
		d := w.dispatcher()
		var to nobody
		d.Sender = &to
		w.advance(monday.Add(24 * time.Hour))
		commit := commitTime(w)
		b.ReportAllocs()
		for b.Loop() {
			if _, err := d.Tick(w.ctx); err != nil {
				b.Fatal(err)
			}
			w.advance(w.clock.Now().Add(time.Second)) // past the platform's limits
		}
		ours = perBatch * float64(b.N) / b.Elapsed().Seconds()
		b.ReportMetric(float64(commit), "commit-ns")
		b.ReportMetric(ours, "messages/s")
		if got, want := to.sent.Load(), int64(perBatch*b.N); got != want {
			b.Fatalf("%d messages went out, want %d: is -pending too small?", got, want)
		}
	})
	b.Run("floor", func(b *testing.B) {
		w := reopen(b, full)
		commit := commitTime(w)
		var done int64
		b.ReportAllocs()
		for b.Loop() {
			floorBatch(w, done)
			done += perBatch
		}
		floor := float64(done) / b.Elapsed().Seconds()
		b.ReportMetric(float64(commit), "commit-ns")
		b.ReportMetric(floor, "messages/s")
		b.ReportMetric(ours/floor, "ours/floor")
		if done > int64(*pending) {
			b.Fatal("-pending is too small")
		}
	})
	b.Run("empty", func(b *testing.B) {
		w := reopen(b, full)
		d := w.dispatcher()
		b.ReportAllocs()
		for b.Loop() {
			if _, err := d.Tick(w.ctx); err != nil {
				b.Fatal(err)
			}
		}
		if len(w.wire.sent) != 0 {
			b.Fatal("something was due")
		}
	})
}

// nobody is a Sender that only counts.
type nobody struct{ sent atomic.Int64 }

func (n *nobody) Send(context.Context, outbox.Envelope) outbox.Outcome {
	n.sent.Add(1)
	return outbox.Outcome{Fate: outbox.Sent, External: "1"}
}

// fill makes a file with n reminders to a thousand people, all due at the same
// instant of Tuesday. The first of each person is written by the outbox, the others
// are copies of it.
func fill(b *testing.B, n int) (path string) {
	b.Helper()
	path = filepath.Join(b.TempDir(), "clinic.sqlite")
	people := min(n, 1000)
	w := setupAt(b, path, people, store.Relaxed)
	w.within(func(ctx context.Context, tx *store.Tx) error {
		for i, p := range w.people {
			err := w.box.Put(ctx, tx, outbox.Want{Key: fmt.Sprintf("r/%d", i), Topic: fmt.Sprintf("t/%d", i), Kind: outbox.Reminder,
				To: p, Due: monday.Add(24 * time.Hour), Message: outbox.Message{Text: "Baseline ultrasound and blood test tomorrow at 07:30."}})
			if err != nil {
				return err
			}
		}
		for more := 1; more < n/people; more++ {
			if _, err := tx.Exec(ctx, `INSERT INTO outbox (key, topic, kind, priority, person_id, sealed_for, body, digest, due_at, not_before, created_at)
				SELECT key || '/' || ?, topic, kind, priority, person_id, sealed_for, body, digest, due_at, not_before, created_at
				FROM outbox WHERE id <= ? ORDER BY id`, more, people); err != nil {
				return err
			}
		}
		return nil
	})
	if err := w.db.Close(); err != nil {
		b.Fatal(err)
	}
	return path
}

// reopen opens a copy of what fill made, on a real disk.
func reopen(b *testing.B, full string) *world {
	b.Helper()
	path := filepath.Join(b.TempDir(), "copy.sqlite")
	from, err := os.Open(full)
	if err != nil {
		b.Fatal(err)
	}
	defer from.Close()
	to, err := os.Create(path)
	if err != nil {
		b.Fatal(err)
	}
	if _, err := io.Copy(to, from); err != nil {
		b.Fatal(err)
	}
	// What the disk still has to write is no part of what is measured.
	if err := to.Sync(); err != nil {
		b.Fatal(err)
	}
	if err := to.Close(); err != nil {
		b.Fatal(err)
	}
	return setupAt(b, path, 0, store.Full)
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
