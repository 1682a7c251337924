package wake

import (
	"context"
	"time"

	"handrail.example/reminders/store"
)

// Removed puts on record that something was removed because the time for which it is
// kept was over: how many rows of what, older than when. Call it in the transaction that
// removes them.
func Removed(ctx context.Context, tx *store.Tx, what string, rows int64, before time.Time) error {
	_, err := tx.Exec(ctx, `INSERT INTO removals (at, what, removed, before_at) VALUES (?, ?, ?, ?)`, store.At(tx.Now), what, rows, store.At(before))
	return err
}
