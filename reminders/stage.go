package reminders

import (
	"context"

	"handrail.example/reminders/store"
)

// Stages is how far she has come in repeating each instruction of a cycle, by the
// number of its fact, however long ago it was given.
func (b *Book) Stages(ctx context.Context, tx *store.Tx, c Cycle) (map[int64]Stage, error) {
	return stages(ctx, tx, c)
}
