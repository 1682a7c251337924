package triage

import (
	"context"
	"time"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Since are the cases about somebody that were opened, or were not closed, since an
// instant, in the order in which they were opened, each with everything that happened
// to it.
func (d *Desk) Since(ctx context.Context, tx *store.Tx, p seal.Person, from time.Time) ([]Case, error) {
	all, err := d.cases(ctx, tx, `person_id = ? AND (opened_at >= ? OR state <> 'closed') ORDER BY opened_at, id`, p, store.At(from))
	for i := range all {
		if err == nil {
			all[i], err = d.Show(ctx, tx, all[i].ID)
		}
	}
	return all, err
}

// Changed is when something last happened to a case that comes from Show.
func (c Case) Changed() time.Time {
	if n := len(c.Events); n > 0 {
		return c.Events[n-1].At
	}
	return c.Opened
}
