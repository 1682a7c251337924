package reminders

import (
	"context"
	"time"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// SaidBack is something that she said when she was asked to repeat an instruction.
type SaidBack struct {
	Fact Recorded
	Said string // one of the Said words
	By   seal.Person
	At   time.Time
}

// SaidBacks are all that was said to the read-backs of a cycle, in order.
func (b *Book) SaidBacks(ctx context.Context, tx *store.Tx, c Cycle) ([]SaidBack, error) {
	var rows []struct {
		Fact int64       `db:"fact_id"`
		Said string      `db:"said"`
		By   seal.Person `db:"said_by"`
		At   store.Time  `db:"recorded_at"`
	}
	if err := tx.Select(ctx, &rows, `SELECT r.fact_id, r.said, r.said_by, r.recorded_at FROM read_backs r JOIN facts f ON f.id = r.fact_id WHERE f.cycle_id = ? ORDER BY r.id`, c.ID); err != nil {
		return nil, err
	}
	byNumber := make(map[int64]Recorded)
	for _, f := range c.Facts {
		byNumber[f.Number] = f
	}
	var all []SaidBack
	for _, r := range rows {
		all = append(all, SaidBack{byNumber[r.Fact], r.Said, r.By, r.At.Time})
	}
	return all, nil
}
