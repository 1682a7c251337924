package seal

import (
	"context"
	"errors"
	"fmt"

	"handrail.example/reminders/store"
)

// Rewrap wraps everybody's key under another master key, and reports how many. It
// belongs in one transaction with nothing else in it: until that is on disk the old
// key opens everything, afterwards the new one does, and nothing lies in between,
// wherever the program ends. Nothing that is sealed changes.
func (v *Vault) Rewrap(ctx context.Context, tx *store.Tx, next *Vault) (int, error) {
	var rows []struct {
		ID      Person `db:"id"`
		Wrapped []byte `db:"wrapped"`
	}
	if err := tx.Select(ctx, &rows, `SELECT id, wrapped FROM people WHERE wrapped IS NOT NULL ORDER BY id`); err != nil {
		return 0, err
	}
	for _, r := range rows {
		key, err := v.unwrap(r.ID, r.Wrapped)
		if err != nil {
			return 0, fmt.Errorf("key of person %d: %w", r.ID, err)
		}
		wrapped := next.wrap.seal("person key", key)
		if back, err := next.unwrap(r.ID, wrapped); err != nil || string(back) != string(key) {
			return 0, fmt.Errorf("key of person %d cannot be read back: %w", r.ID, ErrSealed)
		}
		if _, err := tx.Exec(ctx, `UPDATE people SET wrapped = ? WHERE id = ?`, wrapped, r.ID); err != nil {
			return 0, err
		}
	}
	clear(tx.Kept())
	return len(rows), nil
}

// Fits reports whether the master key is the one that the store is wrapped under.
func (v *Vault) Fits(ctx context.Context, tx *store.Tx) (bool, error) {
	_, err := v.key(ctx, tx, House)
	if errors.Is(err, ErrSealed) {
		return false, nil
	}
	return err == nil, err
}

// SealFile makes a file unreadable without the master key; OpenFile reads it again.
// Unlike what is in the store it does not move on when the master key is changed.
func (v *Vault) SealFile(plain []byte) []byte { return v.wrap.seal("file", plain) }

// OpenFile reads what SealFile made; ErrSealed when that cannot be.
func (v *Vault) OpenFile(sealed []byte) ([]byte, error) { return v.wrap.open("file", sealed) }

// ErrHouse says that the house cannot be erased: everything found by hash would be
// lost with it.
var ErrHouse = errors.New("the house's own key cannot be destroyed")

// Destroy throws a person's key away, and her chat: whatever was sealed for her can
// never be read again, here or in a backup whose keys are wiped too. The row stays,
// so that what refers to it keeps its shape.
func (v *Vault) Destroy(ctx context.Context, tx *store.Tx, p Person) error {
	if p == House {
		return ErrHouse
	}
	_, err := tx.Exec(ctx, `UPDATE people SET wrapped = NULL, chat = NULL, chat_hash = NULL, erased_at = ? WHERE id = ? AND erased_at IS NULL`, store.At(tx.Now), p)
	delete(tx.Kept(), p)
	delete(tx.Kept(), digestOf(p))
	return err
}

// Unlink lets go of a person's chat: it is nobody's from then on.
func (v *Vault) Unlink(ctx context.Context, tx *store.Tx, p Person) error {
	_, err := tx.Exec(ctx, `UPDATE people SET chat = NULL, chat_hash = NULL WHERE id = ?`, p)
	delete(tx.Kept(), p) // it holds the chat
	return err
}

// ErasedAt is when a person's key was destroyed; the zero time for one who has hers.
func (v *Vault) ErasedAt(ctx context.Context, tx *store.Tx, p Person) (store.Time, error) {
	var at store.Time
	err := tx.Get(ctx, &at, `SELECT erased_at FROM people WHERE id = ?`, p)
	return at, err
}
