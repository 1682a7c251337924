package dialog

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// hangs is how long a message may wait to be handled before it is a finding: common
// practice, no source.
const hangs = 15 * time.Minute

// Check looks at what came in and at what is remembered of each conversation: whether
// it opens, and whether something waits or was parked.
func (s *Service) Check(ctx context.Context, tx *store.Tx) (found []store.Finding, err error) {
	for after := int64(0); ; {
		var rows []checkedItem
		if err := tx.Select(ctx, &rows, `SELECT id, sealed_for, raw, state, received_at FROM inbox
			WHERE id > ? AND (raw IS NOT NULL OR state <> 'handled') ORDER BY id LIMIT 1000`, after); err != nil {
			return found, err
		}
		for _, r := range rows {
			more, err := s.checkItem(ctx, tx, r)
			if err != nil {
				return found, err
			}
			found = append(found, more...)
			after = r.ID
		}
		if len(rows) < 1000 {
			break
		}
	}
	more, err := s.checkConversations(ctx, tx)
	return append(found, more...), err
}

type checkedItem struct {
	ID       int64       `db:"id"`
	Sealed   seal.Person `db:"sealed_for"`
	Raw      []byte      `db:"raw"`
	State    string      `db:"state"`
	Received store.Time  `db:"received_at"`
}

func (s *Service) checkItem(ctx context.Context, tx *store.Tx, r checkedItem) (found []store.Finding, err error) {
	at := fmt.Sprintf("message %d", r.ID)
	if r.Raw != nil {
		opens, err := s.Vault.Opens(ctx, tx, r.Sealed, "update", r.Raw)
		if err != nil {
			return nil, err
		}
		if !opens {
			found = append(found, seal.NotOpening(at, "what was sent"))
		}
	}
	switch {
	case r.State == "new" && r.Received.Before(tx.Now.Add(-hangs)):
		found = append(found, store.Finding{At: at, What: "it came in and has not been handled", Do: "see that `handrail serve` runs; its log says what keeps it"})
	case r.State == "stuck":
		var live bool
		if live, err = s.liveCase(ctx, tx, r.ID); err == nil && live {
			found = append(found, store.Finding{At: at, What: "it could not be handled, and nobody has closed its case yet", Do: "read it in the chat platform's own app, and answer it by hand"})
		}
	}
	return found, err
}

// liveCase reports whether the case that a parked message opened waits still.
func (s *Service) liveCase(ctx context.Context, tx *store.Tx, item int64) (bool, error) {
	ended, err := s.Desk.Ended(ctx, tx, inboxKey(item))
	return !ended, err
}

func (s *Service) checkConversations(ctx context.Context, tx *store.Tx) (found []store.Finding, err error) {
	var rows []struct {
		Person seal.Person `db:"person_id"`
		Body   []byte      `db:"body"`
	}
	if err := tx.Select(ctx, &rows, `SELECT person_id, body FROM conversations ORDER BY person_id`); err != nil {
		return nil, err
	}
	for _, r := range rows {
		at := fmt.Sprintf("the conversation of person %d", r.Person)
		plain, err := s.Vault.Open(ctx, tx, r.Person, "conversation", r.Body)
		switch {
		case errors.Is(err, seal.ErrErased):
		case errors.Is(err, seal.ErrSealed):
			found = append(found, seal.NotOpening(at, "what is remembered of it"))
		case err != nil:
			return found, err
		case json.Unmarshal(plain, &Conversation{}) != nil:
			found = append(found, store.Finding{At: at, What: "what is remembered of it cannot be read", Do: "delete the row: the next message begins anew"})
		}
	}
	return found, nil
}
