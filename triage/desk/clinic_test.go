package desk_test

import (
	"bytes"
	"net/http"
	"strings"
	"testing"

	"handrail.example/reminders/plan"
	"handrail.example/triage"
	"handrail.example/triage/desk"
)

func TestTheLoadOfTheClinic(t *testing.T) {
	t.Parallel()
	c := open(t)
	c.enters(plan.Fact{Kind: plan.Visit, Step: plan.Transfer, At: at(22, 9, 0)}) // a Sunday
	p := c.as(triage.Reader).get("/clinic")
	p.says(t, "On closed days, or without room (", "Sunday", "2026-03-22", "clinic only", "closed")
	if n := strings.Count(p.body, `href="/day?on=`); n != 28 {
		t.Errorf("%d days", n)
	}
}

func TestTheRota(t *testing.T) {
	t.Parallel()
	c := open(t)
	b := c.as(triage.Lead)
	good := []string{"who", "coordinator", "from", "2026-03-11T08:00", "to", "2026-03-11T19:00"}
	for name, form := range map[string][]string{
		"nothing": {}, "somebody unknown": {"who", "nobody", "from", good[3], "to", good[5]}, "no time": {"who", "coordinator", "from", "soon", "to", good[5]},
		"backwards": {"who", "coordinator", "from", good[5], "to", good[3]}, "a reader": {"who", "reader", "from", good[3], "to", good[5]},
	} {
		if p := b.post("/clinic/rota/add", form...); p.status < 400 || p.status > 422 {
			t.Errorf("%s: %d", name, p.status)
		}
	}
	if p := b.post("/clinic/rota/add", good...); p.status != http.StatusSeeOther {
		t.Fatalf("added: %d", p.status)
	}
	mine := c.as(triage.Coordinator)
	mine.get("/clinic/rota").says(t, "NOT checked in", "I am here")
	mine.post("/clinic/rota/here")
	mine.get("/clinic/rota").says(t, "on call, checked in 2026-03-11 09:00")
	if p := b.post("/clinic/rota/drop", "shift", "x"); p.status != 422 {
		t.Errorf("no shift: %d", p.status)
	}
	b.post("/clinic/rota/drop", "shift", "1")
	b.get("/clinic/rota").says(t, "Nobody is on the rota")
}

func TestTheStaff(t *testing.T) {
	t.Parallel()
	c := open(t)
	b, gone := c.as(triage.Administrator), c.as(triage.Reader)
	for name, form := range map[string][]string{
		"nothing": {}, "a handle that is taken": {"handle", "lead", "name", "X", "role", "reader", "language", "en"},
		"a role that is none": {"handle", "x", "name", "X", "role", "boss", "language", "en"}, "no language": {"handle", "x", "name", "X", "role", "reader"},
		"markup": {"handle", "<b>/", "name", "<script>alert(1)</script>", "role", "reader", "language", "en"},
	} {
		if p := b.post("/clinic/staff/add", form...); p.status != 422 || strings.Contains(p.body, "<script>alert") {
			t.Errorf("%s: %d", name, p.status)
		}
	}
	b.post("/clinic/staff/add", "handle", "yevka", "name", "Yevka Lindqvane", "role", "coordinator", "language", "en", "language", "es").says(t, "Yevka Lindqvane: code ", "English, Spanish")
	b.post("/clinic/staff/code", "handle", "yevka").says(t, "Yevka Lindqvane: code ")
	if p := b.post("/clinic/staff/leave", "handle", "administrator"); p.status != 422 {
		t.Errorf("she takes herself off: %d", p.status)
	}
	b.get("/clinic/staff").says(t, "Sign out everywhere (1)")
	if p := b.post("/clinic/staff/end", "handle", "reader"); p.status != http.StatusSeeOther || gone.get("/me").status != http.StatusSeeOther {
		t.Errorf("a session that was ended goes on: %d", p.status)
	}
	if p := b.post("/clinic/staff/leave", "handle", "reader"); p.status != http.StatusSeeOther {
		t.Errorf("she leaves: %d", p.status)
	}
	if p := c.browser().get("/guest/reader"); p.status == http.StatusSeeOther && p.header.Get("Set-Cookie") != "" {
		t.Error("somebody who has left gets in")
	}
}

func TestAPolicyIsTriedBeforeItApplies(t *testing.T) {
	t.Parallel()
	c := open(t)
	b := c.as(triage.Physician)
	b.get("/clinic/policy").says(t, "No policy before this one", "Larkmoor Reproductive Care", "In force since 2026-03-11 09:00")
	other := string(bytes.Replace(plan.DefaultPolicyYAML(), []byte("monitoring_tablets: {from: 10, preferred: 11, to: 12}"), []byte("monitoring_tablets: {from: 12, preferred: 13, to: 14}"), 1))
	b.post("/clinic/policy/try", "policy", other).says(t, "Patients whom it would move: 1", "2026-03-11 → 2026-03-13")
	for name, text := range map[string]string{"nothing": " ", "no policy": "{", "faults": "clinic: {zone: Nowhere}\nlab: {transfers_per_day: -1}", "an unknown key": "clinik: {}"} {
		if p := b.post("/clinic/policy/try", "policy", text); p.status != 422 {
			t.Errorf("%s: %d", name, p.status)
		}
	}
	c.serve(desk.Parts{Guests: []string{"physician"}, PolicyText: []byte(other)})
	c.as(triage.Physician).get("/clinic/policy").says(t, `class="old"`, `class="new"`, "preferred: 13")
}
