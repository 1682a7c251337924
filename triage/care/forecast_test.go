package care_test

import (
	"context"
	"math"
	"slices"
	"testing"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/forecast"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// TestExpected: who waits for her period is expected, counts in the forecast, and is
// listed with what she lacks by then; with her day one she is not.
func TestExpected(t *testing.T) {
	t.Parallel()
	w := open(t)
	look := func() (o care.Outlook) {
		w.within(func(ctx context.Context, tx *store.Tx) (err error) {
			o, err = w.care.Load(ctx, tx, w.quoy, 28)
			return err
		})
		return o
	}
	w.within(func(ctx context.Context, tx *store.Tx) (err error) {
		w.patient = w.enrol(ctx, tx, "P-106")
		if err = w.care.SetCheck(ctx, tx, w.quoy, w.patient.ID, "trial_transfer", civil.Date{}); err != nil {
			return err
		}
		return w.care.SetCheck(ctx, tx, w.quoy, w.patient.ID, "consents", civil.MustDate("2025-03-12"))
	})
	before := look()
	if before.Unplaced != 1 || len(before.Periods) != 0 {
		t.Fatalf("before anything is known: %+v", before.Expected)
	}
	due := civil.MustDate("2026-03-13")
	w.enters(plan.Fact{Kind: plan.PeriodDue, On: due})
	o := look()
	if o.Unplaced != 0 || len(o.Periods) != 1 || o.Periods[0].On != due || o.Periods[0].Overdue != 0 {
		t.Fatalf("expected: %+v", o.Expected)
	}
	// Consents hold for a year: today, and no longer on the day that counts.
	if len(o.Unready) != 1 || o.Unready[0].By != due || !slices.Equal(o.Unready[0].Missing, []string{"trial_transfer"}) || !slices.Equal(o.Unready[0].Expired, []string{"consents"}) {
		t.Fatalf("unready: %+v", o.Unready)
	}
	sum := 0.0
	for n, d := range o.Forecast {
		sum += d.Baselines.Mean - before.Forecast[n].Baselines.Mean
		if d.Mornings.Limit != 24 || d.Transfers.Limit != plan.DefaultPolicy().Lab.TransfersPerDay {
			t.Fatalf("limits: %+v", d)
		}
	}
	if math.Abs(sum-1) > 1e-9 {
		t.Errorf("%v baselines of one patient", sum)
	}
	w.enters(plan.Fact{Kind: plan.PeriodStart, At: at(11, 8, 0)})
	if o := look(); len(o.Periods) != 0 || len(o.Unready) != 0 {
		t.Errorf("after her day one: %+v", o.Expected)
	}
}

func TestForecastInWords(t *testing.T) {
	t.Parallel()
	day := civil.MustDate("2026-03-11")
	w := care.Words{Desk: &triage.Desk{Phrases: phrase.MustLoad()}, Lang: "en", Zone: zone}
	for want, p := range map[string]float64{"": 0.0099, "1 % that there is no room for all": 0.0101, "50 % that there is no room for all": 0.5,
		"99 % that there is no room for all": 0.99, "over 99 % that there is no room for all": 1} {
		if got := w.Risk(forecast.Count{Overflow: p}); got != want {
			t.Errorf("%v: got %q, want %q", p, got, want)
		}
	}
	u := care.Unready{Patient: reminders.Patient{}, By: day, Missing: []string{"trial_transfer"}, Expired: []string{"consents"}}
	if got, want := w.Lacking(u), "missing by Wed 2026-03-11: trial transfer; no longer holds on Wed 2026-03-11: "; len(got) <= len(want) || got[:len(want)] != want {
		t.Errorf("got %q", got)
	}
	if got, want := w.Period(care.PeriodCall{On: day, Overdue: 3}), "expected Wed 2026-03-11, 3 days ago"; got != want {
		t.Errorf("got %q", got)
	}
	days := []forecast.Day{{On: day, Transfers: forecast.Count{Mean: 5, Limit: 4, Overflow: 0.8}}}
	if got := w.Risky(days); len(got) != 1 || got[0] != "Wed 2026-03-11: Transfers, expected 5.0 for 4: 80 % that there is no room for all" {
		t.Errorf("got %q", got)
	}
	for _, d := range w.LoadPictures(days, plan.DefaultPolicy()) {
		if _, err := d.Spec.PNG(); err != nil {
			t.Errorf("%s: %v", d.Name, err)
		}
	}
}
