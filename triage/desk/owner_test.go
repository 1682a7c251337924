package desk_test

import (
	"net/http"
	"testing"

	"handrail.example/triage"
)

// Who looks after a patient, who covers for her, and what she leaves to be known.
func TestOwnersAndNotes(t *testing.T) {
	t.Parallel()
	c := open(t)
	b := c.as(triage.Lead)
	b.get("/patients/P-105").says(t, "Nobody looks after her in particular")
	b.get("/clinic/owners").says(t, "Nobody looks after her in particular (1)", "P-105 Citlali Vern", "Nobody is away")
	if p := b.post("/patients/P-105/owner", "owner", "coordinator"); p.status != http.StatusSeeOther {
		t.Fatalf("%d %s", p.status, p.body)
	}
	for _, words := range []string{"Speaks softly.", "Afraid of <needles>."} {
		if p := b.post("/patients/P-105/handnote", "words", words); p.status != http.StatusSeeOther {
			t.Fatalf("%d %s", p.status, p.body)
		}
	}
	b.get("/patients/P-105").says(t, "Looked after by Coordinator Invented", "Afraid of &lt;needles&gt;.", "Older versions", "Speaks softly.", "Lead Invented")
	b.get("/clinic/owners").says(t, "Nobody looks after her in particular (0)", "Coordinator Invented (1)")

	for name, form := range map[string][]string{
		"nobody":         {"who", "nobody", "cover", "lead", "from", "2026-03-11T07:00", "to", "2026-03-14T16:00"},
		"herself":        {"who", "coordinator", "cover", "coordinator", "from", "2026-03-11T07:00", "to", "2026-03-14T16:00"},
		"who reads only": {"who", "coordinator", "cover", "reader", "from", "2026-03-11T07:00", "to", "2026-03-14T16:00"},
		"backwards":      {"who", "coordinator", "cover", "lead", "from", "2026-03-14T07:00", "to", "2026-03-11T16:00"},
		"no day":         {"who", "coordinator", "cover", "lead", "from", "soon", "to", ""},
	} {
		if p := b.post("/clinic/owners/away", form...); p.status < 400 || p.status > 422 {
			t.Errorf("%s: %d", name, p.status)
		}
	}
	if p := b.post("/clinic/owners/away", "who", "coordinator", "cover", "lead", "from", "2026-03-11T07:00", "to", "2026-03-14T16:00"); p.status != http.StatusSeeOther {
		t.Fatalf("%d %s", p.status, p.body)
	}
	b.get("/patients/P-105").says(t, "Coordinator Invented looks after her and is away; Lead Invented covers")
	b.get("/clinic/owners").says(t, "Coordinator Invented: 2026-03-11 07:00 to 2026-03-14 16:00, covered by Lead Invented")
	if p := c.as(triage.Physician).post("/clinic/owners/back", "absence", "1"); p.status != http.StatusForbidden {
		t.Errorf("another's absence was ended: %d", p.status)
	}
	if p := c.as(triage.Coordinator).post("/clinic/owners/back", "absence", "1"); p.status != http.StatusSeeOther {
		t.Errorf("%d %s", p.status, p.body)
	}
	b.get("/patients/P-105").says(t, "Looked after by Coordinator Invented")
	if p := b.post("/clinic/owners/back", "absence", "1"); p.status != 422 {
		t.Errorf("ended twice: %d", p.status)
	}
}
