package plan

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"
)

// BenchmarkPlan is a whole plan with its reasons, of a cycle from its first day to
// the scan of a pregnancy, and the plan anew after one more fact with what that moved. The floors make a
// list of the same steps with no rules: they bound what filling in a calendar costs.
func BenchmarkPlan(b *testing.B) {
	p, facts, now := benchCycle(b)
	whole, err := Build(p, facts, now)
	if err != nil {
		b.Fatal(err)
	}
	// The fact is the order of the trigger, on the eighth day of the month.
	then, ordered := asOf(p, "2026-11-08"), facts[:5]
	before, err := Build(p, ordered[:4], then)
	if err != nil {
		b.Fatal(err)
	}
	replanned, err := Build(p, ordered, then)
	if err != nil {
		b.Fatal(err)
	}
	b.Run("ours", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if _, err := Build(p, facts, now); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("floor", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			list(whole)
		}
	})
	b.Run("replan/ours", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			after, err := Build(p, ordered, then)
			if err != nil {
				b.Fatal(err)
			}
			if len(Diff(before, after)) == 0 {
				b.Fatal("the order moved nothing")
			}
		}
	})
	b.Run("replan/floor", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			list(replanned)
		}
	})
}

// list makes the steps and the doses of a plan one after another, as if each were
// known beforehand.
func list(p Plan) (steps []Step, doses []Dose) {
	for _, s := range p.Steps {
		steps = append(steps, Step{Key: s.Key, Name: s.Name, Rule: s.Rule, Phrase: s.Phrase, From: s.From, On: s.On, To: s.To, At: s.At,
			Status: s.Status, Booked: s.Booked, Reasons: slices.Clone(s.Reasons), Order: s.Order})
	}
	return steps, slices.Clone(p.Doses)
}

// benchCycle is a cycle from its first day to the scan of a pregnancy.
func benchCycle(b *testing.B) (Policy, []Fact, time.Time) {
	b.Helper()
	raw, err := os.ReadFile(filepath.Join("..", "..", "testdata", "plans", "positive_to_viable_scan.json"))
	if err != nil {
		b.Fatal(err)
	}
	var c struct {
		AsOf  string          `json:"as_of"`
		Facts json.RawMessage `json:"facts"`
	}
	if err := json.Unmarshal(raw, &c); err != nil {
		b.Fatal(err)
	}
	p := DefaultPolicy()
	facts, err := ParseFacts(c.Facts, p.Location())
	if err != nil {
		b.Fatal(err)
	}
	return p, facts, asOf(p, c.AsOf)
}
