package seal

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"handrail.example/reminders/store"
)

// lostKey is what can be done about something that does not open.
const lostKey = "restore the last backup in which it opens, to another file, and compare; until then treat whatever is sealed with it as lost"

// Check opens every person's key, and what is sealed under it of her chat.
func (v *Vault) Check(ctx context.Context, tx *store.Tx) (found []store.Finding, err error) {
	var rows []struct {
		ID      Person `db:"id"`
		Wrapped []byte `db:"wrapped"`
		Hash    []byte `db:"chat_hash"`
	}
	if err := tx.Select(ctx, &rows, `SELECT id, wrapped, chat_hash FROM people ORDER BY id`); err != nil {
		return nil, err
	}
	for _, r := range rows {
		at := fmt.Sprintf("person %d", r.ID)
		if r.Wrapped == nil {
			continue // erased
		}
		chat, has, err := v.Chat(ctx, tx, r.ID)
		switch {
		case errors.Is(err, ErrSealed):
			found = append(found, store.Finding{At: at, What: "her key, or her chat, does not open under the master key", Do: lostKey})
		case err != nil:
			return found, err
		case has && !bytes.Equal(v.Hash("chat", chat), r.Hash):
			found = append(found, store.Finding{At: at, What: "her chat is not found by its hash", Do: "draw a new code for her, with which she links her chat again"})
		}
	}
	return found, nil
}

// Opens reports whether something that is sealed for p opens; true also for whoever has
// been erased, of whom nothing should.
func (v *Vault) Opens(ctx context.Context, tx *store.Tx, p Person, label string, sealed []byte) (bool, error) {
	_, err := v.Open(ctx, tx, p, label, sealed)
	switch {
	case errors.Is(err, ErrErased):
		return true, nil
	case errors.Is(err, ErrSealed):
		return false, nil
	}
	return err == nil, err
}

// NotOpening is the finding about something that does not open.
func NotOpening(at, what string) store.Finding {
	return store.Finding{At: at, What: what + " does not open under its person's key", Do: lostKey}
}
