package dialog

import (
	"context"
	"fmt"
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
	atOnce     = 20 // messages handled in one commit, at most
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
// order in which they came. What a message causes stands or falls together, and by
// itself, although several may share a commit. A message that fails is tried
// again, and the same chat's later messages wait for it; others do not. After
// three failures it is parked, with its raw bytes, and handed to a person.
type Worker struct {
	DB   *store.DB
	Bell *clock.Bell
	// Handle does everything that a message causes, inside the transaction that
	// marks it handled. An error or a panic undoes what it did and nothing else.
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
		more, wait, err := w.round(ctx)
		if err != nil || !more {
			return wait, err
		}
	}
	return time.Time{}, ctx.Err()
}

// round handles what waits, up to atOnce messages, in one transaction: a commit
// costs more than a message. Each is undone by itself where it fails, and what
// became of it is written down in the same commit. It reports whether there may be
// more to do now, and if not, when.
func (w *Worker) round(ctx context.Context) (more bool, wait time.Time, err error) {
	stop := ctx
	err = w.DB.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		items, err := pick(ctx, tx)
		if err != nil {
			return err
		}
		if len(items) == 0 {
			wait, err = nextTry(ctx, tx)
			return err
		}
		for _, item := range items {
			cause, err := w.handle(ctx, tx, item)
			if err != nil {
				return err
			}
			if more = stop.Err() != nil; more {
				return nil // with what is handled; a failure now is no message's fault
			}
			if cause != nil {
				if err := w.putOff(ctx, tx, item, cause); err != nil {
					return err
				}
			}
		}
		return tx.Get(ctx, &more, `SELECT EXISTS (SELECT 1 FROM inbox WHERE state = 'new')`)
	})
	return more, wait, err
}

// firsts are the messages that have none of their chat before them.
const firsts = `FROM inbox i WHERE state = 'new' AND NOT EXISTS (SELECT 1 FROM inbox e
	WHERE e.state = 'new' AND e.id < i.id AND e.chat_hash = i.chat_hash)`

// pick has the first messages that may be handled now: not one that waits for its
// next try, nor one behind another message in the same chat. A wait that is longer
// than any was written before the clock was set back, and is over.
func pick(ctx context.Context, tx *store.Tx) (items []Item, err error) {
	err = tx.Select(ctx, &items, `SELECT id, source, chat_hash, sealed_for, raw, tries, retry_at `+firsts+`
		AND (retry_at IS NULL OR retry_at <= ? OR retry_at > ?) ORDER BY id LIMIT ?`, store.At(tx.Now), store.At(tx.Now.Add(retryAfter<<tries)), atOnce)
	return items, err
}

// nextTry is when the next message that waits may be tried again; the zero time
// when none waits.
func nextTry(ctx context.Context, tx *store.Tx) (time.Time, error) {
	var next store.Time
	err := tx.Get(ctx, &next, `SELECT min(retry_at) `+firsts)
	return next.Time, err
}

// handle has one message handled. An error is one of the database, for which no
// message is to blame.
func (w *Worker) handle(ctx context.Context, tx *store.Tx, item Item) (cause, err error) {
	cause = tx.Try(ctx, func() error {
		if err := w.Handle(ctx, tx, item); err != nil {
			return err
		}
		return settle(ctx, tx, item.ID, "handled")
	})
	return cause, unblamed(tx, cause)
}

// unblamed is a failure that ends the transaction and passes.
func unblamed(tx *store.Tx, cause error) error {
	if tx.Broken() != nil || store.Busy(cause) {
		return cause
	}
	return nil
}

// putOff has a message that failed tried again later, or gives it up to a person.
func (w *Worker) putOff(ctx context.Context, tx *store.Tx, item Item, cause error) error {
	w.Report(fmt.Errorf("message %d, try %d: %w", item.ID, item.Tries+1, cause))
	if item.Tries+1 == tries {
		return w.park(ctx, tx, item)
	}
	_, err := tx.Exec(ctx, `UPDATE inbox SET tries = tries + 1, retry_at = ? WHERE id = ?`,
		store.At(tx.Now.Add(retryAfter<<item.Tries)), item.ID)
	return err
}

// park gives a message up to a person. Even where that fails the message must not
// stop those behind it: it stays in the inbox, marked, and the report says so.
func (w *Worker) park(ctx context.Context, tx *store.Tx, item Item) error {
	if cause := tx.Try(ctx, func() error { return w.Park(ctx, tx, item) }); cause != nil {
		if err := unblamed(tx, cause); err != nil {
			return err
		}
		w.Report(fmt.Errorf("park message %d: %w", item.ID, cause))
	}
	return settle(ctx, tx, item.ID, "stuck")
}

func settle(ctx context.Context, tx *store.Tx, id int64, state string) error {
	_, err := tx.Exec(ctx, `UPDATE inbox SET state = ?, settled_at = ?, retry_at = NULL, tries = tries + 1 WHERE id = ?`, state, store.At(tx.Now), id)
	return err
}
