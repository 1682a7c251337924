package main

import (
	"context"
	"testing"

	"handrail.example/reminders/store"
)

// What is kept for a time only is gone after it, what was removed is on record, and what
// belongs to a patient's record stays.
func TestPurge(t *testing.T) {
	t.Parallel()
	p := newPlay(t)
	p.run(`begin 2026-03-10 10:00
staff orrel lead en,es "Tamsin Orrel"
patient P-421 en ready plain "Hester Onslake"
patient stranger joins
stranger: hello there
P-421: did it start? I am not sure
orrel: patients
orrel: cases
orrel: close 1 phoned
`)
	count := func(q string) (n int) {
		t.Helper()
		if err := p.stage.db.Read(t.Context(), func(ctx context.Context, tx *store.Tx) error { return tx.Get(ctx, &n, q) }); err != nil {
			t.Fatal(err)
		}
		return n
	}
	const staffTexts = `SELECT count(*) FROM outbox o JOIN staff s ON s.person_id = o.person_id AND o.sealed_for = o.person_id WHERE length(o.body) > 0 AND o.settled_at < '2026-03-11'`
	if count(staffTexts) == 0 || count(`SELECT count(*) FROM inbox WHERE raw IS NOT NULL`) == 0 {
		t.Fatal("there is nothing to remove")
	}
	hers := count(`SELECT count(*) FROM outbox o JOIN patients p ON p.person_id = o.person_id WHERE length(o.body) > 0`)
	p.run("== 2026-04-20 10:00\n")
	for what, q := range map[string]string{
		"raw text":              `SELECT count(*) FROM inbox WHERE raw IS NOT NULL`,
		"text to staff":         staffTexts,
		"address of a stranger": `SELECT count(*) FROM outbox WHERE address IS NOT NULL`,
		"old conversation":      `SELECT count(*) FROM conversations WHERE updated_at < '2026-03-20'`,
		"code":                  `SELECT count(*) FROM enrolment_codes`,
	} {
		if n := count(q); n != 0 {
			t.Errorf("%s: %d are left", what, n)
		}
	}
	if n := count(`SELECT count(*) FROM outbox o JOIN patients p ON p.person_id = o.person_id WHERE length(o.body) > 0`); n < hers {
		t.Errorf("%d messages to her are left of %d", n, hers)
	}
	for what, least := range map[string]int{"raw texts of messages": 5, "texts of answers to staff": 3, "texts and addresses of answers to strangers": 1, "enrolment codes": 1} {
		if n := count(`SELECT coalesce(sum(removed), 0) FROM removals WHERE what = '` + what + `'`); n < least {
			t.Errorf("%s: %d are on record, want at least %d", what, n, least)
		}
	}
	if log := p.log.String(); log != "" {
		t.Errorf("the log says %s", log)
	}
}
