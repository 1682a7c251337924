package reminders

import (
	"strings"
	"testing"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

// A machine's clock that is set back must not make a result "dated after now", or
// every message of its patient would fail.
func TestAClockSetBackKeepsThePlan(t *testing.T) {
	t.Parallel()
	b := &Book{Policy: plan.DefaultPolicy()}
	entered := civil.MustDate("2026-03-30").At(civil.MustTime("14:00"), b.zone())
	at := func(day, clock string) time.Time {
		return civil.MustDate(day).At(civil.MustTime(clock), b.zone())
	}
	c := Cycle{ID: 1, Facts: []Recorded{
		{Fact: plan.Fact{ID: "f1", Kind: plan.PeriodStart, At: at("2026-03-02", "08:00")}, Entered: entered},
		{Fact: plan.Fact{ID: "f2", Kind: plan.TriggerGiven, At: at("2026-03-13", "21:30")}, Entered: entered},
		{Fact: plan.Fact{ID: "f3", Kind: plan.Transferred, On: civil.MustDate("2026-03-20")}, Entered: entered},
		{Fact: plan.Fact{ID: "f4", Kind: plan.HCG, At: at("2026-03-30", "08:00"), IUPerL: 141}, Entered: entered},
	}}
	p, err := planOf(b.Policy, c, entered.Add(-48*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	if got := p.Phase(); got != plan.EarlyPregnancy {
		t.Errorf("phase %s, want %s", got, plan.EarlyPregnancy)
	}
}

// What is refused may end in a log, where no result may stand.
func TestAContradictionNamesNoValue(t *testing.T) {
	t.Parallel()
	lining := 78.0
	c := Cycle{ID: 7, Facts: []Recorded{{Fact: plan.Fact{ID: "f1", Kind: plan.HCG, At: time.Now().Add(time.Hour), IUPerL: 4711.5, LiningMM: &lining}}}}
	_, err := planOf(plan.DefaultPolicy(), c, time.Now())
	if err == nil || strings.Contains(err.Error(), "4711") || strings.Contains(err.Error(), "78") || !strings.Contains(err.Error(), "cycle 7") {
		t.Errorf("got %v", err)
	}
}
