package desk_test

import (
	"context"
	"net/http"
	"regexp"
	"strings"
	"sync"
	"testing"

	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/room"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// another is one more patient, whose first scan is to be from the 12th to the 14th of March.
func (c *clinic) another(handle string) (p reminders.Patient) {
	c.t.Helper()
	c.within(func(ctx context.Context, tx *store.Tx) error {
		p = c.enrol(ctx, tx, handle, "Zofia Arkell", "en")
		for _, f := range []plan.Fact{{Kind: plan.PeriodStart, At: at(3, 8, 15)}, {Kind: plan.BaselineFound, On: civil.MustDate("2026-03-05"), Decision: plan.Start}} {
			if _, err := c.care.Enter(ctx, tx, c.staff[triage.Coordinator], p.ID, f, 0); err != nil {
				return err
			}
		}
		return nil
	})
	return p
}

// tight leaves one room and one slot a day.
func (c *clinic) tight() {
	c.care.Book.Policy.Room.Monitoring.Rooms = 1
	c.care.Book.Policy.Room.Monitoring.To = civil.MustTime("07:10")
}

// scans are the places of a day that are taken.
func (c *clinic) scans(day string) (n int) {
	c.t.Helper()
	c.within(func(ctx context.Context, tx *store.Tx) error {
		d := civil.MustDate(day)
		taken, err := c.care.Book.Taken(ctx, tx, room.Monitoring, d, d, reminders.Own{})
		n = len(taken)
		return err
	})
	return n
}

// Two coordinators take the last place of a day at the same moment, each by a form that
// is sent twice: one of them has it, the other is told what is free.
func TestTheLastPlaceIsGivenOnce(t *testing.T) {
	t.Parallel()
	c := open(t)
	c.another("P-106")
	c.tight()
	start := make(chan struct{})
	answers := make([][]page, 2)
	var all sync.WaitGroup
	for i, who := range []struct {
		role triage.Role
		path string
	}{{triage.Coordinator, "/patients/P-105/enter/visit"}, {triage.Lead, "/patients/P-106/enter/visit"}} {
		b := c.as(who.role)
		entry := []string{"step", "monitoring", "at", "2026-03-12T07:00"}
		shown := b.post(who.path, entry...)
		shown.says(t, "Not saved yet")
		form := regexp.MustCompile(`name="form" value="([^"]+)"`).FindStringSubmatch(shown.body)[1]
		seen := regexp.MustCompile(`name="seen" value="([^"]+)"`).FindStringSubmatch(shown.body)[1]
		all.Go(func() {
			<-start
			for range 2 {
				answers[i] = append(answers[i], b.post(who.path, append(entry, "save", "yes", "form", form, "seen", seen)...))
			}
		})
	}
	close(start)
	all.Wait()
	if n := c.scans("2026-03-12"); n != 1 {
		t.Fatalf("the one place of the day was given %d times", n)
	}
	var won, lost int
	for _, a := range answers {
		switch a[0].status {
		case http.StatusSeeOther:
			won++
			if a[1].status != http.StatusSeeOther {
				t.Errorf("the same form again: %d", a[1].status)
			}
		case http.StatusUnprocessableEntity:
			lost++
			a[0].says(t, "07:00 on 2026-03-12", "2026-03-13 07:00") // what is taken, what is free
		}
	}
	if won != 1 || lost != 1 {
		t.Errorf("%d got it and %d were told, want one of each", won, lost)
	}
}

// An over-full day is kept with a reason, which stands on her page.
func TestAnOverfullDayNeedsAReason(t *testing.T) {
	t.Parallel()
	c := open(t)
	other := c.another("P-106")
	c.tight()
	c.within(func(ctx context.Context, tx *store.Tx) error {
		_, err := c.care.Enter(ctx, tx, c.staff[triage.Coordinator], other.ID, plan.Fact{Kind: plan.Visit, Step: plan.Monitoring, At: at(12, 7, 0)}, 0)
		return err
	})
	b := c.as(triage.Coordinator)
	b.post("/patients/P-105/enter/visit", "step", "monitoring", "at", "2026-03-12T07:00").says(t, "every room is taken", "free near it", "reason")
	p := b.post("/patients/P-105/enter/visit", "step", "monitoring", "at", "2026-03-12T07:00", "reason", "no other day is left")
	form, seen := regexp.MustCompile(`name="form" value="([^"]+)"`).FindStringSubmatch(p.body), regexp.MustCompile(`name="seen" value="([^"]+)"`).FindStringSubmatch(p.body)
	if saved := b.post("/patients/P-105/enter/visit", "step", "monitoring", "at", "2026-03-12T07:00", "reason", "no other day is left", "save", "yes", "form", form[1], "seen", seen[1]); saved.status != http.StatusSeeOther {
		t.Fatalf("%d\n%s", saved.status, saved.body)
	}
	b.get("/patients/P-105").says(t, "no other day is left")
	if n := c.scans("2026-03-12"); n != 2 {
		t.Errorf("%d places, want 2", n)
	}
}

// The places of a visit are offered on a page, and a press shows what it moves.
func TestPlacesOfAVisit(t *testing.T) {
	t.Parallel()
	c := open(t)
	c.another("P-106")
	b := c.as(triage.Coordinator)
	b.get("/patients/P-106").says(t, "/patients/P-106/places?step=monitoring")
	p := b.get("/patients/P-106/places?step=monitoring")
	p.says(t, `value="2026-03-13T07:00"`, `value="2026-03-12T08:50"`, `value="2026-03-14T07:00"`)
	for _, outside := range []string{"2026-03-11T", "2026-03-15T", "T09:00"} {
		if strings.Contains(p.body, outside) {
			t.Errorf("%s is offered", outside)
		}
	}
	b.post("/patients/P-106/enter/visit", "step", "monitoring", "at", "2026-03-13T07:00").says(t, "Not saved yet", "2026-03-13 07:00")
	for _, step := range []string{"", "baseline", "call", "transfer<script>"} {
		if p := b.get("/patients/P-106/places?step=" + step); p.status != http.StatusUnprocessableEntity {
			t.Errorf("%q: %d", step, p.status)
		}
	}
}

// A day is closed as it was seen, once; what has changed meanwhile is shown anew; and it
// is opened again.
func TestCloseADayOnThePage(t *testing.T) {
	t.Parallel()
	c := open(t)
	first, other := c.another("P-106"), c.another("P-107")
	books := func(p reminders.Patient, minute int) {
		c.within(func(ctx context.Context, tx *store.Tx) error {
			_, err := c.care.Enter(ctx, tx, c.staff[triage.Lead], p.ID, plan.Fact{Kind: plan.Visit, Step: plan.Monitoring, At: at(13, 7, minute)}, 0)
			return err
		})
	}
	books(first, 20)
	b := c.as(triage.Coordinator)
	storm := []string{"from", "2026-03-13", "part", "clinic", "why", "storm <b>"}
	hidden := func(p page) []string {
		return append(storm, "form", regexp.MustCompile(`name="form" value="([^"]+)"`).FindStringSubmatch(p.body)[1],
			"digest", regexp.MustCompile(`name="digest" value="([^"]+)"`).FindStringSubmatch(p.body)[1])
	}
	shown := b.post("/clinic/closed/look", storm...)
	shown.says(t, "P-106 Zofia Arkell", "2026-03-13 07:20", "2026-03-12 07:20", "storm &lt;b&gt;")
	if n := c.scans("2026-03-13"); n != 1 {
		t.Fatal("looking has moved somebody")
	}
	books(other, 0)
	anew := b.post("/clinic/closed", hidden(shown)...)
	anew.says(t, "Something has changed", "P-107 Zofia Arkell")
	if anew.status != http.StatusUnprocessableEntity || c.scans("2026-03-13") != 2 {
		t.Fatalf("%d: what was not seen was carried out", anew.status)
	}
	for range 2 { // the same form twice
		if p := b.post("/clinic/closed", hidden(anew)...); p.status != http.StatusSeeOther {
			t.Fatalf("%d\n%s", p.status, p.body)
		}
	}
	if c.scans("2026-03-13") != 0 || c.scans("2026-03-12") != 2 {
		t.Errorf("%d on the closed day, %d on the day before", c.scans("2026-03-13"), c.scans("2026-03-12"))
	}
	b.get("/clinic/closed").says(t, "2026-03-13", "storm &lt;b&gt;", "Coordinator Invented")
	b.get("/clinic").says(t, "storm &lt;b&gt;")
	b.post("/clinic/closed/look", storm...).says(t, "closed already")
	b.post("/patients/P-106/enter/visit", "step", "monitoring", "at", "2026-03-13T08:00").says(t, "closed for the day")
	if p := c.as(triage.Reader).get("/clinic/closed"); strings.Contains(p.body, "/clinic/closed/open") {
		t.Error("a reader is offered to open a day")
	}
	if p := b.post("/clinic/closed/open", "on", "2026-03-13", "part", "clinic"); p.status != http.StatusSeeOther {
		t.Errorf("open again: %d", p.status)
	}
	b.get("/clinic/closed").says(t, "No day is closed")
}

// A closing that is written badly is refused with what was written.
func TestBadClosings(t *testing.T) {
	t.Parallel()
	c := open(t)
	b := c.as(triage.Lead)
	for name, form := range map[string][]string{
		"no day":      {"part", "clinic", "why", "storm"},
		"yesterday":   {"from", "2026-03-01", "part", "clinic", "why", "storm"},
		"turned":      {"from", "2026-03-12", "to", "2026-03-11", "part", "clinic", "why", "storm"},
		"too long":    {"from", "2026-03-12", "to", "2026-04-12", "part", "clinic", "why", "storm"},
		"no part":     {"from", "2026-03-12", "part", "roof", "why", "storm"},
		"no reason":   {"from", "2026-03-12", "part", "clinic", "why", "  "},
		"long reason": {"from", "2026-03-12", "part", "clinic", "why", strings.Repeat("x", 201)},
		"a Sunday":    {"from", "2026-03-15", "part", "clinic", "why", "storm"},
		"no date":     {"from", "soon", "part", "clinic", "why", "storm"},
	} {
		if p := b.post("/clinic/closed/look", form...); p.status != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d", name, p.status)
		}
	}
	if p := b.post("/clinic/closed/open", "on", "2026-03-12", "part", "clinic"); p.status != http.StatusUnprocessableEntity {
		t.Errorf("opening an open day: %d", p.status)
	}
}
