package forecast

import (
	"fmt"
	"testing"

	"handrail.example/reminders/plan"
)

// BenchmarkForecast plans all cycles of a clinic and forecasts 28 days; half of them
// wait for a period. The floor of planning makes one plan and copies its steps as
// often; that of the forecast adds up the same chances once.
func BenchmarkForecast(b *testing.B) {
	p := plan.DefaultPolicy()
	for _, n := range []int{100, 1000, 10000} {
		facts, plans := make([][]plan.Fact, n), make([]plan.Plan, n)
		for i := range n {
			facts[i] = []plan.Fact{began(p, today.AddDays(-i%28))}
			if i%2 == 0 {
				facts[i] = []plan.Fact{due(today.AddDays(i%31 - 5))}
			}
			plans[i] = planOf(b, p, facts[i]...)
		}
		b.Run(fmt.Sprintf("plans/%d/ours", n), func(b *testing.B) {
			for b.Loop() {
				for i := range n {
					planOf(b, p, facts[i]...)
				}
			}
		})
		b.Run(fmt.Sprintf("plans/%d/floor", n), func(b *testing.B) {
			var steps []plan.Step
			for b.Loop() {
				for i := range n {
					steps = append(steps[:0], plans[i].Steps...)
				}
			}
		})
		made := New(p, noon(p, today), 28)
		b.Run(fmt.Sprintf("forecast/%d/ours", n), func(b *testing.B) {
			for b.Loop() {
				made = New(p, noon(p, today), 28)
				for i := range n {
					if err := made.Add(plans[i], facts[i]); err != nil {
						b.Fatal(err)
					}
				}
				made.Days(Limits{Mornings: 26, Transfers: 4})
			}
		})
		b.Run(fmt.Sprintf("forecast/%d/floor", n), func(b *testing.B) {
			sum := 0.0
			for b.Loop() {
				for _, day := range made.chances {
					for _, ps := range day {
						for _, p := range ps {
							sum += p
						}
					}
				}
			}
		})
	}
}
