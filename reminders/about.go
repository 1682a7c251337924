package reminders

import "handrail.example/reminders/plan"

// About is what is known of a patient beyond one cycle, from the facts of all of
// hers.
type About struct {
	// Rh is her rhesus factor, "" where it is not on record.
	Rh plan.Rh
	// Allergies are what she is allergic to, as they were entered.
	Allergies []string
}

// About gathers what is known of a patient; every cycle of hers has it.
func (c Cycle) About() About {
	var a About
	for _, f := range plan.Standing(c.PlanFacts()) {
		switch f.Kind {
		case plan.Rhesus:
			a.Rh = f.Rh
		case plan.Allergy:
			a.Allergies = append(a.Allergies, f.Allergen)
		}
	}
	return a
}
