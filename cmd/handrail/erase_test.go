package main

import (
	"bytes"
	"context"
	"encoding/json"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// newPlay is a conversation that a test goes on with in code.
func newPlay(t *testing.T) *play {
	return &play{t: t, chats: make(map[string]int64), codes: make(map[string]string), seen: make(map[int64]int), quiet: make(map[int]bool), level: slog.LevelWarn}
}

// aLife is a patient of whom there is something in every table.
const aLife = `begin 2026-03-10 10:00
staff orrel lead en,es "Tamsin Orrel"
staff ash administrator en "Petronel Ash"
on-call orrel 2026-03-10 07:00 2026-03-11 07:00
patient P-401 en ready plain "Hester Onslake"
patient P-402 en ready plain "Ruth Balmeric"
patient wim joins
earlier P-401 [{"fact":"period_start","at":"2026-03-05T08:00"},{"fact":"baseline","on":"2026-03-07","decision":"start"},{"fact":"allergy","on":"2026-03-07","allergen":"penicillin"},{"fact":"visit","step":"monitoring","at":"2026-03-16T07:20"}]
orrel: P-401 order letrozole 5 mg oral at 11:00 from 2026-03-10 for 5 days product letrozole 2.5 mg tablets by Ashgrove
orrel: save
orrel: P-401 link partner en calendar,doses Wim Onslake
wim writes her code
wim: does she have to fast? she is shy about it
P-401: is it normal to dream of lighthouses
orrel: patients
orrel: today
orrel: cases
orrel: take 3
orrel: answer 3 Lighthouses are for the next visit, Hester.
orrel: send
P-401: I feel faint and I am soaking a pad an hour
orrel: P-401
== +2h
`

// lived plays the life, in a clinic that keeps records for some years.
func lived(t *testing.T, years int) *play {
	p := newPlay(t)
	p.run(aLife)
	p.stage.policy.Records.KeepYears = years
	p.stage.book.Policy.Records.KeepYears = years
	return p
}

func (p *play) eraseNow(t *testing.T, x erasure) (said string, err error) {
	t.Helper()
	var out bytes.Buffer
	err = p.stage.explained(p.stage.eraseOf(t.Context(), x, env{stdout: &out, stderr: &out}))
	return out.String(), err
}

// The law first: what must be kept is kept, whoever asks; and nobody but an
// administrator who says it twice erases anybody.
func TestEraseRefuses(t *testing.T) {
	t.Parallel()
	p := lived(t, 30)
	file := filepath.Join(t.TempDir(), "records.txt")
	x := erasure{of: "P-401", by: "ash", file: file, confirm: "P-401"}
	refuses := func(what, want string, x erasure) {
		t.Helper()
		if said, err := p.eraseNow(t, x); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, said %q, want %q", what, err, said, want)
		}
	}
	refuses("too early", "must be kept until 2056-03-10", x)
	p.stage.book.Policy.Records.KeepYears = 0
	for what, c := range map[string]struct {
		want   string
		change func(x *erasure)
	}{
		"by a lead":      {"role", func(x *erasure) { x.by = "orrel" }},
		"by nobody":      {"--by", func(x *erasure) { x.by = "" }},
		"unconfirmed":    {"--confirm P-401", func(x *erasure) { x.confirm = "P-402" }},
		"of nobody":      {"no patient", func(x *erasure) { x.of = "P-999" }},
		"no such folder": {"cannot be written", func(x *erasure) { x.file = "/nowhere/at/all" }},
		"over a file":    {"cannot be written", func(x *erasure) { x.file = os.Args[0] }},
	} {
		y := x
		c.change(&y)
		refuses(what, c.want, y)
	}
	if _, err := os.Stat(file); err == nil {
		t.Error("a refusal left a file behind")
	}
}

// Erased: her records are written first, her key is gone, everything that reads goes on,
// and what comes from her chat is a stranger's.
func TestErase(t *testing.T) {
	t.Parallel()
	p := lived(t, 0)
	file := filepath.Join(t.TempDir(), "records.txt")
	before, err := p.stage.recordsOf(t.Context(), "P-401", "ash", "", false)
	if err != nil {
		t.Fatal(err)
	}
	said, err := p.eraseNow(t, erasure{of: "p-401", by: "ash", file: file, confirm: "P-401"})
	if err != nil || !strings.Contains(said, "plain text") || !strings.Contains(said, "has been erased") {
		t.Fatalf("%v: %s", err, said)
	}
	written, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the file has the mode %v, %v", info.Mode(), err)
	}
	if len(written) < len(before)*9/10 {
		t.Errorf("%d bytes were written, %d are held", len(written), len(before))
	}
	p.out.Reset()
	p.run(`P-401: hello? is my calendar there
wim: and hers?
orrel: P-401
orrel: P-401 facts
orrel: P-401 calendar
orrel: P-401 sheet
orrel: P-401 chart
orrel: P-401 links
orrel: P-401 code
orrel: P-401 hush
orrel: P-401 order letrozole 5 mg oral at 11:00 from 2026-03-10 for 5 days product letrozole 2.5 mg tablets by Ashgrove
orrel: P-401 check consents 2026-03-01
orrel: P-401 next cycle
orrel: P-401 finish discharged
orrel: patients
orrel: today
orrel: overdue
orrel: cases
orrel: show 1
orrel: show 2
orrel: close 2 phoned
orrel: answer 1 hello
ash: staff
== +25h
`)
	got := p.out.String()
	for _, gone := range []string{"Hester", "Onslake", "lighthouse", "penicillin", "letrozole 5 mg ("} {
		if strings.Contains(got, gone) {
			t.Errorf("after she was erased somebody reads %q:\n%s", gone, got)
		}
	}
	for _, stays := range []string{"-> P-401: This chat is only for patients", "-> wim: This chat is only for patients", "P-401", "P-402 Ruth Balmeric", "Erased: her key was destroyed", "She has been erased"} {
		if !strings.Contains(got, stays) {
			t.Errorf("%q is not there:\n%s", stays, got)
		}
	}
	if log := p.log.String(); log != "" {
		t.Errorf("the log says %s", log)
	}
	p.afterErasure(t)
	if _, err := p.eraseNow(t, erasure{of: "P-401", by: "ash", file: file + "2", confirm: "P-401"}); err == nil {
		t.Error("she was erased twice")
	}
	after, err := p.stage.recordsOf(t.Context(), "P-401", "ash", "en", false)
	if err != nil || bytes.Contains(after, []byte("Hester")) || !bytes.Contains(after, []byte("erased")) {
		t.Errorf("her records read now: %v\n%s", err, after)
	}
}

// afterErasure looks at what is left in the tables.
func (p *play) afterErasure(t *testing.T) {
	t.Helper()
	if err := p.stage.db.Read(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		for what, q := range map[string]string{
			"a key":                 `SELECT count(*) FROM people WHERE erased_at IS NOT NULL AND (wrapped IS NOT NULL OR chat IS NOT NULL)`,
			"a live case of hers":   `SELECT count(*) FROM cases WHERE patient_id = 1 AND state <> 'closed'`,
			"a queued message":      `SELECT count(*) FROM outbox o JOIN people p ON p.id = o.person_id OR p.id = o.sealed_for WHERE p.erased_at IS NOT NULL AND o.state IN ('queued', 'sending')`,
			"an open cycle":         `SELECT count(*) FROM cycles WHERE patient_id = 1 AND closed_at IS NULL`,
			"a live link":           `SELECT count(*) FROM links WHERE until_at IS NULL`,
			"a conversation":        `SELECT count(*) FROM conversations c JOIN people p ON p.id = c.person_id WHERE p.erased_at IS NOT NULL`,
			"a text of hers":        `SELECT count(*) FROM inbox i JOIN people p ON p.id = i.sealed_for WHERE p.erased_at IS NOT NULL AND raw IS NOT NULL`,
			"a list that names her": `SELECT count(*) FROM outbox o JOIN staff s ON s.person_id = o.person_id AND s.person_id = o.sealed_for WHERE length(o.body) > 0 AND o.settled_at < '2026-03-10T17:00'`,
		} {
			var n int
			if err := tx.Get(ctx, &n, q); err != nil {
				return err
			}
			if n != 0 {
				t.Errorf("%s is left (%d)", what, n)
			}
		}
		var erased int
		if err := tx.Get(ctx, &erased, `SELECT count(*) FROM people WHERE erased_at IS NOT NULL`); err != nil {
			return err
		}
		if erased != 2 {
			t.Errorf("%d people were erased, want her and the one who was linked to her alone", erased)
		}
		deeds, err := p.stage.desk.Deeds(ctx, tx, 1)
		if !slices.ContainsFunc(deeds, func(d triage.Deed) bool { return d.Action == triage.Erase }) {
			t.Error("nothing says that she was erased")
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
}

// Everything held about her is in what she is given, as text and as JSON; sealed it
// opens again, and without the key it does not.
func TestRecords(t *testing.T) {
	t.Parallel()
	p := lived(t, 30)
	text, err := p.stage.recordsOf(t.Context(), "P-401", "orrel", "", false)
	if err != nil {
		t.Fatal(err)
	}
	for _, held := range []string{"Hester Onslake", "penicillin", "letrozole", "Wim Onslake", "partner", "dream of lighthouses", "Lighthouses are for the next visit", "soaking a pad", "does she have to fast",
		"Tamsin Orrel", "see_patients", "2026-12", "trial_transfer", "emergency", "sent"} {
		if !bytes.Contains(text, []byte(held)) {
			t.Errorf("%q is not in her records", held)
		}
	}
	if bytes.Contains(text, []byte("Ruth")) {
		t.Error("another patient is in her records")
	}
	raw, err := p.stage.recordsOf(t.Context(), "P-401", "orrel", "", true)
	if err != nil {
		t.Fatal(err)
	}
	var parsed struct {
		Held []struct {
			Table string
			Rows  []map[string]any
		}
	}
	if err := json.Unmarshal(raw, &parsed); err != nil || len(parsed.Held) < 14 {
		t.Errorf("%d tables in JSON, %v", len(parsed.Held), err)
	}
	if es, err := p.stage.recordsOf(t.Context(), "P-401", "orrel", "es", false); err != nil || !bytes.Contains(es, []byte("Sus ciclos")) {
		t.Errorf("in Spanish: %v", err)
	}
	for by, want := range map[string]string{"": "--by", "nobody": "no_staff"} {
		if _, err := p.stage.recordsOf(t.Context(), "P-401", by, "", false); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("by %q: %v", by, err)
		}
	}
	file := filepath.Join(t.TempDir(), "sealed")
	var out bytes.Buffer
	if err := p.stage.writeRecords(file, text, true, &out); err != nil || !strings.Contains(out.String(), "sealed") {
		t.Fatalf("%v: %s", err, out.String())
	}
	if b, err := os.ReadFile(file); err != nil || bytes.Contains(b, []byte("Hester")) {
		t.Errorf("the sealed file can be read, or not at all: %v", err)
	}
	out.Reset()
	if err := p.stage.openRecords(file, &out); err != nil || !bytes.Equal(out.Bytes(), text) {
		t.Errorf("it opens as something else: %v", err)
	}
}
