package main

import (
	"context"
	"fmt"
	"testing"

	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
)

// BenchmarkReplanOne is one patient replanned, with what the outbox holds for her brought
// in step, among so many open cycles; it may not grow with their number. The floor
// computes her calendar from facts in memory and touches no database.
func BenchmarkReplanOne(b *testing.B) {
	for _, cycles := range []int{100, 1_000, 10_000} {
		b.Run(fmt.Sprintf("cycles=%d", cycles), func(b *testing.B) {
			c := newBenchClinic(b, cycles)
			c.crowd(b)
			a := c.open(b, c.fresh(b), store.Relaxed, nil)
			defer a.db.Close()
			_, patients := c.booked(b, a)
			b.Run("ours", func(b *testing.B) {
				b.ReportAllocs()
				for n := range b.N {
					within(b, a, func(ctx context.Context, tx *store.Tx) error {
						_, err := a.book.Replan(ctx, tx, patients[n%len(patients)])
						return err
					})
				}
			})
			b.Run("floor", func(b *testing.B) {
				var facts [][]plan.Fact
				within(b, a, func(ctx context.Context, tx *store.Tx) error {
					for _, p := range patients {
						cycle, err := a.book.Cycle(ctx, tx, p)
						if err != nil {
							return err
						}
						facts = append(facts, cycle.PlanFacts())
					}
					return nil
				})
				b.ReportAllocs()
				b.ResetTimer()
				for n := range b.N {
					if _, err := plan.Build(a.policy, facts[n%len(facts)], c.now); err != nil {
						b.Fatal(err)
					}
				}
			})
		})
	}
}

func within(b *testing.B, a *app, do func(ctx context.Context, tx *store.Tx) error) {
	b.Helper()
	if err := a.db.Within(b.Context(), do); err != nil {
		b.Fatal(err)
	}
}
