package dialog

import (
	"context"
	"fmt"
	"runtime/debug"
	"time"

	"handrail.example/reminders/clock"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Tries and waits of the worker: common practice, no source.
const (
	tries      = 3
	retryAfter = 2 * time.Second
	storeWait  = time.Second
)

// Item is one row of the inbox.
type Item struct {
	ID      int64       `db:"id"`
	Source  string      `db:"source"`
	Chat    []byte      `db:"chat_hash"`
	Sealed  seal.Person `db:"sealed_for"`
	Raw     []byte      `db:"raw"`
	Tries   int         `db:"tries"`
	RetryAt store.Time  `db:"retry_at"`
}

// Worker carries the inbox to its handler, one message after another in the
// order in which they came. A message that fails is tried again, and the same
// chat's later messages wait for it; others do not. After three failures it is
// parked, with its raw bytes, and handed to a person.
type Worker struct {
	DB   *store.DB
	Bell *clock.Bell
	// Handle does everything that a message causes, inside the transaction that
	// marks it handled.
	Handle func(ctx context.Context, tx *store.Tx, item Item) error
	// Park is told, in the transaction that parks it, of a message that could
	// not be handled.
	Park func(ctx context.Context, tx *store.Tx, item Item) error
	// Report hears of failures for the log; they hold no text.
	Report func(err error)
}

// Run passes for ever. The caller holds clk.
func (w *Worker) Run(ctx context.Context, clk clock.Clock) {
	for ctx.Err() == nil {
		next, err := w.Tick(ctx)
		if err != nil && ctx.Err() == nil {
			w.Report(fmt.Errorf("read the inbox: %w", err))
			next = clk.Now().Add(storeWait)
		}
		if clk.Until(ctx, next, w.Bell) != nil {
			return
		}
	}
}

// Tick handles what there is, and reports when the next try is due: the zero
// time when only a new message brings work.
func (w *Worker) Tick(ctx context.Context) (next time.Time, err error) {
	for ctx.Err() == nil {
		item, wait, err := w.pick(ctx)
		if err != nil || item == nil {
			return wait, err
		}
		if err := w.handle(ctx, *item); err != nil {
			return wait, err
		}
	}
	return time.Time{}, ctx.Err()
}

// pick is the first message that may be handled now: not one that waits for its
// next try, nor one behind such a message in the same chat. A wait that is longer
// than any was written before the clock was set back, and is over.
func (w *Worker) pick(ctx context.Context) (item *Item, wait time.Time, err error) {
	const first = `FROM inbox i WHERE state = 'new' AND NOT EXISTS (SELECT 1 FROM inbox e
		WHERE e.state = 'new' AND e.id < i.id AND e.chat_hash = i.chat_hash)`
	err = w.DB.Read(ctx, func(ctx context.Context, tx *store.Tx) error {
		var it Item
		found, err := tx.Find(ctx, &it, `SELECT id, source, chat_hash, sealed_for, raw, tries, retry_at `+first+`
			AND (retry_at IS NULL OR retry_at <= ? OR retry_at > ?) ORDER BY id LIMIT 1`, store.At(tx.Now), store.At(tx.Now.Add(retryAfter<<tries)))
		if err != nil {
			return err
		}
		if found {
			item = &it
			return nil
		}
		var next store.Time
		err = tx.Get(ctx, &next, `SELECT min(retry_at) `+first)
		wait = next.Time
		return err
	})
	return item, wait, err
}

func (w *Worker) handle(ctx context.Context, item Item) error {
	cause := w.attempt(ctx, item)
	switch {
	case cause == nil:
		return nil
	case ctx.Err() != nil || store.Busy(cause):
		// The message is not to blame.
		return cause
	}
	w.Report(fmt.Errorf("message %d, try %d: %w", item.ID, item.Tries+1, cause))
	if item.Tries+1 < tries {
		return w.DB.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
			_, err := tx.Exec(ctx, `UPDATE inbox SET tries = tries + 1, retry_at = ? WHERE id = ?`,
				store.At(tx.Now.Add(retryAfter<<item.Tries)), item.ID)
			return err
		})
	}
	return w.park(ctx, item)
}

// park gives a message up to a person. Even where that fails the message must not
// stop those behind it: it stays in the inbox, marked, and the report says so.
func (w *Worker) park(ctx context.Context, item Item) error {
	err := w.guarded(ctx, func(ctx context.Context, tx *store.Tx) error {
		if err := w.Park(ctx, tx, item); err != nil {
			return err
		}
		return settle(ctx, tx, item.ID, "stuck")
	})
	if err == nil || store.Busy(err) {
		return err
	}
	w.Report(fmt.Errorf("park message %d: %w", item.ID, err))
	return w.DB.Within(ctx, func(ctx context.Context, tx *store.Tx) error { return settle(ctx, tx, item.ID, "stuck") })
}

// guarded is a transaction in which a panic is an error like another.
func (w *Worker) guarded(ctx context.Context, fn func(ctx context.Context, tx *store.Tx) error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			// The value may quote a patient; the stack holds places only.
			err = fmt.Errorf("panic of type %T\n%s", p, debug.Stack())
		}
	}()
	return w.DB.Within(ctx, fn)
}

func (w *Worker) attempt(ctx context.Context, item Item) error {
	return w.guarded(ctx, func(ctx context.Context, tx *store.Tx) error {
		var state string
		if err := tx.Get(ctx, &state, `SELECT state FROM inbox WHERE id = ?`, item.ID); err != nil || state != "new" {
			return err
		}
		if err := w.Handle(ctx, tx, item); err != nil {
			return err
		}
		return settle(ctx, tx, item.ID, "handled")
	})
}

func settle(ctx context.Context, tx *store.Tx, id int64, state string) error {
	_, err := tx.Exec(ctx, `UPDATE inbox SET state = ?, settled_at = ?, retry_at = NULL, tries = tries + 1 WHERE id = ?`, state, store.At(tx.Now), id)
	return err
}
