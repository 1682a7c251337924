package desk_test

import (
	"context"
	"net/http"
	"strings"
	"testing"

	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/desk"
	"handrail.example/triage/rules"
)

// Every page and form goes on when the patient whom it is about has been erased, and
// shows nothing of hers.
func TestEveryPageBearsAnErasedPatient(t *testing.T) {
	t.Parallel()
	c := open(t)
	c.opens("inbox/1", rules.SameDay, "a lot of pain in the lighthouse")
	lead := c.as(triage.Lead)
	name := strings.Fields(c.patient.Name)[0]
	if p := lead.get("/patients/" + c.patient.Handle); !strings.Contains(p.body, name) {
		t.Fatal("her page does not name her while she is there")
	}
	c.within(func(ctx context.Context, tx *store.Tx) error {
		c.care.Book.Policy.Records.KeepYears = 0
		if err := c.care.Desk.Forget(ctx, tx, c.staff[triage.Administrator], c.patient.Person); err != nil {
			return err
		}
		return c.care.Book.Erase(ctx, tx, c.patient)
	})
	for _, pattern := range desk.Patterns() {
		e := errands[pattern]
		if pattern == "GET /live" || strings.HasPrefix(e.path, "/me") || strings.HasPrefix(e.path, "/clinic/staff/") {
			continue
		}
		p := page{}
		if strings.HasPrefix(pattern, "POST") {
			p = lead.post(e.path, e.form...)
		} else {
			p = lead.get(e.path)
		}
		if p.status >= http.StatusInternalServerError {
			t.Errorf("%s: %d", pattern, p.status)
		}
		if strings.Contains(p.body, name) || strings.Contains(p.body, "lighthouse") {
			t.Errorf("%s still shows something of hers", pattern)
		}
	}
	if p := lead.get("/patients/" + c.patient.Handle); p.status != http.StatusOK || !strings.Contains(p.body, "key was destroyed") {
		t.Errorf("her page: %d, and does not say what became of her", p.status)
	}
	if p := lead.get("/patients?q=" + c.patient.Handle); !strings.Contains(p.body, c.patient.Handle) {
		t.Error("her handle is not found")
	}
	for _, err := range c.faults {
		t.Error(err)
	}
}
