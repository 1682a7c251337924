package desk_test

import (
	"net/http"
	"testing"

	"handrail.example/triage"
)

// What stands against an entry is shown with its source, and a reason is asked for
// before it is saved.
func TestAReasonIsAskedForWhatStandsAgainstAnEntry(t *testing.T) {
	t.Parallel()
	c := open(t)
	b := c.as(triage.Physician)
	allergy := []string{"on", "2026-03-11", "allergen", "peanut"}
	p := b.post("/patients/P-105/enter/allergy", allergy...)
	if s := b.post("/patients/P-105/enter/allergy", append(allergy, "save", "yes", "form", p.mark(t), "seen", seen(t, p))...); s.status != http.StatusSeeOther {
		t.Fatalf("the allergy: %d", s.status)
	}
	order := []string{"drug", "progesterone", "dose", "200", "unit", "mg", "route", "oral", "product", "micronized progesterone capsules", "times", "22:00", "from", "2026-03-15",
		"stop", "order", "prescriber", "Ashgrove"}
	p = b.post("/patients/P-105/enter/order", order...)
	p.says(t, "she is allergic to peanut", "Give the reason below")
	if s := b.post("/patients/P-105/enter/order", append(order, "save", "yes", "form", "0123456789012345678901", "seen", "3")...); s.status != 422 || c.entries() != 3 {
		t.Errorf("saved without a reason: %d, %d entries", s.status, c.entries())
	}
	order = append(order, "reason", "discussed with her; no other product")
	p = b.post("/patients/P-105/enter/order", order...)
	if s := b.post("/patients/P-105/enter/order", append(order, "save", "yes", "form", p.mark(t), "seen", seen(t, p))...); s.status != http.StatusSeeOther || c.entries() != 4 {
		t.Errorf("saved with a reason: %d, %d entries", s.status, c.entries())
	}
}
