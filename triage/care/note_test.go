package care_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/care"
	"handrail.example/triage/rules"
)

// A contact as it goes into her chart: every time, her words, who did what, what she
// read back, and nothing else.
func TestNoteOfAContact(t *testing.T) {
	t.Parallel()
	w := open(t)
	later := func(d time.Duration) {
		if err := w.clk.Advance(t.Context(), w.clk.Now().Add(d)); err != nil {
			t.Fatal(err)
		}
	}
	var cs triage.Case
	w.within(func(ctx context.Context, tx *store.Tx) (err error) {
		cs, err = w.desk.Open(ctx, tx, triage.Opening{Key: "inbox/9", Person: w.patient.Person, Reason: triage.Question, Urgency: rules.SameDay, Words: "may I swim?\nand fly?", CautionKey: "bleeding"})
		return err
	})
	later(10 * time.Minute)
	w.within(func(ctx context.Context, tx *store.Tx) error {
		_, err := w.desk.Answer(ctx, tx, w.quoy, cs.ID, "Not today.", "inbox/10")
		return err
	})
	w.enters(plan.Fact{Kind: plan.OrderGiven, Drug: "progesterone", Product: "insert", Route: "vaginal", Dose: 100, Unit: "mg", Times: []civil.TimeOfDay{civil.MustTime("08:00")},
		From: civil.MustDate("2026-03-14"), Stop: plan.Stop{UntilOrder: true}, Prescriber: "Dr. Petronel Ashgrove"})
	later(5 * time.Minute)
	w.within(func(ctx context.Context, tx *store.Tx) error {
		cycle, err := w.book.Cycle(ctx, tx, w.patient.ID)
		if err != nil {
			return err
		}
		f, _ := cycle.Live(plan.OrderGiven)
		return w.book.AnswerReadBack(ctx, tx, w.patient.ID, f.Number, reminders.SaidRight, w.patient.Person)
	})
	later(5 * time.Minute)
	w.within(func(ctx context.Context, tx *store.Tx) error {
		_, err := w.desk.Close(ctx, tx, w.quoy, cs.ID, triage.Answered)
		return err
	})
	note := func(who triage.Staff, lang string) (text string, err error) {
		err = w.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
			text, err = w.care.Note(ctx, tx, who, care.Words{Desk: w.desk, Lang: lang, Zone: zone}, cs.ID)
			return err
		})
		return text, err
	}
	text, err := note(w.quoy, "en")
	if err != nil {
		t.Fatal(err)
	}
	at := 0
	for _, want := range []string{"P-105 Citlali Vern", "2026-03-11 09:00  Patient wrote: “may I swim?\nand fly?”", "2026-03-11 09:00  Shown to her at once: “", "2026-03-11 09:10  quoy took it in hand.",
		"2026-03-11 09:10  quoy answered: “Not today.”", "2026-03-11 09:10  quoy entered: order, progesterone 100 mg vaginal", "2026-03-11 09:15  Read back by the patient, rightly: order, progesterone", "2026-03-11 09:20  quoy closed it: "} {
		next := strings.Index(text[at:], want)
		if next < 0 {
			t.Fatalf("%q is not there, or not in its place:\n%s", want, text)
		}
		at += next
	}
	if spanish, err := note(w.quoy, "es"); err != nil || !strings.Contains(spanish, "La paciente escribió: “may I swim?") {
		t.Errorf("in Spanish: %v\n%s", err, spanish)
	}
	if _, err := note(w.reader, "en"); !refusedAs(err, "role") {
		t.Errorf("a reader takes it out: %v", err)
	}
	w.within(func(ctx context.Context, tx *store.Tx) error {
		all, err := w.care.Notes(ctx, tx, w.orrel, care.Words{Desk: w.desk, Lang: "en", Zone: zone}, w.patient.ID)
		if len(all) != 1 || all[0] != text {
			t.Errorf("the notes of her cycle: %q", all)
		}
		deeds, _ := w.desk.Deeds(ctx, tx, w.patient.ID)
		n := 0
		for _, d := range deeds {
			if d.Action == triage.Export {
				n++
			}
		}
		if n != 3 {
			t.Errorf("%d on record, want 3", n)
		}
		return err
	})
}
