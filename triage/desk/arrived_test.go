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
	"handrail.example/triage/exchange"
)

// arrives takes a result in that names the patient, but not by her handle.
func (c *clinic) arrives() {
	c.t.Helper()
	lh := 21.0
	c.within(func(ctx context.Context, tx *store.Tx) error {
		_, err := c.care.TakeIn(ctx, tx, c.staff[triage.Coordinator], exchange.Item{Kind: exchange.Result, Source: "L-9", Number: "L-9", Content: []byte("9"), Says: "LH in blood (LOINC 10501-5) 21 m[IU]/mL 2026-03-11 final",
			Claim: exchange.Claim{Names: []string{"Citlali Vern"}, Born: "1990-02-03", Others: []string{"urn:oid:2.16.840.1.113883.19.5 mrn-7731"}},
			Fact:  plan.Fact{Kind: plan.Bloods, On: civil.MustDate("2026-03-11"), LH: &lh, Laboratory: "Invented Laboratory"}})
		return err
	})
}

// Something that names nobody of ours for certain: seen beside a patient, confirmed, set
// aside.
func TestWhatArrivedIsMatchedByAPerson(t *testing.T) {
	t.Parallel()
	c := open(t)
	lh := 21.0
	c.within(func(ctx context.Context, tx *store.Tx) error {
		for _, n := range []string{"L-1", "L-2"} {
			if _, err := c.care.TakeIn(ctx, tx, c.staff[triage.Coordinator], exchange.Item{Kind: exchange.Result, Source: n, Number: n, Content: []byte(n), Says: "LH 21 [IU]/L",
				Claim: exchange.Claim{Names: []string{"Citlali Vern"}, Born: "1990-02-03", Others: []string{"urn:oid:1.2 <script>alert(1)</script>"}},
				Fact:  plan.Fact{Kind: plan.Bloods, On: civil.MustDate("2026-03-11"), LH: &lh, Laboratory: "Invented Laboratory"}}); err != nil {
				return err
			}
		}
		it := exchange.Item{Kind: exchange.Appointment, Source: "A-1", Number: "A-1", Content: []byte("a"), Says: "scan", Doubts: []exchange.Doubt{exchange.NoPurpose}, Fact: plan.Fact{Kind: plan.Visit, At: at(12, 7, 40)}}
		_, err := c.care.TakeIn(ctx, tx, c.staff[triage.Coordinator], it)
		return err
	})
	b := c.as(triage.Coordinator)
	b.get("/clinic/arrived").says(t, "3 wait.", "Arrival 1", "LH 21", "Citlali Vern", "It does not name just one patient")
	b.get("/now").says(t, "something from another system waits")
	p := b.get("/clinic/arrived/1")
	p.says(t, "What arrived", "Our patient", `href="/clinic/arrived/1?of=P-105"`, "1990-02-03", "Invented Laboratory")
	if strings.Contains(p.body, "<script>alert") {
		t.Error("what arrived is taken for markup")
	}
	if p := b.get("/clinic/arrived/1?of=P-999"); p.status != http.StatusOK || strings.Contains(p.body, "It is hers, save it") {
		t.Errorf("nobody's handle: %d", p.status)
	}
	b.get("/clinic/arrived/1?of=P-105").says(t, "P-105 Citlali Vern", "It is hers, save it", "Not saved yet")
	if s := b.post("/clinic/arrived/1/confirm", "of", "P-105"); s.status != http.StatusSeeOther || !strings.HasPrefix(s.to, "/patients/P-105") {
		t.Fatalf("confirmed: %d %s", s.status, s.body)
	}
	b.get("/patients/P-105").says(t, "LH 21 IU/L", "Invented Laboratory")
	if s := b.post("/clinic/arrived/1/confirm", "of", "P-105"); s.status != http.StatusNotFound {
		t.Errorf("twice: %d", s.status)
	}
	if s := b.post("/clinic/arrived/2/aside"); s.status != http.StatusSeeOther {
		t.Errorf("set aside: %d", s.status)
	}
	// An appointment that does not say what for.
	if s := b.post("/clinic/arrived/3/confirm", "of", "P-105"); s.status != 422 || !strings.Contains(s.body, "Say which visit it is for") {
		t.Errorf("without its step: %d", s.status)
	}
	b.get("/clinic/arrived/3?of=P-105&step=monitoring").says(t, "It is hers, save it")
	if s := b.post("/clinic/arrived/3/confirm", "of", "P-105", "step", "monitoring"); s.status != http.StatusSeeOther {
		t.Fatalf("confirmed: %d %s", s.status, s.body)
	}
	b.get("/clinic/arrived").says(t, "Nothing waits.")
	if strings.Contains(b.get("/now").body, "something from another system") {
		t.Error("its case still waits")
	}
}
