package dialog

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
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

// practice is the whole conversation on a store, without a chat platform: what
// people do comes in as it stands, what goes out is kept.
type practice struct {
	*letterbox
	t       testing.TB
	service *Service
	out     *outbox.Dispatcher
	mu      sync.Mutex
	got     map[string][]outbox.Envelope // by chat
	codes   map[string]string            // by handle
}

func newPractice(t testing.TB) *practice {
	t.Helper()
	p := &practice{letterbox: newLetterbox(t), t: t, got: make(map[string][]outbox.Envelope), codes: make(map[string]string)}
	words := phrase.MustLoad()
	box := outbox.New(p.vault, &clock.Bell{})
	policy := plan.DefaultPolicy()
	desk := &triage.Desk{Vault: p.vault, Outbox: box, Phrases: words, Policy: triage.Policy{Zone: policy.Location(), CodeValid: time.Hour,
		Climb:  triage.Waits{Emergency: 5 * time.Minute, SameDay: 30 * time.Minute, Routine: 4 * time.Hour},
		Close:  triage.Waits{Emergency: time.Hour, SameDay: 4 * time.Hour, Routine: 9 * time.Hour},
		Remind: triage.Reminding{Slower: 2, AtMost: 27 * time.Hour, LeadFrom: 2, LeadFromAnswered: 4}, Again: 10 * time.Minute, Morning: civil.MustTime("07:30")}}
	book := &reminders.Book{Vault: p.vault, Outbox: box, Policy: policy,
		Say: func(lang string, _ bool, key string, args map[string]string) string {
			return words.Say(lang, key, args)
		},
		Day:   func(lang string, d civil.Date) string { return phrase.Day(lang, d.Year, d.Month, d.Day) },
		Clock: func(lang string, c civil.TimeOfDay) string { return phrase.Clock(lang, int(c)/60, int(c)%60) },
		Picture: func(p reminders.Patient, pl plan.Plan, now time.Time) *outbox.File {
			return MonthFile(phrase.MustLoad(), p, pl, now)
		},
		Untold:  func(context.Context, *store.Tx, reminders.Patient) (bool, error) { return false, nil },
		Concern: func(context.Context, *store.Tx, reminders.Concern) error { return nil },
	}
	desk.Who = care.Who(book)
	p.service = &Service{Vault: p.vault, Outbox: box, Book: book, Desk: desk, Phrases: words, Policy: policy,
		Decode: func(_ Item, raw []byte) (Inbound, error) {
			var in Inbound
			return in, json.Unmarshal(raw, &in)
		}}
	p.service.Staff = (&Staffroom{Service: p.service, Care: &care.Care{Book: book, Desk: desk}}).Receive
	p.worker.Handle, p.worker.Park = p.service.Handle, p.service.Park
	p.out = &outbox.Dispatcher{DB: p.db, Vault: p.vault, Outbox: box, Sender: p,
		Tasks:     desk.Tasks(),
		OnTrouble: func(context.Context, *store.Tx, outbox.Trouble) error { return nil },
		Report:    func(err error) { p.reports = append(p.reports, err.Error()) }}
	maps.Copy(p.out.Tasks, book.Tasks())
	t.Cleanup(func() {
		if len(p.reports) > 0 {
			t.Errorf("reported: %q", p.reports)
		}
	})
	return p
}

// Send keeps what goes out.
func (p *practice) Send(_ context.Context, e outbox.Envelope) outbox.Outcome {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.got[e.Chat] = append(p.got[e.Chat], e)
	return outbox.Outcome{Fate: outbox.Sent, External: fmt.Sprint(len(p.got[e.Chat]))}
}

func (p *practice) within(fn func(ctx context.Context, tx *store.Tx) error) {
	p.t.Helper()
	if err := p.db.Within(context.Background(), fn); err != nil {
		p.t.Fatal(err)
	}
}

// invite takes a patient in and draws her a code.
func (p *practice) invite(handle string) {
	p.t.Helper()
	p.within(func(ctx context.Context, tx *store.Tx) error {
		who, err := p.service.Book.AddPatient(ctx, tx, reminders.NewPatient{Handle: handle, Name: "Ina Wexford", Language: "en"})
		if err != nil {
			return err
		}
		for item := range p.service.Policy.Readiness {
			if err := p.service.Book.SetCheck(ctx, tx, who.ID, item, civil.MustDate("2026-02-01"), seal.House); err != nil {
				return err
			}
		}
		p.codes[handle], _, err = p.service.Book.Invite(ctx, tx, who.ID)
		return err
	})
}

// enrol invites somebody and has her agree, from a chat.
func (p *practice) enrol(handle, chat string) {
	p.t.Helper()
	p.invite(handle)
	p.says(chat, p.codes[handle])
	p.presses(chat, "consent/agree")
}

// does lets something come in from a chat and everything that follows happen.
// It returns what that chat was then sent.
func (p *practice) does(chat string, in Inbound) []outbox.Envelope {
	p.t.Helper()
	before := len(p.got[chat])
	p.ids++
	in.Source, in.Update, in.Chat, in.Sent = "test", fmt.Sprint(p.ids), chat, p.clock.Now()
	raw, err := json.Marshal(in)
	if err != nil {
		p.t.Fatal(err)
	}
	p.take(p.t, Arrival{ID: p.ids, Raw: raw, Chat: chat, Next: p.ids + 1})
	p.work(p.t)
	p.deliver()
	return p.got[chat][before:]
}

// deliver sends what is due, and waits out the platform's limits.
func (p *practice) deliver() {
	p.t.Helper()
	for range 100 {
		next, err := p.out.Tick(context.Background())
		if err != nil {
			p.t.Fatal(err)
		}
		switch {
		case next.IsZero() || next.After(p.clock.Now().Add(time.Minute)):
			return
		case next.After(p.clock.Now()):
			if err := p.clock.Advance(context.Background(), next); err != nil {
				p.t.Fatal(err)
			}
		}
	}
	p.t.Fatal("there is always more to send")
}

func (p *practice) says(chat, text string) []outbox.Envelope {
	p.t.Helper()
	return p.does(chat, Inbound{Kind: Text, Text: text, Language: "en"})
}

// token is that of the latest button with an action in a chat.
func (p *practice) token(chat, action string) string {
	p.t.Helper()
	for _, e := range slices.Backward(p.got[chat]) {
		for _, row := range e.Message.Buttons {
			for _, b := range row {
				if b.Action == action {
					return b.Token
				}
			}
		}
	}
	p.t.Fatalf("chat %s has no button for %s", chat, action)
	return ""
}

func (p *practice) presses(chat, action string) []outbox.Envelope {
	p.t.Helper()
	return p.pressesToken(chat, p.token(chat, action))
}

func (p *practice) pressesToken(chat, token string) []outbox.Envelope {
	p.t.Helper()
	return p.does(chat, Inbound{Kind: Press, Token: token, PressID: "press", Message: "1"})
}

// said is how the sentence under a key begins, up to its first gap.
func said(key string) string {
	head, _, _ := strings.Cut(phrase.MustLoad().Say("en", key, nil), "{")
	return head
}

// expect fails unless exactly one message came, and it begins as the sentence
// under key does; "" stands for none.
func expect(t testing.TB, got []outbox.Envelope, key string) {
	t.Helper()
	var texts []string
	for _, e := range got {
		if e.Message.Text != "" {
			texts = append(texts, e.Message.Text)
		}
	}
	switch {
	case key == "" && len(texts) == 0:
	case key == "" || len(texts) != 1 || !strings.HasPrefix(texts[0], said(key)):
		t.Errorf("got %q, want %q", texts, key)
	}
}

func (p *practice) count(query string, args ...any) (n int) {
	p.t.Helper()
	if err := p.db.Read(context.Background(), func(ctx context.Context, tx *store.Tx) error { return tx.Get(ctx, &n, query, args...) }); err != nil {
		p.t.Fatal(err)
	}
	return n
}

func TestAStrangerLearnsNothingAndChangesNothing(t *testing.T) {
	t.Parallel()
	p := newPractice(t)
	p.invite("P-201")
	rows := func() int {
		return p.count(`SELECT (SELECT count(*) FROM people) + (SELECT count(*) FROM cases) + (SELECT count(*) FROM facts) + (SELECT count(*) FROM conversations)`)
	}
	before := rows()
	expect(t, p.says("1", "hello, is P-201 a patient of yours?"), "stranger")
	expect(t, p.says("1", "hello?"), "")
	expect(t, p.does("1", Inbound{Kind: Media, Attachment: "photo"}), "")
	expect(t, p.says("1", "7K3M-Q9ZT"), "stranger.code_bad")
	expect(t, p.pressesToken("1", "a guessed token"), "")
	expect(t, p.does("1", Inbound{Kind: Left}), "")
	for range p.service.Policy.Enrolment.Attempts {
		p.says("1", "7K3M-Q9ZT")
	}
	expect(t, p.says("1", p.codes["P-201"]), "")
	if alarms := p.count(`SELECT count(*) FROM cases WHERE reason = 'codes'`); alarms != 1 || rows() != before+alarms {
		t.Errorf("%d rows came of it, %d alarms", rows()-before, alarms)
	}
	expect(t, p.says("2", p.codes["P-201"]), "consent")
}

func TestACodeEnrolsOnceAndAgreementCounts(t *testing.T) {
	t.Parallel()
	p := newPractice(t)
	p.invite("P-201")
	got := p.says("1", "/start "+strings.ToLower(p.codes["P-201"]))
	expect(t, got, "consent")
	expect(t, p.says("2", p.codes["P-201"]), "stranger.code_bad")
	if n := p.count(`SELECT count(*) FROM cycles`); n != 0 {
		t.Error("a cycle began before she agreed")
	}
	expect(t, p.presses("1", "consent/agree"), "enrolled")
	if n := p.count(`SELECT count(*) FROM cycles`); n != 1 {
		t.Errorf("%d cycles after she agreed", n)
	}
}

func TestAButtonCountsOnceAndForItsPersonOnly(t *testing.T) {
	t.Parallel()
	p := newPractice(t)
	p.enrol("P-201", "1")
	p.enrol("P-202", "2")
	p.says("1", "my period started this morning")
	yes := ""
	for _, row := range p.got["1"][len(p.got["1"])-1].Message.Buttons {
		for _, b := range row {
			if strings.HasPrefix(b.Action, "period/yes/") {
				yes = b.Token
			}
		}
	}
	facts := func() int { return p.count(`SELECT count(*) FROM facts`) }
	expect(t, p.pressesToken("2", yes), "button.unknown")
	expect(t, p.pressesToken("1", yes[:len(yes)-1]+"~"), "button.unknown")
	expect(t, p.pressesToken("1", ""), "button.unknown")
	if facts() != 0 {
		t.Fatal("somebody else's press, or a forged one, wrote a fact down")
	}
	if got := p.pressesToken("1", yes); len(got) == 0 || facts() != 1 {
		t.Fatalf("her own press wrote %d facts", facts())
	}
	expect(t, p.pressesToken("1", yes), "button.spent")
	expect(t, p.presses("1", "period/spotting"), "button.spent")
	if facts() != 1 {
		t.Error("a second press wrote again")
	}
	if n := p.count(`SELECT count(*) FROM cases WHERE reason = 'period_reported'`); n != 1 {
		t.Errorf("%d cases", n)
	}
}

func TestAPressIsAcknowledgedAndItsButtonsRetire(t *testing.T) {
	t.Parallel()
	p := newPractice(t)
	p.enrol("P-201", "1")
	got := p.does("1", Inbound{Kind: Press, Token: p.token("1", "menu/next"), PressID: "press 7", Message: "41"})
	if len(got) != 1 || got[0].Message.Ack != "press 7" || got[0].Message.Retire != "41" {
		t.Errorf("sent %+v", got)
	}
	got = p.does("1", Inbound{Kind: Press, Token: "a guess", PressID: "press 8", Message: "41"})
	if len(got) != 1 || got[0].Message.Ack != "press 8" || got[0].Message.Retire != "" {
		t.Errorf("a guess is acknowledged, and takes no buttons away: %+v", got)
	}
}

// What was asked is remembered between messages, for her alone.
func TestAConversationGoesOnAfterAQuestion(t *testing.T) {
	t.Parallel()
	p := newPractice(t)
	p.enrol("P-201", "1")
	p.enrol("P-202", "2")
	expect(t, p.says("1", "my period started this morning"), "period.ask")
	p.says("2", "yes")
	if n := p.count(`SELECT count(*) FROM facts`); n != 0 {
		t.Fatal("somebody else's yes answered her question")
	}
	p.says("1", "yes")
	if n := p.count(`SELECT count(*) FROM facts`); n != 1 {
		t.Fatal("her yes did not answer her question")
	}
}

func TestConversationsAreKeptAndSealed(t *testing.T) {
	t.Parallel()
	p := newPractice(t)
	p.enrol("P-201", "1")
	want := Conversation{Asking: Question{Topic: AskGiven, About: "canary", At: on(2, "09:00").UTC()},
		Cautions: map[string]time.Time{"emergency": on(2, "08:00").UTC()}, Form: json.RawMessage(`{"a":1}`)}
	p.within(func(ctx context.Context, tx *store.Tx) error {
		who, _, err := p.vault.Find(ctx, tx, "1")
		if err != nil {
			return err
		}
		if none, err := loadConversation(ctx, tx, p.vault, seal.House); err != nil || none.Asking != (Question{}) {
			t.Errorf("of nobody is remembered %+v, %v", none, err)
		}
		for range 2 { // saved anew in place
			if err := saveConversation(ctx, tx, p.vault, who, want); err != nil {
				return err
			}
		}
		got, err := loadConversation(ctx, tx, p.vault, who)
		if err != nil {
			return err
		}
		if got.Asking != want.Asking || !got.Cautions["emergency"].Equal(want.Cautions["emergency"]) || string(got.Form) != string(want.Form) {
			t.Errorf("kept %+v, want %+v", got, want)
		}
		var body []byte
		if err := tx.Get(ctx, &body, `SELECT body FROM conversations WHERE person_id = ?`, who); err != nil {
			return err
		}
		if strings.Contains(string(body), "canary") {
			t.Error("it lies there in the clear")
		}
		return nil
	})
}

// An emergency gets its caution and its case in one commit, ahead of all else,
// even from somebody who has not agreed yet, has opted out or is hushed.
func TestAnEmergencyIsHeardFromEverybody(t *testing.T) {
	t.Parallel()
	for name, prepare := range map[string]func(p *practice){
		"enrolled": func(p *practice) { p.enrol("P-201", "1") },
		"invited": func(p *practice) {
			p.invite("P-201")
			p.says("1", p.codes["P-201"])
		},
		"opted out": func(p *practice) {
			p.enrol("P-201", "1")
			p.says("1", "stop")
		},
		"hushed": func(p *practice) {
			p.enrol("P-201", "1")
			p.within(func(ctx context.Context, tx *store.Tx) error { return p.service.Book.Hush(ctx, tx, 1, true) })
		},
		"asked something": func(p *practice) {
			p.enrol("P-201", "1")
			p.says("1", "my period started this morning")
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p := newPractice(t)
			prepare(p)
			got := p.says("1", "I can't breathe and my chest hurts")
			if len(got) == 0 || !strings.Contains(got[0].Message.Text, p.service.Policy.Clinic.EmergencyNumber) {
				t.Errorf("the first thing that she reads is not the caution: %+v", got)
			}
			if n := p.count(`SELECT count(*) FROM cases WHERE urgency = 'emergency' AND state = 'open'`); n != 1 {
				t.Errorf("%d emergency cases", n)
			}
		})
	}
}

// What belongs to no person, or to nothing that is known, is let by.
func TestWhatNobodySaidIsLetBy(t *testing.T) {
	t.Parallel()
	p := newPractice(t)
	p.enrol("P-201", "1")
	cases := p.count(`SELECT count(*) FROM cases`)
	expect(t, p.does("1", Inbound{Kind: Ignored}), "")
	expect(t, p.does("1", Inbound{Kind: "a kind of tomorrow"}), "")
	if got := p.count(`SELECT count(*) FROM cases`); got != cases {
		t.Errorf("%d cases came of it", got-cases)
	}
	if got := p.states(t)["handled"]; got != int(p.ids) {
		t.Errorf("%d of %d handled", got, p.ids)
	}
}

// A message that cannot be handled is before a human, and she knows it.
func TestAParkedMessageIsBeforeAHuman(t *testing.T) {
	t.Parallel()
	p := newPractice(t)
	p.enrol("P-201", "1")
	before := len(p.got["1"])
	p.ids++
	p.take(t, Arrival{ID: p.ids, Raw: []byte(`{"Kind":`), Chat: "1", Next: p.ids + 1})
	p.work(t)
	p.deliver()
	expect(t, p.got["1"][before:], "reply.stuck")
	if n := p.count(`SELECT count(*) FROM cases WHERE reason = 'unread' AND patient_id IS NOT NULL AND page_now = 1`); n != 1 {
		t.Errorf("%d cases", n)
	}
	if len(p.reports) != 3 {
		t.Errorf("reports %q", p.reports)
	}
	p.reports = nil
}
