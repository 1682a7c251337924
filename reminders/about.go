package reminders

import (
	"context"
	"slices"

	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
)

// About is what is known of a patient beyond one cycle, from the facts of all of
// hers; a later cycle's word goes first.
type About struct {
	// Rh is her rhesus factor, "" where it is not on record.
	Rh plan.Rh
	// Allergies are what she is allergic to, as they were entered.
	Allergies []string
}

// About gathers what is known of a patient from every cycle of hers.
func (b *Book) About(ctx context.Context, tx *store.Tx, patient int64) (About, error) {
	var a About
	var cycles []int64
	if err := tx.Select(ctx, &cycles, `SELECT DISTINCT c.id FROM cycles c JOIN facts f ON f.cycle_id = c.id
		WHERE c.patient_id = ? AND f.kind IN (?, ?) ORDER BY c.id`, patient, string(plan.Rhesus), string(plan.Allergy)); err != nil {
		return a, err
	}
	for _, id := range cycles {
		facts, err := b.facts(ctx, tx, Cycle{ID: id, Patient: patient})
		if err != nil {
			return a, err
		}
		for _, f := range plan.Standing(Cycle{Facts: facts}.PlanFacts()) {
			switch {
			case f.Kind == plan.Rhesus:
				a.Rh = f.Rh
			case f.Kind == plan.Allergy && !slices.Contains(a.Allergies, f.Allergen):
				a.Allergies = append(a.Allergies, f.Allergen)
			}
		}
	}
	return a, nil
}
