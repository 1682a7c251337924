package desk_test

import (
	"context"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/care"
	"handrail.example/triage/desk"
	"handrail.example/triage/rules"
)

// clinic is a clinic with one of the staff of each role and one enrolled patient on
// cycle day 11, and its desk over real HTTP.
type clinic struct {
	t       testing.TB
	clk     *clock.Virtual
	db      *store.DB
	care    *care.Care
	site    *desk.Site
	server  *httptest.Server
	staff   map[triage.Role]triage.Staff
	patient reminders.Patient
	faults  []error
}

var zone = plan.DefaultPolicy().Location()

func at(day, hour, minute int) time.Time { return time.Date(2026, 3, day, hour, minute, 0, 0, zone) }

func open(t testing.TB) *clinic {
	t.Helper()
	c := &clinic{t: t, clk: clock.NewVirtual(at(11, 9, 0)), staff: make(map[triage.Role]triage.Staff)}
	var err error
	if c.db, err = store.Open(t.Context(), filepath.Join(t.TempDir(), "handrail.sqlite"), store.Relaxed, c.clk); err != nil {
		t.Fatal(err)
	}
	vault, err := seal.NewVault(make([]byte, seal.KeySize))
	if err != nil {
		t.Fatal(err)
	}
	c.wire(vault)
	c.within(func(ctx context.Context, tx *store.Tx) error {
		if err := vault.Ready(ctx, tx); err != nil {
			return err
		}
		for _, role := range triage.Roles {
			c.staff[role] = c.hire(ctx, tx, string(role), role, "en")
		}
		c.patient = c.enrol(ctx, tx, "P-105", "Citlali Vern", "en")
		return nil
	})
	c.enters(plan.Fact{Kind: plan.PeriodStart, At: at(1, 8, 15)})
	c.enters(plan.Fact{Kind: plan.BaselineFound, On: civil.MustDate("2026-03-03"), Decision: plan.Start})
	var guests []string
	for _, s := range c.staff {
		guests = append(guests, s.Handle)
	}
	c.serve(desk.Parts{Guests: guests})
	t.Cleanup(func() {
		for _, err := range c.faults {
			t.Errorf("the desk reported: %v", err)
		}
		c.db.Close()
	})
	return c
}

func (c *clinic) wire(vault *seal.Vault) {
	var bell clock.Bell
	box, phrases, policy := outbox.New(vault, &bell), phrase.MustLoad(), plan.DefaultPolicy()
	queue := &triage.Desk{Vault: vault, Outbox: box, Phrases: phrases, Policy: triage.Policy{Zone: zone, CodeValid: time.Hour,
		Climb:  triage.Waits{Emergency: 5 * time.Minute, SameDay: 30 * time.Minute, Routine: 4 * time.Hour},
		Close:  triage.Waits{Emergency: time.Hour, SameDay: 4 * time.Hour, Routine: 9 * time.Hour},
		Remind: triage.Reminding{Slower: 2, AtMost: 27 * time.Hour, LeadFrom: 2, LeadFromAnswered: 4}, Again: 10 * time.Minute,
		Chat:   triage.Hours{Days: [7]bool{true, true, true, true, true, true, true}, From: civil.MustTime("07:00"), To: civil.MustTime("19:00")},
		Clinic: triage.Hours{Days: [7]bool{false, true, true, true, true, true, true}, From: civil.MustTime("07:00"), To: civil.MustTime("16:00")}}}
	book := &reminders.Book{Vault: vault, Outbox: box, Policy: policy,
		Say: func(lang string, _ bool, key string, args map[string]string) string {
			return phrases.Say(lang, key, args)
		},
		Day:     func(lang string, d civil.Date) string { return phrase.Day(lang, d.Year, d.Month, d.Day) },
		Clock:   func(lang string, t civil.TimeOfDay) string { return phrase.Clock(lang, int(t)/60, int(t)%60) },
		Picture: func(reminders.Patient, plan.Plan, time.Time) *outbox.File { return nil },
		Concern: func(context.Context, *store.Tx, reminders.Concern) error { return nil },
		Untold: func(ctx context.Context, tx *store.Tx, p reminders.Patient) (bool, error) {
			live, err := queue.ForPerson(ctx, tx, p.Person)
			return slices.ContainsFunc(live, func(c triage.Case) bool { return c.Reason == triage.ResultToTell }), err
		}}
	queue.Who = care.Who(book)
	c.care = &care.Care{Book: book, Desk: queue}
}

// serve makes the desk anew with some of its parts chosen.
func (c *clinic) serve(p desk.Parts) {
	c.t.Helper()
	if c.server != nil {
		c.server.CloseClientConnections()
	}
	p.DB, p.Care, p.Hold = c.db, c.care, c.clk.Hold
	p.Wait = func(ctx context.Context, d time.Duration) error { return c.clk.Linger(ctx, d, func() {}) }
	if p.PolicyText == nil {
		p.PolicyText = plan.DefaultPolicyYAML()
	}
	p.Report = func(err error) { c.faults = append(c.faults, err) }
	var err error
	if c.site, err = desk.New(p); err != nil {
		c.t.Fatal(err)
	}
	if c.server != nil {
		c.server.Close()
	}
	c.care.Desk.Changed = c.site.Changed
	if err := c.site.NotePolicy(c.t.Context()); err != nil {
		c.t.Fatal(err)
	}
	c.server = httptest.NewServer(c.site)
	c.t.Cleanup(c.server.Close)
	c.t.Cleanup(c.server.CloseClientConnections)
}

func (c *clinic) within(f func(ctx context.Context, tx *store.Tx) error) {
	c.t.Helper()
	if err := c.db.Within(c.t.Context(), f); err != nil {
		c.t.Fatal(err)
	}
}

func (c *clinic) hire(ctx context.Context, tx *store.Tx, handle string, r triage.Role, languages ...string) triage.Staff {
	c.t.Helper()
	s, code, err := c.care.Desk.AddStaff(ctx, tx, triage.Newcomer{Handle: handle, Name: strings.ToUpper(handle[:1]) + handle[1:] + " Invented", Role: r, Languages: languages})
	if err == nil {
		_, _, err = c.care.Desk.Join(ctx, tx, code, handle)
	}
	if err != nil {
		c.t.Fatal(err)
	}
	return s
}

func (c *clinic) enrol(ctx context.Context, tx *store.Tx, handle, name, lang string) reminders.Patient {
	c.t.Helper()
	by := c.staff[triage.Coordinator]
	inv, err := c.care.AddPatient(ctx, tx, by, reminders.NewPatient{Handle: handle, Name: name, Language: lang})
	if err == nil {
		_, err = c.care.Book.Redeem(ctx, tx, inv.Code, handle)
	}
	if err == nil {
		err = c.care.Book.Agree(ctx, tx, inv.Patient.ID, "1")
	}
	for item := range c.care.Book.Policy.Readiness {
		if err == nil {
			err = c.care.SetCheck(ctx, tx, by, inv.Patient.ID, item, civil.MustDate("2026-02-20"))
		}
	}
	if err != nil {
		c.t.Fatal(err)
	}
	p, err := c.care.Book.Patient(ctx, tx, inv.Patient.ID)
	if err != nil {
		c.t.Fatal(err)
	}
	return p
}

// enters saves a fact as the coordinator.
func (c *clinic) enters(f plan.Fact) (v care.Preview) {
	c.t.Helper()
	c.within(func(ctx context.Context, tx *store.Tx) (err error) {
		v, err = c.care.Enter(ctx, tx, c.staff[triage.Coordinator], c.patient.ID, f, 0)
		return err
	})
	return v
}

// opens puts something that the patient wrote before a person.
func (c *clinic) opens(key string, u rules.Urgency, words string, spans ...triage.Span) (cs triage.Case) {
	c.t.Helper()
	c.within(func(ctx context.Context, tx *store.Tx) (err error) {
		reason := triage.Question
		if u == rules.Emergency {
			reason = triage.Symptom
		}
		cs, err = c.care.Desk.Open(ctx, tx, triage.Opening{Key: key, Person: c.patient.Person, Reason: reason, Urgency: u, Words: words, Spans: spans})
		return err
	})
	return cs
}

// browser is somebody's browser; it does not follow redirects.
type browser struct {
	c    *clinic
	http *http.Client
}

func (c *clinic) browser() *browser {
	jar, err := cookiejar.New(nil)
	if err != nil {
		c.t.Fatal(err)
	}
	return &browser{c, &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

// as is a browser that one of the staff has signed in with.
func (c *clinic) as(role triage.Role) *browser {
	c.t.Helper()
	b := c.browser()
	if p := b.get("/guest/" + string(role)); p.status != http.StatusSeeOther {
		c.t.Fatalf("%s does not get in: %d", role, p.status)
	}
	return b
}

// page is what came back.
type page struct {
	status int
	body   string
	to     string
	header http.Header
}

func (p page) says(t testing.TB, all ...string) {
	t.Helper()
	for _, w := range all {
		if !strings.Contains(p.body, w) {
			t.Errorf("the page (%d) does not say %q:\n%s", p.status, w, p.body)
		}
	}
}

func (b *browser) do(method, path, body string, header ...string) page {
	b.c.t.Helper()
	req, err := http.NewRequest(method, b.c.server.URL+path, strings.NewReader(body))
	if err != nil {
		b.c.t.Fatal(err)
	}
	if method == http.MethodPost {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		req.Header.Set("Origin", b.c.server.URL)
	}
	for i := 0; i+1 < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	return b.sends(b.c.t, req)
}

func (b *browser) sends(t testing.TB, req *http.Request) page {
	t.Helper()
	res, err := b.http.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if res.Header.Get("Content-Type") == "text/event-stream" {
		return page{status: res.StatusCode, header: res.Header} // it goes on for as long as it is listened to
	}
	text, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return page{res.StatusCode, string(text), res.Header.Get("Location"), res.Header}
}

func (b *browser) get(path string, header ...string) page {
	b.c.t.Helper()
	return b.do(http.MethodGet, path, "", header...)
}

// post sends a form of names and values in turn.
func (b *browser) post(path string, pairs ...string) page {
	b.c.t.Helper()
	v := make(url.Values)
	for i := 0; i+1 < len(pairs); i += 2 {
		v.Add(pairs[i], pairs[i+1])
	}
	return b.do(http.MethodPost, path, v.Encode())
}
