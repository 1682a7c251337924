package care

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// Shortage is a supply that somebody must see to.
type Shortage struct {
	Patient reminders.Patient
	Supply  plan.Supply
}

// Shortages are the supplies, and the authorisations, that somebody must see to by a
// day, the first to run out first.
func (c *Care) Shortages(ctx context.Context, tx *store.Tx, actor triage.Staff, d civil.Date) ([]Shortage, error) {
	var list []Shortage
	err := c.each(ctx, tx, actor, func(p reminders.Patient, _ reminders.Cycle, pl plan.Plan) error {
		list = append(list, shortages(p, pl, d)...)
		return nil
	})
	return soonestOut(list), err
}

func soonestOut(list []Shortage) []Shortage {
	slices.SortStableFunc(list, func(a, b Shortage) int {
		return cmp.Or(compareMinutes(a.Supply.Out, b.Supply.Out), cmp.Compare(a.Patient.Handle, b.Patient.Handle))
	})
	return list
}

func shortages(p reminders.Patient, pl plan.Plan, d civil.Date) (list []Shortage) {
	for _, s := range pl.Supplies {
		if s.Short(d) || pl.AuthorisationEnds(s, d) {
			list = append(list, Shortage{p, s})
		}
	}
	return list
}

// supplied says what a fact about her supply holds.
func (w Words) supplied(f plan.Fact, add func(string, ...any)) {
	add("%s", f.Drug)
	if f.Product != "" {
		add("%s", f.Product)
	}
	if f.Units != nil {
		add("%s", w.phrase("value.units", phrase.Args{"units": fmt.Sprint(*f.Units)}))
	}
	if f.PerDose != 0 {
		add("%s", w.phrase("value.per_dose", phrase.Args{"count": fmt.Sprint(f.PerDose)}))
	}
	if !f.Until.IsZero() {
		add("%s", w.phrase("value.until", phrase.Args{"on": f.Until.String()}))
	}
	if f.Pharmacy != "" {
		add("%s", w.phrase("value.pharmacy", phrase.Args{"name": f.Pharmacy}))
	}
}

// Supply is what she has at home of one drug, in one line.
func (w Words) Supply(s plan.Supply) string {
	text := s.Drug
	if !s.Counted.IsZero() {
		text = w.phrase("supply.line", phrase.Args{"drug": s.Drug, "doses": fmt.Sprint(s.Doses), "counted": w.when(s.Counted)})
		if s.Out.IsZero() {
			text += "; " + w.phrase("supply.covers", phrase.Args{"ahead": fmt.Sprint(s.Ahead)})
		} else {
			text += "; " + w.phrase("supply.out", phrase.Args{"out": w.when(s.Out), "warn": s.Warn.String()})
		}
		if !s.Stated {
			text += " (" + w.phrase("supply.assumed", nil) + ")"
		}
	}
	if s.Pharmacy != "" {
		text += "; " + w.phrase("supply.pharmacy", phrase.Args{"pharmacy": s.Pharmacy})
	}
	if !s.Until.IsZero() {
		text += "; " + w.phrase("supply.until", phrase.Args{"until": s.Until.String()})
	}
	return text
}
