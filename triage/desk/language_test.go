package desk_test

import (
	"context"
	"net/http"
	"strings"
	"testing"

	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// A free answer goes out only in a language that its writer is marked for.
func TestNobodyWritesALanguageThatSheIsNotMarkedFor(t *testing.T) {
	t.Parallel()
	c := open(t)
	c.within(func(ctx context.Context, tx *store.Tx) error {
		c.patient = c.enrol(ctx, tx, "P-101", "Maribel Tosk", "es")
		return nil
	})
	c.opens("inbox/1", rules.SameDay, "¿puedo nadar?")
	b := c.as(triage.Coordinator)
	p := b.get("/cases/1")
	p.says(t, "needs Spanish", "which you are not marked for", "Nobody here is marked")
	if s := b.post("/cases/1/answer", "words", "Yes, you can.", "form", p.mark(t)); s.status != 422 || !strings.Contains(s.body, "nobody here is marked") {
		t.Errorf("a free answer went out: %d", s.status)
	}
	c.within(func(ctx context.Context, tx *store.Tx) error {
		c.staff["bilingual"] = c.hire(ctx, tx, "yevka", triage.Coordinator, "en", "es")
		return nil
	})
	b.get("/cases/1").says(t, "Put before her", "Yevka Invented")
	for name, form := range map[string][]string{"nothing": {}, "no words": {"to", "yevka"}, "somebody who is not marked either": {"to", "lead", "words", "Please wait."}} {
		if s := b.post("/cases/1/propose", form...); s.status < 400 || s.status > 422 {
			t.Errorf("proposed, %s: %d", name, s.status)
		}
	}
	form := b.get("/cases/1").mark(t)
	if s := b.post("/cases/1/approved", "text", "free", "form", form); s.status != 422 {
		t.Errorf("a text that is not approved: %d", s.status)
	}
	if s := b.post("/cases/1/approved", "text", "phone_us", "form", form); s.status != http.StatusSeeOther {
		t.Fatalf("an approved text: %d", s.status)
	}
	b.get("/cases/1").says(t, "Por favor, llámenos: 555-0142")
	if s := b.post("/cases/1/propose", "to", "yevka", "words", "Please wait with it."); s.status != http.StatusSeeOther {
		t.Fatalf("proposed: %d", s.status)
	}
	b.get("/cases/1").says(t, "asks Yevka Invented to say in her language: “Please wait with it.”", "nobody has it")
}
