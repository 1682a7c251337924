package desk

import (
	"context"
	"time"

	"handrail.example/reminders/store"
)

// PurgeSessions removes sessions that ended before an instant, or that nobody has used
// for a year before it, and reports how many.
func PurgeSessions(ctx context.Context, tx *store.Tx, before time.Time) (int64, error) {
	return tx.Exec(ctx, `DELETE FROM sessions WHERE ended_at < ? OR seen_at < ?`, store.At(before), store.At(before.AddDate(-1, 0, 0)))
}

// PurgeTraces removes failed tries to sign in, and the marks of forms that have been
// sent, from before an instant.
func PurgeTraces(ctx context.Context, tx *store.Tx, before time.Time) (int64, error) {
	n, err := tx.Exec(ctx, `DELETE FROM failed_tries WHERE at < ?`, store.At(before))
	if err != nil {
		return n, err
	}
	m, err := tx.Exec(ctx, `DELETE FROM sent_forms WHERE sent_at < ?`, store.At(before))
	return n + m, err
}
