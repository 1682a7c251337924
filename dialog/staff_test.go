package dialog_test

import (
	"context"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"handrail.example/dialog"
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
	"handrail.example/triage/rules"
)

// room is the coordinators' chat of a clinic with one person of each role and
// two patients.
type room struct {
	t     testing.TB
	clk   *clock.Virtual
	db    *store.DB
	box   *outbox.Outbox
	vault *seal.Vault
	desk  *triage.Desk
	staff *dialog.Staffroom
	team  map[triage.Role]triage.Staff
	item  int64
	mu    sync.Mutex
	last  map[string]outbox.Envelope // what each chat saw last
}

func openRoom(t testing.TB) *room {
	t.Helper()
	policy := plan.DefaultPolicy()
	r := &room{t: t, clk: clock.NewVirtual(time.Date(2026, 3, 11, 9, 0, 0, 0, policy.Location())), team: make(map[triage.Role]triage.Staff), last: make(map[string]outbox.Envelope)}
	var err error
	if r.db, err = store.Open(t.Context(), filepath.Join(t.TempDir(), "handrail.sqlite"), store.Relaxed, r.clk); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.db.Close() })
	if r.vault, err = seal.NewVault(make([]byte, seal.KeySize)); err != nil {
		t.Fatal(err)
	}
	var bell clock.Bell
	phrases := phrase.MustLoad()
	r.box = outbox.New(r.vault, &bell)
	r.desk = &triage.Desk{Vault: r.vault, Outbox: r.box, Phrases: phrases, Policy: triage.Policy{Zone: policy.Location(), CodeValid: time.Hour,
		Climb:  triage.Waits{Emergency: 5 * time.Minute, SameDay: 30 * time.Minute, Routine: 4 * time.Hour},
		Close:  triage.Waits{Emergency: time.Hour, SameDay: 4 * time.Hour, Routine: 9 * time.Hour},
		Remind: triage.Reminding{Slower: 2, AtMost: 27 * time.Hour, LeadFrom: 2, LeadFromAnswered: 4}, Again: 10 * time.Minute}}
	book := &reminders.Book{Vault: r.vault, Outbox: r.box, Policy: policy,
		Say: func(lang string, _ bool, key string, args map[string]string) string {
			return phrases.Say(lang, key, args)
		},
		Day:   func(lang string, d civil.Date) string { return phrase.Day(lang, d.Year, d.Month, d.Day) },
		Clock: func(lang string, c civil.TimeOfDay) string { return phrase.Clock(lang, int(c)/60, int(c)%60) },
		Picture: func(p reminders.Patient, pl plan.Plan, now time.Time) *outbox.File {
			return dialog.MonthFile(phrase.MustLoad(), p, pl, now)
		},
		Concern: func(context.Context, *store.Tx, reminders.Concern) error { return nil },
		Untold:  func(context.Context, *store.Tx, reminders.Patient) (bool, error) { return false, nil }}
	r.desk.Who = care.Who(book)
	service := &dialog.Service{Vault: r.vault, Outbox: r.box, Book: book, Desk: r.desk, Phrases: phrases, Policy: policy}
	r.staff = &dialog.Staffroom{Service: service, Care: &care.Care{Book: book, Desk: r.desk}}
	r.within(r.fill)
	return r
}

func (r *room) within(f func(ctx context.Context, tx *store.Tx) error) {
	r.t.Helper()
	if err := r.db.Within(r.t.Context(), f); err != nil {
		r.t.Fatal(err)
	}
}

func (r *room) fill(ctx context.Context, tx *store.Tx) error {
	if err := r.vault.Ready(ctx, tx); err != nil {
		return err
	}
	for _, role := range triage.Roles {
		s, code, err := r.desk.AddStaff(ctx, tx, triage.Newcomer{Handle: string(role), Name: string(role), Role: role, Languages: []string{"en", "es"}})
		if err != nil {
			return err
		}
		if _, _, err := r.desk.Join(ctx, tx, code, string(role)); err != nil {
			return err
		}
		r.team[role] = s
	}
	for _, handle := range []string{"P-105", "P-106"} {
		inv, err := r.staff.Care.AddPatient(ctx, tx, r.team[triage.Lead], reminders.NewPatient{Handle: handle, Name: "Citlali Vern", Language: "es"})
		if err != nil {
			return err
		}
		p, err := r.staff.Service.Book.Redeem(ctx, tx, inv.Code, handle)
		if err != nil {
			return err
		}
		if err := r.staff.Service.Book.Agree(ctx, tx, p.ID, "1"); err != nil {
			return err
		}
		if _, err := r.desk.Open(ctx, tx, triage.Opening{Key: handle, Person: p.Person, Reason: triage.Symptom, Urgency: rules.SameDay, Words: "me duele"}); err != nil {
			return err
		}
	}
	return nil
}

// receive hands something of a colleague's to the room.
func (r *room) receive(who triage.Staff, in dialog.Inbound, pressed string) error {
	r.item++
	return r.db.Within(r.t.Context(), func(ctx context.Context, tx *store.Tx) error {
		return r.staff.Receive(ctx, tx, dialog.FromStaff{Who: who, Item: r.item, In: in, Pressed: pressed})
	})
}

// Send notes the last message of each chat.
func (r *room) Send(_ context.Context, e outbox.Envelope) outbox.Outcome {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.last[e.Chat] = e
	return outbox.Outcome{Fate: outbox.Sent, External: "1"}
}

// settle lets what is due go out.
func (r *room) settle() {
	r.t.Helper()
	d := &outbox.Dispatcher{DB: r.db, Vault: r.vault, Outbox: r.box, Sender: r, OnTrouble: r.desk.Trouble, Report: func(err error) { r.t.Error(err) },
		Tasks: r.desk.Tasks()}
	for _, run := range []string{"reminders.replan", "reminders.open_end", "reminders.dose_unanswered", "reminders.read_back"} {
		d.Tasks[run] = func(context.Context, *store.Tx, []byte) error { return nil }
	}
	ctx, cancel := context.WithCancel(r.t.Context())
	done := make(chan struct{})
	release := r.clk.Hold()
	go func() {
		defer close(done)
		defer release()
		d.Run(ctx, r.clk)
	}()
	if err := r.clk.Advance(ctx, r.clk.Now().Add(5*time.Second)); err != nil {
		r.t.Fatal(err)
	}
	cancel()
	<-done
}

// Whatever anybody of the staff writes or presses, in whatever order, is either
// done or refused in words: it never fails, and is always answered.
func TestWhateverStaffWriteIsAnswered(t *testing.T) {
	t.Parallel()
	book := phrase.MustLoad()
	var lines []string
	for _, key := range book.Keys() {
		if strings.HasPrefix(key, "example.") {
			for _, lang := range phrase.Languages {
				line, _, _ := strings.Cut(book.Say(lang, key, nil), " (")
				lines = append(lines, strings.ReplaceAll(line, "12", "1"))
			}
		}
	}
	lines = append(lines, "help", "ayuda", "cases", "today", "tomorrow", "overdue", "forecast", "previsión", "on call", "staff", "here", "patients", "save", "discard", "casos", "guardar",
		"take 1", "answer 1", "answer 2 hola", "hand 1", "hand 1 physician", "close 1", "close 2 phoned", "told 1 phoned", "verify 1", "show 99999999999999999999",
		"rota lead 2026-03-12 19:00 to 2026-03-13 07:00", "rota drop 1", "staff code reader", "staff leave reader", "staff add x", "P-105", "P-105 calendar", "P-105 facts", "P-999", "P-105 code",
		"P-105 hush", "P-105 lift", "P-105 next cycle", "", "   ", "{who} <b>", "/", "\x00\xff", strings.Repeat("P-105 scan right 16 ", 300))
	rapid.Check(t, func(rt *rapid.T) {
		r := openRoom(t)
		for range rapid.IntRange(1, 15).Draw(rt, "messages") {
			who := r.team[rapid.SampledFrom(triage.Roles).Draw(rt, "role")]
			line := rapid.OneOf(rapid.SampledFrom(lines), rapid.String()).Draw(rt, "line")
			delete(r.last, who.Handle)
			in, pressed := dialog.Inbound{Kind: dialog.Text, Text: line}, ""
			if shown := r.last[string(who.Role)+" buttons"]; len(shown.Message.Buttons) > 0 && rapid.Bool().Draw(rt, "press") {
				row := rapid.SampledFrom(shown.Message.Buttons).Draw(rt, "row")
				in, pressed = dialog.Inbound{Kind: dialog.Press, PressID: "1", Message: "1"}, rapid.SampledFrom(row).Draw(rt, "button").Action
			}
			if err := r.receive(who, in, pressed); err != nil {
				rt.Fatalf("%s writes %q, presses %q: %v", who.Role, line, pressed, err)
			}
			r.settle()
			seen, answered := r.last[who.Handle]
			if !answered {
				rt.Fatalf("%s writes %q, presses %q: no answer", who.Role, line, pressed)
			}
			if n := len([]rune(seen.Message.Text)); n > 8*4096 {
				rt.Fatalf("an answer of %d characters to %q", n, line)
			}
			r.last[string(who.Role)+" buttons"] = seen
		}
	})
}

// What one types while she writes an answer is shown to her before it is sent, and
// anything else that she does ends the writing; half an hour later it is for nobody.
func TestAnAnswerGoesOnlyWhereItWasMeant(t *testing.T) {
	t.Parallel()
	r := openRoom(t)
	lead := r.team[triage.Lead]
	writes := func(text string) string {
		t.Helper()
		delete(r.last, "P-105")
		if err := r.receive(lead, dialog.Inbound{Kind: dialog.Text, Text: text}, ""); err != nil {
			t.Fatal(err)
		}
		r.settle()
		return r.last["P-105"].Message.Text
	}
	for _, command := range []string{"cases", "P-106", "show 2"} {
		writes("answer 1")
		writes("take two of them tonight")
		if got := writes(command); got != "" {
			t.Errorf("%q reached the patient: %q", command, got)
		}
		if got := writes("send"); got != "" {
			t.Errorf("after %q something reached the patient: %q", command, got)
		}
	}
	writes("answer 1")
	if got := writes("take two of them tonight, as ordered"); got != "" {
		t.Errorf("it went out unseen: %q", got)
	}
	if got := writes("send"); !strings.Contains(got, "take two of them tonight, as ordered") {
		t.Errorf("her answer did not reach the patient: %q; she was told %q", got, r.last[lead.Handle].Message.Text)
	}
	if got := writes("see you tomorrow"); got != "" {
		t.Errorf("what came after the answer reached the patient: %q", got)
	}
	writes("answer 1")
	if err := r.clk.Advance(t.Context(), r.clk.Now().Add(31*time.Minute)); err != nil {
		t.Fatal(err)
	}
	if got := writes("see you tomorrow"); got != "" {
		t.Errorf("half an hour later it reached the patient: %q", got)
	}
}
