package reckon

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/goccy/go-yaml"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

// checkTable reads a table of published values from testdata/checks.
func checkTable(t *testing.T, name string, into any) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "checks", name))
	if err != nil {
		t.Fatal(err)
	}
	if err := yaml.UnmarshalWithOptions(b, into, yaml.Strict()); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
}

func mm(v float64) *float64 { return &v }

// cycle is a cycle with tablets whose day one is d, and more facts.
func cycle(p plan.Policy, one civil.Date, more ...plan.Fact) []plan.Fact {
	facts := []plan.Fact{
		{Kind: plan.PeriodStart, At: one.At(civil.MustTime("08:00"), p.Location())},
		{Kind: plan.OrderGiven, Drug: "letrozole", Dose: 5, Unit: "mg", Times: []civil.TimeOfDay{1200}, From: one.AddDays(2), Stop: plan.Stop{AfterDays: 5}},
	}
	for i, f := range append(facts, more...) {
		if f.ID == "" {
			f.ID = fmt.Sprintf("f%d", i+1)
		}
		if i < len(facts) {
			facts[i] = f
		} else {
			facts = append(facts, f)
		}
	}
	return facts
}

func scanOn(d civil.Date, lining float64, leads ...float64) plan.Fact {
	f := plan.Fact{Kind: plan.Scan, On: d, RightMM: leads, LeftMM: []float64{}}
	if lining > 0 {
		f.LiningMM = &lining
	}
	return f
}

func night(p plan.Policy, d civil.Date) time.Time { return d.At(civil.MustTime("20:00"), p.Location()) }

func mustRead(t testing.TB, p plan.Policy, facts []plan.Fact, d civil.Date) Reading {
	t.Helper()
	r, err := Read(p, facts, night(p, d))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func has(reasons []plan.Reason, code string) bool {
	for _, r := range reasons {
		if r.Code == code {
			return true
		}
	}
	return false
}
