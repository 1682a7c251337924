package outbox

import (
	"context"
	"time"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Forget withdraws whatever was to be said to somebody or about her, and empties what
// was: she is being erased. That there were messages stays. What is on the wire goes
// its way; it can be read by nobody when it comes back.
func (o *Outbox) Forget(ctx context.Context, tx *store.Tx, p seal.Person) error {
	if _, err := tx.Exec(ctx, `UPDATE outbox SET state = 'withdrawn', settled_at = ?, lease_until = NULL, revised = NULL
		WHERE (person_id = ? OR sealed_for = ?) AND state = 'queued'`, store.At(tx.Now), p, p); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, `UPDATE outbox SET untold = NULL, body = x'' WHERE (person_id = ? OR sealed_for = ?) AND state NOT IN ('queued', 'sending')`, p, p)
	return err
}

// Empty removes the texts of messages to some people that are sealed under their own
// keys and have been settled before an instant: lists that name several patients, say.
// It reports how many.
func (o *Outbox) Empty(ctx context.Context, tx *store.Tx, to []seal.Person, before time.Time) (n int64, err error) {
	for _, p := range to {
		m, err := tx.Exec(ctx, `UPDATE outbox SET body = x'' WHERE person_id = ? AND sealed_for = ? AND settled_at < ? AND untold IS NULL AND length(body) > 0`, p, p, store.At(before))
		if err != nil {
			return n, err
		}
		n += m
	}
	return n, nil
}

// EmptyStrangers removes the texts and addresses of what strangers were answered before
// an instant, and reports how many.
func (o *Outbox) EmptyStrangers(ctx context.Context, tx *store.Tx, before time.Time) (int64, error) {
	return tx.Exec(ctx, `UPDATE outbox SET body = x'', address = NULL WHERE address IS NOT NULL AND settled_at < ? AND untold IS NULL`, store.At(before))
}
