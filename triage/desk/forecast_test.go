package desk_test

import (
	"context"
	"net/http"
	"strings"
	"testing"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

func TestTheForecastOfTheClinic(t *testing.T) {
	t.Parallel()
	c := open(t)
	c.within(func(ctx context.Context, tx *store.Tx) error {
		c.patient = c.enrol(ctx, tx, "P-106", "Oonagh Brill", "en")
		return c.care.SetCheck(ctx, tx, c.staff[triage.Coordinator], c.patient.ID, "trial_transfer", civil.Date{})
	})
	c.enters(plan.Fact{Kind: plan.PeriodDue, On: civil.MustDate("2026-03-13")})
	b := c.as(triage.Reader)
	p := b.get("/clinic")
	p.says(t, "Expected in the next 28 days", "room", "Period calls (", "expected Fri 2026-03-13", "Not ready for the expected period (", "missing by Fri 2026-03-13", "/clinic/charts/load.png")
	if len(p.body) > largest {
		t.Errorf("%d bytes", len(p.body))
	}
	for _, name := range []string{"load.png", "transfers.png"} {
		if got := b.get("/clinic/charts/" + name); got.status != http.StatusOK || !strings.HasPrefix(got.body, "\x89PNG") {
			t.Errorf("%s: %d", name, got.status)
		}
	}
	if got := b.get("/clinic/charts/other.png"); got.status < 400 {
		t.Errorf("a picture that is none: %d", got.status)
	}
}
