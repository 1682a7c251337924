package store

import "context"

// NextOffset is where the next poll of source starts; false before the first.
func (tx *Tx) NextOffset(ctx context.Context, source string) (int64, bool, error) {
	var next int64
	known, err := tx.Find(ctx, &next, `SELECT next_offset FROM poll_state WHERE source = ?`, source)
	return next, known, err
}

// SetNextOffset moves where the next poll of source starts. It may move back:
// the platform's numbers may restart lower.
func (tx *Tx) SetNextOffset(ctx context.Context, source string, next int64) error {
	_, err := tx.Exec(ctx, `INSERT INTO poll_state (source, next_offset) VALUES (?, ?)
		ON CONFLICT (source) DO UPDATE SET next_offset = excluded.next_offset`, source, next)
	return err
}
