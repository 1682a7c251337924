package dialog

import (
	"context"
	"time"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Forget removes what somebody wrote who is being erased, also before she was known, and
// what staff wrote about whomever: their lines name patients, and nobody reads them
// again. Their half-finished entries go too. chat is hers, "" for none.
func (s *Service) Forget(ctx context.Context, tx *store.Tx, p seal.Person, chat string, staff []seal.Person) error {
	if _, err := tx.Exec(ctx, `UPDATE inbox SET raw = NULL, chat_hash = NULL WHERE sealed_for = ? AND state <> 'new'`, p); err != nil {
		return err
	}
	if chat != "" {
		if _, err := tx.Exec(ctx, `UPDATE inbox SET raw = NULL, chat_hash = NULL WHERE chat_hash = ? AND state <> 'new'`, s.Vault.Hash("chat", chat)); err != nil {
			return err
		}
	}
	for _, who := range append([]seal.Person{p}, staff...) {
		if _, err := tx.Exec(ctx, `DELETE FROM conversations WHERE person_id = ?`, who); err != nil {
			return err
		}
	}
	for _, who := range staff {
		if _, err := tx.Exec(ctx, `UPDATE inbox SET raw = NULL WHERE sealed_for = ? AND state = 'handled'`, who); err != nil {
			return err
		}
	}
	return nil
}

// PurgeConversations removes what was remembered between messages and has not been
// touched since an instant, and reports how many.
func (i *Intake) PurgeConversations(ctx context.Context, tx *store.Tx, before time.Time) (int64, error) {
	return tx.Exec(ctx, `DELETE FROM conversations WHERE updated_at < ?`, store.At(before))
}
