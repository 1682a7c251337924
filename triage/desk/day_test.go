package desk_test

import (
	"strings"
	"testing"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
)

func TestTheDaysLists(t *testing.T) {
	t.Parallel()
	c := open(t)
	b := c.as(triage.Reader)
	c.enters(plan.Fact{Kind: plan.Visit, Step: plan.Monitoring, At: at(11, 9, 40)})
	b.get("/day").says(t, "Scans (1)", "09:40", "P-105 Citlali Vern", "cycle day 11")
	c.later(2 * time.Hour)
	b = c.as(triage.Reader)
	b.get("/day").says(t, "Did not come (1)")
	b.get("/day?on=2026-03-13").says(t, "expected by the calendar", "Planned, not booked")
	for _, odd := range []string{"/day?on=soon", "/day?on=9999-99-99", "/tonight?on=<b>"} {
		if p := b.get(odd); p.status != 200 || strings.Contains(p.body, "<b>") {
			t.Errorf("%s: %d", odd, p.status)
		}
	}
	b.get("/day?on=2026-03-15").says(t, "closed on this day")
}

// Nobody leaves the list before she was told and the orders are there.
func TestAResultStaysOnTheList(t *testing.T) {
	t.Parallel()
	c := open(t)
	b := c.as(triage.Coordinator)
	c.enters(plan.Fact{Kind: plan.OrderGiven, Drug: "estradiol", Product: "tablets", Route: "oral", Dose: 2, Unit: "mg",
		Times: []civil.TimeOfDay{civil.MustTime("08:00")}, From: civil.MustDate("2026-03-10"), Stop: plan.Stop{UntilOrder: true}, Prescriber: "Ashgrove"})
	saved := c.enters(plan.Fact{Kind: plan.Cancelled, On: civil.MustDate("2026-03-11"), Reason: "thin lining"})
	b.get("/day").says(t, "Results to tell (1)", "not told yet", "thin lining")
	if p := b.post("/cases/1/told", "how", "phoned"); p.status != 303 || saved.ToTell != 1 {
		t.Fatalf("told: %d, case %d", p.status, saved.ToTell)
	}
	b.get("/day").says(t, "Results to tell (1)", "told; an order is still due", "a stop order is needed")
	c.enters(plan.Fact{Kind: plan.StopOrder, Order: "f3", On: civil.MustDate("2026-03-11")})
	if p := b.get("/day"); strings.Contains(p.body, "Results to tell") {
		t.Error("she is still on the list")
	}
}

func TestTheEveningsTriggers(t *testing.T) {
	t.Parallel()
	c := open(t)
	b, other := c.as(triage.Coordinator), c.as(triage.Physician)
	c.enters(plan.Fact{Kind: plan.TriggerOrder, At: at(11, 21, 30), Drug: "choriogonadotropin", Product: "pen", Route: "sc", Dose: 250, Unit: "mcg", Prescriber: "Ashgrove"})
	b.get("/tonight").says(t, "21:30", "waits for its check, case 1", "read back<span class=\"unseen\">: not yet")
	other.post("/cases/1/check")
	b.get("/tonight").says(t, `<li class="yes"><span aria-hidden="true">✓</span> ordered`, "choriogonadotropin 250 mcg")
	c.later(13 * time.Hour)
	b = c.as(triage.Coordinator)
	b.get("/tonight").says(t, "Its minute is over")
	c.enters(plan.Fact{Kind: plan.TriggerGiven, At: at(11, 21, 35)})
	p := b.get("/tonight")
	p.says(t, "given <span class=\"soft\">21:35")
	if strings.Contains(p.body, "Its minute is over") {
		t.Error("it is still asked after")
	}
}
