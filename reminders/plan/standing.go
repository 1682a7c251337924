package plan

import (
	"slices"

	"handrail.example/reminders/civil"
)

// Standing are the facts that nothing replaces or takes back, in the order of
// their days.
func Standing(facts []Fact) []Fact {
	gone := map[string]bool{}
	for _, f := range facts {
		if f.Replaces != "" {
			gone[f.Replaces] = true
		}
	}
	var live []Fact
	for _, f := range facts {
		if f.Kind != Retracted && (f.ID == "" || !gone[f.ID]) {
			live = append(live, f)
		}
	}
	slices.SortFunc(live, compareFacts)
	return live
}

// Day is the calendar day that a fact is about: its own, that of its minute, or
// the first of an order.
func (f Fact) Day() civil.Date { return f.day() }
