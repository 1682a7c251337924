package reminders_test

import (
	"context"
	"errors"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"handrail.example/reminders"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
)

// Whatever a transaction does, the plan that it has kept is the one that what is on
// record gives.
func TestKeptPlanIsThePlanOnRecord(t *testing.T) {
	t.Parallel()
	c := propertyClinic(t)
	rapid.Check(t, func(t *rapid.T) {
		facts := anyFacts(t, c.book.Policy, monday)
		p, other := c.enrol(t), c.enrol(t)
		c.within(t, func(ctx context.Context, tx *store.Tx) error {
			for _, f := range facts {
				if _, _, err := c.book.Plan(ctx, tx, rapid.SampledFrom([]int64{p.ID, other.ID}).Draw(t, "looked at before")); err != nil {
					return err
				}
				_, err := c.book.Record(ctx, tx, p.ID, f, reminders.Said{By: p.Person})
				if untrue := (*plan.Refusal)(nil); err != nil && !errors.As(err, &untrue) {
					return err
				}
				c.sameWhenReadAnew(ctx, t, tx, p)
			}
			if err := c.book.CloseCycle(ctx, tx, p.ID, "negative"); err != nil {
				return err
			}
			c.sameWhenReadAnew(ctx, t, tx, p)
			if err := c.book.NextCycle(ctx, tx, p.ID); err != nil {
				return err
			}
			c.sameWhenReadAnew(ctx, t, tx, p)
			return nil
		})
	})
}

func (c *clinic) sameWhenReadAnew(ctx context.Context, t *rapid.T, tx *store.Tx, p reminders.Patient) {
	t.Helper()
	pl, cycle, err := c.book.Plan(ctx, tx, p.ID)
	if err != nil {
		t.Fatal(err)
	}
	clear(tx.Kept())
	again, read, err := c.book.Plan(ctx, tx, p.ID)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(read, cycle) || !reflect.DeepEqual(again, pl) {
		t.Fatalf("kept is something else than on record: %d facts and %d steps, on record %d and %d", len(cycle.Facts), len(pl.Steps), len(read.Facts), len(again.Steps))
	}
}
