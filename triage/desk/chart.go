package desk

import (
	"context"
	"slices"
	"strings"

	"handrail.example/reminders"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// chartRow is a chart on a patient's page: Alt says what it shows.
type chartRow struct{ To, Alt string }

// chartRows are the charts that there are of a patient.
func chartRows(ch care.Chart, w care.Words) (all []chartRow) {
	for _, d := range w.Charts(ch) {
		all = append(all, chartRow{"/patients/" + ch.Patient.Handle + "/charts/" + d.Name, strings.ReplaceAll(d.Spec.Alt(), "\n", "; ")})
	}
	return all
}

// showChart sends one of a patient's charts as a picture.
func (v *visit) showChart(ctx context.Context) (answer, error) {
	who, err := v.patient(ctx)
	if err != nil {
		return answer{}, err
	}
	ch, err := v.site.Care.Chart(ctx, v.tx, v.who, who.ID)
	if err != nil {
		return answer{}, err
	}
	all := v.words(ch.Cycle.Facts).Charts(ch)
	i := slices.IndexFunc(all, func(d care.Drawing) bool { return d.Name == v.r.PathValue("name") })
	if i < 0 {
		return answer{}, triage.Refuse("no_chart", map[string]string{"who": care.Label(who)})
	}
	return answer{drawn: &all[i].Spec}, nil
}

// weighPage is what a clinician weighs.
type weighPage struct {
	Patient reminders.Patient
	care.Laid
	May bool // enter what was chosen
}

// weigh lays a patient's values before a clinician.
func (v *visit) weigh(ctx context.Context) (answer, error) {
	who, err := v.patient(ctx)
	if err != nil {
		return answer{}, err
	}
	s, err := v.site.Care.Sheet(ctx, v.tx, v.who, who.ID)
	if err != nil {
		return answer{}, err
	}
	return show("weigh", weighPage{Patient: who, Laid: v.words(nil).Lay(s, v.today()), May: v.who.May(triage.EnterFact) == nil})
}
