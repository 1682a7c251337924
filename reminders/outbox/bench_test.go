package outbox_test

import (
	"context"
	"flag"
	"fmt"
	"testing"
	"time"

	"handrail.example/reminders/outbox"
	"handrail.example/reminders/store"
)

var pending = flag.Int("pending", 20_000, "rows pending in the dispatcher's benchmarks")

// fill makes a store with n reminders, due long before monday, to a thousand
// people.
func fill(b *testing.B, n int, due time.Time) *world {
	b.Helper()
	w := setup(b, min(n, 1000))
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

// BenchmarkDispatch measures one message: claimed, sent to nobody, settled. The
// floor writes the same three rows a message in the same two commits a batch.
func BenchmarkDispatch(b *testing.B) {
	b.Run("ours", func(b *testing.B) {
		w := fill(b, *pending+b.N, monday)
		d := w.dispatcher()
		b.ReportAllocs()
		b.ResetTimer()
		for w.deliveries() < b.N {
			if _, err := d.Tick(w.ctx); err != nil {
				b.Fatal(err)
			}
			w.advance(w.clock.Now().Add(time.Second))
		}
	})
	b.Run("floor", func(b *testing.B) {
		w := fill(b, *pending+b.N, monday)
		b.ReportAllocs()
		b.ResetTimer()
		for done := 0; done < b.N; done += 9 {
			floorBatch(w, int64(done), 9)
		}
	})
}

func (w *world) deliveries() int {
	w.wire.mu.Lock()
	defer w.wire.mu.Unlock()
	return len(w.wire.sent)
}

func floorBatch(w *world, after int64, n int) {
	w.within(func(ctx context.Context, tx *store.Tx) error {
		for i := range n {
			if _, err := tx.Exec(ctx, `UPDATE outbox SET state = 'sending', lease_until = ? WHERE id = ?`, store.At(tx.Now.Add(time.Minute)), after+int64(i)+1); err != nil {
				return err
			}
		}
		return nil
	})
	w.within(func(ctx context.Context, tx *store.Tx) error {
		for i := range n {
			id := after + int64(i) + 1
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
