package desk_test

import (
	"encoding/csv"
	"net/http"
	"strings"
	"testing"

	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/care"

	"context"
)

// Every list as a file, its rows beside what the page shows, and the record of who took
// it out. A patient whose name looks like a formula stays a name.
func TestWorklistsAsFiles(t *testing.T) {
	t.Parallel()
	c := open(t)
	c.within(func(ctx context.Context, tx *store.Tx) error {
		c.enrol(ctx, tx, "P-106", `=HYPERLINK("https://example.org","Citlali")`, "en")
		return nil
	})
	b := c.as(triage.Coordinator)
	for _, name := range care.Worklists {
		p := b.get("/lists/" + name + ".csv?on=2026-03-11")
		if p.status != http.StatusOK || p.header.Get("Content-Type") != "text/csv; charset=utf-8" ||
			!strings.HasPrefix(p.header.Get("Content-Disposition"), `attachment; filename="`+name) {
			t.Fatalf("%s: %d %v", name, p.status, p.header)
		}
		body, marked := strings.CutPrefix(p.body, "\ufeff")
		rows, err := csv.NewReader(strings.NewReader(body)).ReadAll()
		if err != nil || !marked || len(rows) == 0 {
			t.Fatalf("%s: %v in %q", name, err, body)
		}
		for _, row := range rows {
			for _, cell := range row {
				if strings.HasPrefix(cell, "=") || strings.HasPrefix(cell, "list.") {
					t.Errorf("%s holds %q", name, cell)
				}
			}
		}
		if name == "patients" && (len(rows) != 3 || rows[2][1] != `'=HYPERLINK("https://example.org","Citlali")`) {
			t.Errorf("the patients: %q", rows)
		}
		if name == "load" && len(rows) != 29 {
			t.Errorf("%d days of load", len(rows)-1)
		}
	}
	if p := b.get("/lists/secrets.csv"); p.status != http.StatusNotFound {
		t.Errorf("no list: %d", p.status)
	}
	var n int
	c.within(func(ctx context.Context, tx *store.Tx) error {
		return tx.Get(ctx, &n, `SELECT count(*) FROM staff_actions WHERE action = 'export' AND staff_id = ?`, c.staff[triage.Coordinator].ID)
	})
	if n != len(care.Worklists) {
		t.Errorf("%d on record", n)
	}
	if p := c.as(triage.Reader).get("/now"); strings.Contains(p.body, "/lists/") {
		t.Error("a reader is offered a file")
	}
}
