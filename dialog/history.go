package dialog

import (
	"context"
	"fmt"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage/care"
)

// Wrote are the last n things that somebody wrote or sent, the latest first, as far
// as their raw text is still kept. It is care's Wrote.
func (s *Service) Wrote(ctx context.Context, tx *store.Tx, p seal.Person, n int) ([]care.Wrote, error) {
	var rows []struct {
		ID       int64      `db:"id"`
		Source   string     `db:"source"`
		Raw      []byte     `db:"raw"`
		Received store.Time `db:"received_at"`
	}
	// Presses are shown beside the message whose button it was, so there are more
	// rows than words.
	if err := tx.Select(ctx, &rows, `SELECT id, source, raw, received_at FROM inbox
		WHERE sealed_for = ? AND raw IS NOT NULL ORDER BY id DESC LIMIT ?`, p, 3*n); err != nil {
		return nil, err
	}
	var all []care.Wrote
	for _, r := range rows {
		raw, err := s.Vault.Open(ctx, tx, p, "update", r.Raw)
		if err != nil {
			return nil, fmt.Errorf("message %d: %w", r.ID, err)
		}
		in, err := s.Decode(Item{ID: r.ID, Source: r.Source}, raw)
		if err != nil || in.Text == "" && in.Kind != Media || len(all) == n {
			continue // what could not be read is a case already
		}
		all = append(all, care.Wrote{ID: r.ID, At: r.Received.Time, Text: in.Text, Attachment: in.Attachment, Edited: in.Kind == Edited})
	}
	return all, nil
}
