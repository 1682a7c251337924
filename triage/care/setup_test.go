package care_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"sync"
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
)

// ward is a clinic with two coordinators, a reader and an administrator, and one
// enrolled patient on cycle day 11.
type ward struct {
	t                            *testing.T
	file                         string
	clk                          *clock.Virtual
	db                           *store.DB
	book                         *reminders.Book
	desk                         *triage.Desk
	care                         *care.Care
	quoy, orrel, reader, officer triage.Staff
	patient                      reminders.Patient
	mu                           sync.Mutex
	sent                         map[string][]string // texts by chat
}

var zone = plan.DefaultPolicy().Location()

func at(day, hour, minute int) time.Time { return time.Date(2026, 3, day, hour, minute, 0, 0, zone) }

func open(t *testing.T) *ward {
	t.Helper()
	w := &ward{t: t, file: filepath.Join(t.TempDir(), "handrail.sqlite"), clk: clock.NewVirtual(at(11, 9, 0)), sent: make(map[string][]string)}
	db, err := store.Open(t.Context(), w.file, store.Relaxed, w.clk)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	vault, err := seal.NewVault(make([]byte, seal.KeySize))
	if err != nil {
		t.Fatal(err)
	}
	var bell clock.Bell
	box, phrases, policy := outbox.New(vault, &bell), phrase.MustLoad(), plan.DefaultPolicy()
	w.db = db
	w.desk = &triage.Desk{Vault: vault, Outbox: box, Phrases: phrases, Policy: triage.Policy{Zone: zone, CodeValid: time.Hour,
		Climb:  triage.Waits{Emergency: 5 * time.Minute, SameDay: 30 * time.Minute, Routine: 4 * time.Hour},
		Close:  triage.Waits{Emergency: time.Hour, SameDay: 4 * time.Hour, Routine: 9 * time.Hour},
		Remind: triage.Reminding{Slower: 2, AtMost: 27 * time.Hour, LeadFrom: 2, LeadFromAnswered: 4}, Again: 10 * time.Minute}}
	w.book = &reminders.Book{Vault: vault, Outbox: box, Policy: policy,
		Say: func(lang string, neutral bool, key string, args map[string]string) string {
			if neutral && phrases.Has(key+".neutral") {
				key += ".neutral"
			}
			return phrases.Say(lang, key, args)
		},
		Day:     func(lang string, d civil.Date) string { return phrase.Day(lang, d.Year, d.Month, d.Day) },
		Clock:   func(lang string, c civil.TimeOfDay) string { return phrase.Clock(lang, int(c)/60, int(c)%60) },
		Picture: func(reminders.Patient, plan.Plan, time.Time) *outbox.File { return nil },
		Concern: func(context.Context, *store.Tx, reminders.Concern) error { return nil },
		Untold: func(ctx context.Context, tx *store.Tx, p reminders.Patient) (bool, error) {
			live, err := w.desk.ForPerson(ctx, tx, p.Person)
			return slices.ContainsFunc(live, func(c triage.Case) bool { return c.Reason == triage.ResultToTell }), err
		}}
	w.desk.Who = care.Who(w.book)
	w.care = &care.Care{Book: w.book, Desk: w.desk}
	w.within(func(ctx context.Context, tx *store.Tx) error {
		if err := vault.Ready(ctx, tx); err != nil {
			return err
		}
		w.quoy, w.orrel = w.hire(ctx, tx, "quoy", triage.Coordinator), w.hire(ctx, tx, "orrel", triage.Lead)
		w.reader, w.officer = w.hire(ctx, tx, "reader", triage.Reader), w.hire(ctx, tx, "officer", triage.Administrator)
		w.patient = w.enrol(ctx, tx, "P-105")
		return nil
	})
	w.enters(plan.Fact{Kind: plan.PeriodStart, At: at(1, 8, 15)})
	w.enters(plan.Fact{Kind: plan.BaselineFound, On: civil.MustDate("2026-03-03"), Decision: plan.Start})
	return w
}

// again is the ward on a copy of its file, at the hour at which it opened. The ward
// itself must have been closed.
func (w *ward) again() *ward {
	w.t.Helper()
	from, err := os.ReadFile(w.file)
	if err != nil {
		w.t.Fatal(err)
	}
	file, err := os.CreateTemp(w.t.TempDir(), "*.sqlite")
	if err != nil {
		w.t.Fatal(err)
	}
	if _, err := file.Write(from); err != nil || file.Close() != nil {
		w.t.Fatal(err)
	}
	x := ward{t: w.t, book: w.book, desk: w.desk, care: w.care, quoy: w.quoy, orrel: w.orrel, reader: w.reader, officer: w.officer, patient: w.patient}
	x.clk, x.file, x.sent = clock.NewVirtual(at(11, 9, 0)), file.Name(), make(map[string][]string)
	if x.db, err = store.Open(w.t.Context(), x.file, store.Relaxed, x.clk); err != nil {
		w.t.Fatal(err)
	}
	return &x
}

func (w *ward) within(f func(ctx context.Context, tx *store.Tx) error) {
	w.t.Helper()
	if err := w.db.Within(w.t.Context(), f); err != nil {
		w.t.Fatal(err)
	}
}

func (w *ward) hire(ctx context.Context, tx *store.Tx, handle string, r triage.Role) triage.Staff {
	w.t.Helper()
	s, code, err := w.desk.AddStaff(ctx, tx, triage.Newcomer{Handle: handle, Name: handle, Role: r, Languages: []string{"en"}})
	if err == nil {
		_, _, err = w.desk.Join(ctx, tx, code, handle)
	}
	if err != nil {
		w.t.Fatal(err)
	}
	return s
}

func (w *ward) enrol(ctx context.Context, tx *store.Tx, handle string) reminders.Patient {
	w.t.Helper()
	inv, err := w.care.AddPatient(ctx, tx, w.quoy, reminders.NewPatient{Handle: handle, Name: "Citlali Vern", Language: "en"})
	if err == nil {
		_, err = w.book.Redeem(ctx, tx, inv.Code, handle)
	}
	if err == nil {
		err = w.book.Agree(ctx, tx, inv.Patient.ID, "1")
	}
	for item := range w.book.Policy.Readiness {
		if err == nil {
			err = w.care.SetCheck(ctx, tx, w.quoy, inv.Patient.ID, item, civil.MustDate("2026-02-20"))
		}
	}
	if err != nil {
		w.t.Fatal(err)
	}
	p, err := w.book.Patient(ctx, tx, inv.Patient.ID)
	if err != nil {
		w.t.Fatal(err)
	}
	return p
}

// enters saves a fact as Quoy.
func (w *ward) enters(f plan.Fact) care.Preview {
	w.t.Helper()
	v, err := w.tries(w.quoy, f)
	if err != nil {
		w.t.Fatalf("%s: %v", f.Kind, err)
	}
	return v
}

// tries saves a fact as somebody and returns what came of it; what was refused is
// undone.
func (w *ward) tries(who triage.Staff, f plan.Fact) (v care.Preview, err error) {
	err = w.db.Within(w.t.Context(), func(ctx context.Context, tx *store.Tx) error {
		v, err = w.care.Enter(ctx, tx, who, w.patient.ID, f, 1)
		return err
	})
	return v, err
}

func (w *ward) chart() (ch care.Chart) {
	w.t.Helper()
	w.within(func(ctx context.Context, tx *store.Tx) (err error) {
		ch, err = w.care.Chart(ctx, tx, w.quoy, w.patient.ID)
		return err
	})
	return ch
}

// Send notes what goes out.
func (w *ward) Send(_ context.Context, e outbox.Envelope) outbox.Outcome {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.sent[e.Chat] = append(w.sent[e.Chat], e.Message.Text)
	return outbox.Outcome{Fate: outbox.Sent, External: "1"}
}

// settle lets everything that is due go out, and returns what the patient read.
func (w *ward) settle() []string {
	w.t.Helper()
	ctx, cancel := context.WithCancel(w.t.Context())
	done := make(chan struct{})
	release := w.clk.Hold()
	go func() {
		defer close(done)
		defer release()
		(&outbox.Dispatcher{DB: w.db, Vault: w.desk.Vault, Outbox: w.desk.Outbox, Sender: w, OnTrouble: w.desk.Trouble,
			Tasks:  map[string]outbox.TaskFunc{"case.climb": quiet, "case.held": quiet, "reminders.replan": quiet, "reminders.open_end": quiet, "reminders.dose_unanswered": quiet, "reminders.read_back": quiet},
			Report: func(err error) { w.t.Error(err) }}).Run(ctx, w.clk)
	}()
	if err := w.clk.Advance(ctx, w.clk.Now().Add(time.Minute)); err != nil {
		w.t.Fatal(err)
	}
	cancel()
	<-done
	read := w.sent["P-105"]
	delete(w.sent, "P-105")
	return read
}

func quiet(context.Context, *store.Tx, []byte) error { return nil }

func refusedAs(err error, key string) bool {
	var r *triage.Refused
	return errors.As(err, &r) && r.Key == key
}
