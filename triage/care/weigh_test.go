package care_test

import (
	"context"
	"strings"
	"testing"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// casesOf are the live cases of the patient, by reason.
func (w *ward) casesOf() map[triage.Reason][]triage.Case {
	out := make(map[triage.Reason][]triage.Case)
	for _, c := range w.chart().Cases {
		out[c.Reason] = append(out[c.Reason], c)
	}
	return out
}

func (w *ward) sheet() (s care.Sheet) {
	w.t.Helper()
	w.within(func(ctx context.Context, tx *store.Tx) (err error) {
		s, err = w.care.Sheet(ctx, tx, w.quoy, w.patient.ID)
		return err
	})
	return s
}

// A caution asks for a reason and keeps it; with one, nothing is forbidden. What
// another person must see rings.
func TestACautionAsksForAReasonAndForbidsNothing(t *testing.T) {
	t.Parallel()
	w := open(t)
	high := order("letrozole", march(12))
	high.Dose, high.Stop = 10, plan.Stop{AfterDays: 5}
	if _, err := w.tries(w.quoy, high); !refusedAs(err, "reason_asked") {
		t.Fatalf("without a reason: %v", err)
	}
	high.Reason = "ordered so by Ashgrove"
	w.enters(high)
	facts := w.chart().Facts
	if got := facts[len(facts)-1]; got.Reason != high.Reason || got.By != w.quoy.Person || got.Entered.IsZero() {
		t.Errorf("on record: %+v", got)
	}
	rung := w.casesOf()[triage.CautionRaised]
	if len(rung) != 1 || len(rung[0].Body.Notes) != 2 || rung[0].Body.Notes[1].Args["reason"] != high.Reason {
		t.Errorf("cases: %+v", rung)
	}

	two := plan.Fact{Kind: plan.Embryos, EmbryoDay: 5, Count: 2, EggAge: 33}
	if _, err := w.tries(w.quoy, two); !refusedAs(err, "reason_asked") {
		t.Fatalf("two embryos at 33: %v", err)
	}
	two.Reason = "counselled, both wish it"
	w.enters(two)
	if got := len(w.casesOf()[triage.CautionRaised]); got != 1 {
		t.Errorf("the number of embryos rang: %d cases", got)
	}
}

// An allergy is entered in any case, stands on her card, and rings where an order
// runs that it stands against.
func TestAnAllergyAfterTheOrder(t *testing.T) {
	t.Parallel()
	w := open(t)
	o := order("progesterone", march(15))
	o.Product = "progesterone 200 mg capsules"
	w.enters(o)
	w.enters(plan.Fact{Kind: plan.Allergy, On: march(11), Allergen: "peanut"})
	if got := w.casesOf()[triage.CautionRaised]; len(got) != 1 || got[0].Body.Notes[0].Key != "why.reckon_allergy" {
		t.Errorf("cases: %+v", got)
	}
	if got := w.chart().About.Allergies; len(got) != 1 || got[0] != "peanut" {
		t.Errorf("her card: %v", got)
	}
}

// The places that others have taken count for the evenings that are offered.
func TestTheSheetCountsTheLaboratorysRoom(t *testing.T) {
	t.Parallel()
	w := open(t)
	first := w.patient
	for i := range w.book.Policy.Lab.TransfersPerDay {
		w.within(func(ctx context.Context, tx *store.Tx) error {
			w.patient = w.enrol(ctx, tx, "P-20"+string(rune('0'+i)))
			return nil
		})
		w.enters(plan.Fact{Kind: plan.PeriodStart, At: at(1, 8, 15)})
		w.enters(plan.Fact{Kind: plan.Visit, Step: plan.Transfer, At: at(20, 9+i, 0)})
	}
	w.patient = first
	lining := 7.4
	w.enters(plan.Fact{Kind: plan.Scan, On: march(11), RightMM: []float64{16}, LeftMM: []float64{}, LiningMM: &lining})
	s := w.sheet()
	for _, e := range s.Options.Evenings {
		full := e.Transfer == civil.MustDate("2026-03-20")
		if (e.Closed == "laboratory full") != full {
			t.Errorf("%s leads to %s: %q, %d booked", e.On, e.Transfer, e.Closed, e.Booked)
		}
	}
	if len(s.Options.Evenings) < 3 {
		t.Errorf("evenings: %+v", s.Options.Evenings)
	}
}

// What is known of her beyond a cycle is there in the next one.
func TestRhesusOutlivesTheCycle(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.enters(plan.Fact{Kind: plan.Rhesus, On: march(11), Rh: plan.RhNegative})
	w.enters(plan.Fact{Kind: plan.Allergy, On: march(11), Allergen: "sesame"})
	w.within(func(ctx context.Context, tx *store.Tx) error {
		if err := w.care.Finish(ctx, tx, w.quoy, w.patient.ID, "cancelled"); err != nil {
			return err
		}
		return w.care.NextCycle(ctx, tx, w.quoy, w.patient.ID, "", 0)
	})
	if got := w.sheet().About; got.Rh != plan.RhNegative || strings.Join(got.Allergies, " ") != "sesame" {
		t.Errorf("in the next cycle: %+v", got)
	}
	// An order in the new cycle meets the allergy of the old one.
	o := order("progesterone", march(15))
	o.Product = "progesterone 50 mg/mL in oil"
	if _, err := w.tries(w.quoy, o); !refusedAs(err, "reason_asked") {
		t.Errorf("an order against it: %v", err)
	}
}

// A result's case says how the value runs, so that whoever tells it has it at hand.
func TestAResultsCaseSaysHowItRuns(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.enters(plan.Fact{Kind: plan.HCG, At: at(7, 8, 0), IUPerL: 100, Laboratory: "Tarn Vale"})
	w.enters(plan.Fact{Kind: plan.HCG, At: at(9, 8, 0), IUPerL: 148, Laboratory: "Ostrey"})
	var keys []string
	for _, c := range w.casesOf()[triage.ResultToTell] {
		for _, n := range c.Body.Notes {
			keys = append(keys, n.Key)
			if n.Key == "note.hcg_pair" && n.Args["hours"] != "47" {
				t.Errorf("two days over the change of the clocks: %s h", n.Args["hours"])
			}
		}
	}
	for _, want := range []string{"note.hcg_pair", "why.reckon_other_laboratory"} {
		if !strings.Contains(strings.Join(keys, " "), want) {
			t.Errorf("notes %v lack %s", keys, want)
		}
	}
}
