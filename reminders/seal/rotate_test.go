package seal_test

import (
	"context"
	"errors"
	"testing"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// A rewrapped store opens with the new key alone, and everything sealed and every
// hash and digest is what it was.
func TestRewrap(t *testing.T) {
	t.Parallel()
	w := setup(t)
	her, gone := w.add(), w.add()
	next := vaultOf(t, key(2))
	var sealed, digest []byte
	w.within(func(ctx context.Context, tx *store.Tx) (err error) {
		if _, err = w.vault.Link(ctx, tx, her, "100200300"); err != nil {
			return err
		}
		if digest, err = w.vault.Digest(ctx, tx, her, "x", []byte("a")); err != nil {
			return err
		}
		sealed, err = w.vault.Seal(ctx, tx, her, "name", []byte("Ina Wexford"))
		return errors.Join(err, w.vault.Destroy(ctx, tx, gone))
	})
	w.within(func(ctx context.Context, tx *store.Tx) error {
		n, err := w.vault.Rewrap(ctx, tx, next)
		if n != 2 { // the house and her; of who is gone there is no key
			t.Errorf("%d keys were rewrapped, want 2", n)
		}
		return err
	})
	w.within(next.Ready)
	w.within(func(ctx context.Context, tx *store.Tx) error {
		plain, err := next.Open(ctx, tx, her, "name", sealed)
		if err != nil || string(plain) != "Ina Wexford" {
			t.Errorf("got %q, %v", plain, err)
		}
		if p, known, err := next.Find(ctx, tx, "100200300"); p != her || !known {
			t.Errorf("her chat is found as %d %v %v", p, known, err)
		}
		if again, err := next.Digest(ctx, tx, her, "x", []byte("a")); string(again) != string(digest) {
			t.Errorf("the digest changed, %v", err)
		}
		return nil
	})
	if err := w.db.Within(t.Context(), vaultOf(t, key(1)).Ready); !errors.Is(err, seal.ErrWrongMaster) {
		t.Errorf("the old key is refused with %v", err)
	}
}

// What undoes the transaction undoes all of it.
func TestRewrapAllOrNothing(t *testing.T) {
	t.Parallel()
	w := setup(t)
	w.add()
	stop := errors.New("stop")
	if err := w.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		if _, err := w.vault.Rewrap(ctx, tx, vaultOf(t, key(2))); err != nil {
			return err
		}
		return stop
	}); !errors.Is(err, stop) {
		t.Fatal(err)
	}
	w.within(vaultOf(t, key(1)).Ready)
}

// A destroyed key is gone at once, in the transaction that destroys it too, where
// ring and digest had been kept.
func TestDestroy(t *testing.T) {
	t.Parallel()
	w := setup(t)
	her := w.add()
	w.within(func(ctx context.Context, tx *store.Tx) error {
		sealed, err := w.vault.Seal(ctx, tx, her, "name", []byte("Ina Wexford"))
		if err != nil {
			return err
		}
		if _, err := w.vault.Digest(ctx, tx, her, "x", nil); err != nil {
			return err
		}
		if _, err := w.vault.Link(ctx, tx, her, "100200300"); err != nil {
			return err
		}
		if err := w.vault.Destroy(ctx, tx, her); err != nil {
			return err
		}
		if _, err := w.vault.Open(ctx, tx, her, "name", sealed); !errors.Is(err, seal.ErrErased) {
			t.Errorf("her name opens with %v", err)
		}
		if _, err := w.vault.Digest(ctx, tx, her, "x", nil); !errors.Is(err, seal.ErrErased) {
			t.Errorf("a digest is made with %v", err)
		}
		if _, known, err := w.vault.Find(ctx, tx, "100200300"); known || err != nil {
			t.Errorf("her chat is still known: %v", err)
		}
		at, err := w.vault.ErasedAt(ctx, tx, her)
		if at.IsZero() {
			t.Error("nothing says since when")
		}
		if err := w.vault.Destroy(ctx, tx, seal.House); !errors.Is(err, seal.ErrHouse) {
			t.Errorf("the house: %v", err)
		}
		return err
	})
}
