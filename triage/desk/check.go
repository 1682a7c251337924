package desk

import (
	"context"
	"fmt"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Check looks at how staff sign in: whether the secrets of their one-time codes open,
// and whether anybody who has left is still signed in.
func Check(ctx context.Context, tx *store.Tx, vault *seal.Vault, staff func(ctx context.Context, tx *store.Tx, id int64) (p seal.Person, left bool, err error)) (found []store.Finding, err error) {
	var secrets []struct {
		Staff  int64  `db:"staff_id"`
		Secret []byte `db:"secret"`
	}
	if err := tx.Select(ctx, &secrets, `SELECT staff_id, secret FROM credentials ORDER BY staff_id`); err != nil {
		return nil, err
	}
	for _, s := range secrets {
		p, _, err := staff(ctx, tx, s.Staff)
		if err != nil {
			return found, err
		}
		opens, err := vault.Opens(ctx, tx, p, secretLabel, s.Secret)
		if err != nil {
			return found, err
		}
		if !opens {
			found = append(found, store.Finding{At: fmt.Sprintf("staff %d", s.Staff), What: "the secret of her one-time codes does not open", Do: "draw a new code for her, with which she signs up at the desk again"})
		}
	}
	var signedIn []int64
	if err := tx.Select(ctx, &signedIn, `SELECT DISTINCT staff_id FROM sessions WHERE ended_at IS NULL ORDER BY staff_id`); err != nil {
		return found, err
	}
	for _, id := range signedIn {
		_, left, err := staff(ctx, tx, id)
		if err != nil {
			return found, err
		}
		if left {
			found = append(found, store.Finding{At: fmt.Sprintf("staff %d", id), What: "she has left and a session of hers has not been ended", Do: "an administrator ends it at the desk (Clinic, Staff); it lets nobody in, but it should not be there"})
		}
	}
	return found, nil
}
