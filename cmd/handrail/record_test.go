package main

import (
	"context"
	"encoding/csv"
	"strings"
	"testing"

	"handrail.example/reminders"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// on opens the premises' store as the program does, beside it.
func (p *premises) on(f func(ctx context.Context, a *app, tx *store.Tx) error) {
	p.t.Helper()
	a, err := openQuiet(context.Background(), p.config, env{getenv: p.getenv, stderr: &lockedBuffer{}})
	if err != nil {
		p.t.Fatal(err)
	}
	defer a.db.Close()
	if err := a.db.Within(context.Background(), func(ctx context.Context, tx *store.Tx) error { return f(ctx, a, tx) }); err != nil {
		p.t.Fatal(err)
	}
}

// takesOn takes on an administrator and P-105 with some rows on record about her.
func (p *premises) takesOn(notes ...string) {
	p.t.Helper()
	if out := p.run(context.Background(), "staff", "add", "--config", p.config, "--handle", "orrel", "--name", "Tamsin Orrel", "--role", "lead"); out.code != 0 {
		p.t.Fatal(out)
	}
	p.on(func(ctx context.Context, a *app, tx *store.Tx) error {
		who, err := a.enrol(ctx, tx, reminders.NewPatient{Handle: "P-105", Name: "Citlali Vern", Language: "es"}, 105)
		if err != nil {
			return err
		}
		by, err := a.desk.StaffByHandle(ctx, tx, "orrel")
		by.From = triage.Origin{Place: triage.AtDesk, Ref: 3, Address: []byte("an address")}
		for _, note := range notes {
			if err == nil {
				err = a.desk.Did(ctx, tx, by, triage.AnswerCase, triage.Ref{Patient: who.ID, Person: who.Person}, note)
			}
		}
		return err
	})
}

func TestAuditByPatient(t *testing.T) {
	t.Parallel()
	p := newPremises(t, polling)
	p.takesOn("come in\nat ten", `=HYPERLINK("http://x")`)
	ask := func(args ...string) string {
		out := p.run(t.Context(), append([]string{"audit", "--config", p.config}, args...)...)
		if out.code != 0 {
			t.Fatalf("%+v", out)
		}
		return out.stdout
	}
	lines := strings.Split(strings.TrimSpace(ask("--of", "p-105")), "\n")
	if len(lines) != 3 || !strings.Contains(lines[1], "orrel · answer_case · P-105 · - · - · desk 3 · 616e2061 · come in at ten") {
		t.Errorf("%q", lines)
	}
	// That it was looked at is a row of its own.
	cells, err := csv.NewReader(strings.NewReader(ask("--of", "P-105", "--as", "csv"))).ReadAll()
	if err != nil || len(cells) != 4 {
		t.Fatalf("%q: %v", cells, err)
	}
	if got := cells[2][9]; got != `'=HYPERLINK("http://x")` {
		t.Errorf("a spreadsheet takes %q for a formula", got)
	}
	if last := cells[3]; last[2] != "(server)" || last[3] != "see_record" || last[7] != "command" || !strings.Contains(last[9], "the record of P-105; by the account ") {
		t.Errorf("%q", last)
	}
}

func TestAuditByPeriod(t *testing.T) {
	t.Parallel()
	p := newPremises(t, polling)
	p.takesOn("a note")
	out := p.run(t.Context(), "audit", "--config", p.config, "--from", "2020-01-01", "--to", "2099-12-31")
	for _, want := range []string{"change_staff", "added orrel; by the account", "answer_case", "a note"} {
		if !strings.Contains(out.stdout, want) {
			t.Errorf("%q is not in it:\n%s%s", want, out.stdout, out.stderr)
		}
	}
	if out := p.run(t.Context(), "audit", "--config", p.config, "--from", "2020-01-01", "--to", "2020-12-31"); out.code != 0 || strings.Count(out.stdout, "\n") != 1 {
		t.Errorf("%+v", out)
	}
	for _, c := range []struct{ args, says string }{
		{"", "name a patient"}, {"--of P-105 --from 2020-01-01 --to 2020-01-02", "name a patient"}, {"--from 2020-01-01", "both of them"},
		{"--from 2020-01-02 --to 2020-01-01", "lies before"}, {"--of P-9", "nobody has the handle P-9"}, {"--of P-105 --as xml", "is not known"},
	} {
		p.refusedOutcome(p.run(t.Context(), append([]string{"audit", "--config", p.config}, strings.Fields(c.args)...)...), 2, c.says)
	}
}

// An erased patient's record keeps its shape.
func TestAuditOfAnErasedPatient(t *testing.T) {
	t.Parallel()
	p := newPremises(t, polling)
	p.takesOn("words to her")
	p.on(func(ctx context.Context, a *app, tx *store.Tx) error {
		var who seal.Person
		if err := tx.Get(ctx, &who, `SELECT person_id FROM patients WHERE handle = 'P-105'`); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `UPDATE people SET wrapped = NULL, chat = NULL, chat_hash = NULL, erased_at = ? WHERE id = ?`, store.At(tx.Now), who)
		return err
	})
	out := p.run(t.Context(), "audit", "--config", p.config, "--of", "P-105")
	if out.code != 0 || !strings.Contains(out.stdout, "answer_case · P-105") || strings.Contains(out.stdout, "words to her") {
		t.Errorf("%+v", out)
	}
}
