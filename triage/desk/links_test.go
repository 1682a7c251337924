package desk_test

import (
	"context"
	"net/http"
	"strings"
	"testing"

	"handrail.example/reminders"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// A link from its code to its end, on the page.
func TestLinksOnThePage(t *testing.T) {
	t.Parallel()
	c := open(t)
	b := c.as(triage.Coordinator)
	p := b.post("/patients/P-105/link", "relation", "partner", "name", "Wim Onslake", "language", "en", "what", "calendar", "what", "doses")
	if p.status != http.StatusOK || !strings.Contains(p.body, "Wim Onslake") {
		t.Fatalf("%d: %s", p.status, p.body)
	}
	code := ""
	for _, w := range strings.Fields(p.body) {
		if reminders.TidyCode(w) == w {
			code = w
		}
	}
	c.within(func(ctx context.Context, tx *store.Tx) error {
		l, err := c.care.Book.RedeemLink(ctx, tx, code, "wim")
		if !l.Tells(reminders.ShareDoses) || l.Tells(reminders.ShareResults) {
			t.Errorf("he may be told %v", l.What)
		}
		return err
	})
	if p := b.get("/patients/P-105"); strings.Contains(p.body, code) || !strings.Contains(p.body, "Wim Onslake") {
		t.Error("the code is shown twice, or he not at all")
	}
	for _, wrong := range [][]string{
		{"relation", "cousin", "name", "X", "language", "en"}, {"relation", "partner", "name", "", "language", "en"}, {"relation", "partner", "name", "X", "language", "xx"},
		{"relation", "partner", "name", "X", "language", "en", "what", "everything"}, {"relation", "account", "name", "X", "language", "en"}, {"relation", "partner", "of", "P-105"},
	} {
		if p := b.post("/patients/P-105/link", wrong...); p.status != http.StatusUnprocessableEntity {
			t.Errorf("%q: %d", wrong, p.status)
		}
	}
	if p := b.post("/patients/P-105/unlink", "number", "1"); p.status != http.StatusSeeOther {
		t.Errorf("the end: %d", p.status)
	}
	if p := b.post("/patients/P-105/unlink", "number", "1"); p.status != http.StatusUnprocessableEntity {
		t.Errorf("the end again: %d", p.status)
	}
	c.within(func(ctx context.Context, tx *store.Tx) error {
		deeds, err := c.care.Desk.Deeds(ctx, tx, c.patient.ID)
		n := 0
		for _, d := range deeds {
			if d.Action == triage.ChangeLinks {
				n++
			}
		}
		if n != 2 {
			t.Errorf("%d changes are on record, want 2", n)
		}
		return err
	})
}
