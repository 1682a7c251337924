package outbox

import (
	"context"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Held is how many messages to somebody were held back.
type Held struct {
	Person   seal.Person `db:"person_id"`
	Messages int         `db:"messages"`
}

// HoldBack gives up every message that is due by now and has not gone out as far as
// the file knows, where the file is an older one: it may have gone out all the same.
// Messages to those whom spared knows stay, as do tasks. It reports whom it was for.
func (o *Outbox) HoldBack(ctx context.Context, tx *store.Tx, spared func(seal.Person) bool) (held []Held, err error) {
	var all []Held
	if err := tx.Select(ctx, &all, `SELECT person_id, count(*) AS messages FROM outbox
		WHERE person_id IS NOT NULL AND state IN ('queued', 'sending') AND due_at <= ? GROUP BY person_id ORDER BY person_id`, store.At(tx.Now)); err != nil {
		return nil, err
	}
	for _, h := range all {
		if spared(h.Person) {
			continue
		}
		if _, err := tx.Exec(ctx, `UPDATE outbox SET state = 'expired', settled_at = ?, lease_until = NULL, revised = NULL
			WHERE person_id = ? AND state IN ('queued', 'sending') AND due_at <= ?`, store.At(tx.Now), h.Person, store.At(tx.Now)); err != nil {
			return held, err
		}
		held = append(held, h)
	}
	return held, nil
}
