package reminders_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"handrail.example/reminders"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// linked is a clinic in which messages ask the links.
func linked(t *testing.T) *clinic {
	c := newClinic(t, plan.DefaultPolicy(), monday.At(9*60, plan.DefaultPolicy().Location()))
	c.sender.Reach = c.book.Reach
	return c
}

// link lets somebody be told of a patient; chat "" leaves it unproven.
func (c *clinic) link(t failer, p reminders.Patient, n reminders.NewLink, chat string) (l reminders.Link) {
	t.Helper()
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		_, code, _, err := c.book.AddLink(ctx, tx, p.ID, n)
		if err != nil || chat == "" {
			return err
		}
		l, err = c.book.RedeemLink(ctx, tx, code, chat)
		return err
	})
	return l
}

func (c *clinic) tell(t failer, to, about seal.Person, scope, text string) {
	t.Helper()
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		return c.book.Outbox.Put(ctx, tx, outbox.Want{Key: text, Topic: "test", Kind: outbox.Reply, To: to, About: about, Scope: scope, Message: outbox.Message{Text: text}})
	})
}

func (c *clinic) tick(t failer) {
	t.Helper()
	for range 50 {
		next, err := c.sender.Tick(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		if next.IsZero() || next.After(c.clock.Now()) {
			return
		}
	}
}

var partner = reminders.NewLink{Relation: reminders.Partner, Name: "Wim Onslake", Language: "en", What: []string{reminders.ShareCalendar}}

// Whoever has not proven the link, may not be told this, or no longer, gets nothing;
// the row is withdrawn and stays so.
func TestLinkIsAskedWhenAMessageGoesOut(t *testing.T) {
	t.Parallel()
	c := linked(t)
	p := c.enrol(t)
	l := c.link(t, p, partner, "900")
	c.tell(t, l.Person, p.Person, reminders.ShareCalendar, "covered")
	c.tell(t, l.Person, p.Person, reminders.ShareDoses, "another scope")
	c.tell(t, l.Person, p.Person, reminders.ShareCalendar+"+"+reminders.ShareResults, "half covered")
	c.tell(t, l.Person, l.Person, "", "of himself, who is no patient")
	c.tick(t)
	if got := c.sent["900"]; !slices.Equal(got, []string{"covered"}) {
		t.Errorf("he got %q", got)
	}
	c.tell(t, l.Person, p.Person, reminders.ShareCalendar, "queued before the end")
	c.within(t, func(ctx context.Context, tx *store.Tx) error { return c.book.EndLink(ctx, tx, l) })
	c.tell(t, l.Person, p.Person, "", "queued after the end")
	c.tick(t)
	if got := c.sent["900"]; len(got) != 1 {
		t.Errorf("after its end he got %q", got)
	}
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		var states []string
		if err := tx.Select(ctx, &states, `SELECT DISTINCT state FROM outbox WHERE person_id = ? AND state <> 'sent'`, l.Person); err != nil {
			return err
		}
		if !slices.Equal(states, []string{"withdrawn"}) {
			t.Errorf("what he may not be told is %q", states)
		}
		return nil
	})
}

// The code of a link: good once, from the chat of the one whom it is for.
func TestLinkCodes(t *testing.T) {
	t.Parallel()
	c := linked(t)
	p, q := c.enrol(t), c.enrol(t)
	var code string
	redeem := func(code, chat string) (l reminders.Link, err error) {
		werr := c.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
			l, err = c.book.RedeemLink(ctx, tx, code, chat)
			return err
		})
		return l, werr
	}
	add := func(p reminders.Patient, n reminders.NewLink) (l reminders.Link) {
		c.within(t, func(ctx context.Context, tx *store.Tx) (err error) {
			l, code, _, err = c.book.AddLink(ctx, tx, p.ID, n)
			return err
		})
		return l
	}
	l := add(p, partner)
	first := code
	if _, err := redeem("0000-0000", "900"); !errors.Is(err, reminders.ErrCode) {
		t.Errorf("a guess: %v", err)
	}
	if _, err := redeem(first, chatOf(p)); !errors.Is(err, reminders.ErrCode) {
		t.Errorf("from the patient's own chat: %v", err)
	}
	// A patient who holds the code is the one whom it was handed to: a couple.
	if _, err := redeem(first, chatOf(q)); err != nil {
		t.Errorf("from another patient's chat: %v", err)
	}
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		all, err := c.book.LinksTo(ctx, tx, q.Person)
		if len(all) != 1 || all[0].Patient != p.ID {
			t.Errorf("links of the other patient: %+v", all)
		}
		return err
	})
	if _, err := redeem(first, "900"); !errors.Is(err, reminders.ErrCode) {
		t.Errorf("a second time: %v", err)
	}
	// A new phone: the old chat gets nothing any more.
	l = c.link(t, p, reminders.NewLink{Relation: reminders.Family, Name: "Ada Onslake", Language: "es"}, "901")
	c.within(t, func(ctx context.Context, tx *store.Tx) (err error) {
		code, _, err = c.book.RenewLink(ctx, tx, l)
		return err
	})
	if _, err := redeem(code, "902"); err != nil {
		t.Errorf("from a new phone: %v", err)
	}
	c.tell(t, l.Person, p.Person, "", "where to?")
	c.tick(t)
	if len(c.sent["901"]) != 0 || len(c.sent["902"]) != 1 {
		t.Errorf("old phone %q, new phone %q", c.sent["901"], c.sent["902"])
	}
	// The code of a link never moves a patient's own chat, nor gives her one.
	r := reminders.Patient{}
	c.within(t, func(ctx context.Context, tx *store.Tx) (err error) {
		r, err = c.book.AddPatient(ctx, tx, reminders.NewPatient{Handle: "P-950", Name: "Ruth Balmeric", Language: "en"})
		return err
	})
	add(p, reminders.NewLink{Relation: reminders.Partner, Of: r})
	if _, err := redeem(code, "904"); !errors.Is(err, reminders.ErrCode) {
		t.Errorf("for a patient who has no chat: %v", err)
	}
	// One person, two patients.
	add(q, reminders.NewLink{Relation: reminders.EggSource, Name: "Ada Onslake", Language: "es"})
	if _, err := redeem(code, "902"); err != nil {
		t.Errorf("a second patient of hers: %v", err)
	}
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		all, err := c.book.LinksTo(ctx, tx, l.Person)
		if len(all) != 2 {
			t.Errorf("she has %d links, want 2", len(all))
		}
		return err
	})
	// Linked to nobody any more: her chat is free for a patient.
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		all, err := c.book.LinksTo(ctx, tx, l.Person)
		for _, one := range all {
			err = errors.Join(err, c.book.EndLink(ctx, tx, one))
		}
		return err
	})
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		own, _, err := c.book.Invite(ctx, tx, r.ID)
		if err == nil {
			_, err = c.book.Redeem(ctx, tx, own, "902")
		}
		return err
	})
	// Too late.
	add(p, reminders.NewLink{Relation: reminders.Carrier, Name: "Bea Finch", Language: "en"})
	if err := c.clock.Advance(t.Context(), c.clock.Now().Add(plan.DefaultPolicy().Enrolment.CodeValid+time.Minute)); err != nil {
		t.Fatal(err)
	}
	if _, err := redeem(code, "903"); !errors.Is(err, reminders.ErrCode) {
		t.Errorf("too late: %v", err)
	}
}

// One chat of two patients: each message says whose it is; the second one's end there
// when her account link ends, or when she has a chat of her own.
func TestSharedAccount(t *testing.T) {
	t.Parallel()
	c := linked(t)
	a := c.enrol(t)
	chat := chatOf(a)
	var b reminders.Patient
	c.within(t, func(ctx context.Context, tx *store.Tx) (err error) {
		b, err = c.book.AddPatient(ctx, tx, reminders.NewPatient{Handle: "P-900", Name: "Ruth Balmeric", Language: "es"})
		return err
	})
	var code string
	c.within(t, func(ctx context.Context, tx *store.Tx) (err error) {
		_, code, _, err = c.book.AddLink(ctx, tx, b.ID, reminders.NewLink{Relation: reminders.Account, Of: a})
		return err
	})
	if err := c.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		_, err := c.book.RedeemLink(ctx, tx, code, "999")
		return err
	}); !errors.Is(err, reminders.ErrCode) {
		t.Errorf("from another chat than hers: %v", err)
	}
	var l reminders.Link
	c.within(t, func(ctx context.Context, tx *store.Tx) (err error) {
		l, err = c.book.RedeemLink(ctx, tx, code, chat)
		return err
	})
	before := len(c.sent[chat])
	c.tell(t, a.Person, a.Person, "", "one")
	c.tell(t, b.Person, b.Person, "", "two")
	// An account is no leave to be told of her.
	c.tell(t, a.Person, b.Person, "", "three")
	c.tick(t)
	if got := slices.Sorted(slices.Values(c.sent[chat][before:])); !slices.Equal(got, []string{"For Ina Wexford:\none", "Para Ruth Balmeric:\ntwo"}) {
		t.Errorf("the chat got %q", got)
	}
	c.within(t, func(ctx context.Context, tx *store.Tx) error { return c.book.EndLink(ctx, tx, l) })
	c.tell(t, b.Person, b.Person, "", "four")
	c.tell(t, a.Person, a.Person, "", "five")
	c.tick(t)
	if got := c.sent[chat][before+2:]; !slices.Equal(got, []string{"five"}) {
		t.Errorf("after its end the chat got %q", got)
	}
}

// Over random sequences of beginning, ending and telling: what reaches a chat is what
// its person may be told at that instant, and nothing else.
func TestNothingWithoutALiveLink(t *testing.T) {
	t.Parallel()
	c := linked(t)
	patients := []reminders.Patient{c.enrol(t), c.enrol(t)}
	n := 0
	rapid.Check(t, func(r *rapid.T) {
		n++
		w := &knowing{c: c, patients: patients, chats: []string{fmt.Sprintf("7%d01", n), fmt.Sprintf("7%d02", n)}, live: make(map[tie]reminders.Link), people: make(map[string]seal.Person), n: &n}
		r.Repeat(map[string]func(*rapid.T){"": w.send, "begin": w.begin, "end": w.end, "tell": w.put})
	})
}

// tie is a chat and whom it is linked to.
type tie struct {
	chat    string
	patient int64
}

// knowing is what should be, beside what is.
type knowing struct {
	c        *clinic
	patients []reminders.Patient
	chats    []string
	live     map[tie]reminders.Link
	people   map[string]seal.Person
	queued   map[string]told
	n        *int
}

type told struct {
	tie
	to    seal.Person
	scope string
}

func (w *knowing) draw(r *rapid.T) (tie, reminders.Patient) {
	p := rapid.SampledFrom(w.patients).Draw(r, "patient")
	return tie{rapid.SampledFrom(w.chats).Draw(r, "chat"), p.ID}, p
}

func (w *knowing) begin(r *rapid.T) {
	k, p := w.draw(r)
	if _, known := w.live[k]; known {
		return
	}
	what := rapid.SliceOfDistinct(rapid.SampledFrom(reminders.Shares), rapid.ID[string]).Draw(r, "shares")
	l := w.c.link(r, p, reminders.NewLink{Relation: reminders.Partner, Name: "Wim Onslake", Language: "en", What: what}, k.chat)
	w.live[k], w.people[k.chat] = l, l.Person
}

func (w *knowing) end(r *rapid.T) {
	k, _ := w.draw(r)
	if l, known := w.live[k]; known {
		w.c.within(r, func(ctx context.Context, tx *store.Tx) error { return w.c.book.EndLink(ctx, tx, l) })
		delete(w.live, k)
	}
}

func (w *knowing) put(r *rapid.T) {
	k, p := w.draw(r)
	who, known := w.people[k.chat]
	if !known {
		return
	}
	scope := rapid.SampledFrom([]string{"", reminders.ShareCalendar, reminders.ShareDoses, reminders.ShareCalendar + "+" + reminders.ShareResults}).Draw(r, "scope")
	*w.n++
	text := fmt.Sprintf("message %d", *w.n)
	w.c.tell(r, who, p.Person, scope, text)
	if w.queued == nil {
		w.queued = make(map[string]told)
	}
	w.queued[text] = told{k, who, scope}
}

// send lets go out what waits, now and then, and compares.
func (w *knowing) send(r *rapid.T) {
	if !rapid.Bool().Draw(r, "send") {
		return
	}
	before := make(map[string]int)
	for _, chat := range w.chats {
		before[chat] = len(w.c.sent[chat])
	}
	w.c.runUntil(r, w.c.clock.Now().Add(time.Minute))
	for _, chat := range w.chats {
		for _, text := range w.c.sent[chat][before[chat]:] {
			m := w.queued[text]
			if l, known := w.live[m.tie]; !known || l.Person != m.to || m.chat != chat || !coversAll(l, m.scope) {
				r.Fatalf("%q of the scope %q went to %s", text, m.scope, chat)
			}
			delete(w.queued, text)
		}
	}
	for text, m := range w.queued {
		if l, known := w.live[m.tie]; known && l.Person == m.to && coversAll(l, m.scope) {
			r.Fatalf("%q of the scope %q did not go out", text, m.scope)
		}
	}
	clear(w.queued)
}

func coversAll(l reminders.Link, scope string) bool {
	for _, s := range strings.Split(scope, "+") {
		if s != "" && !slices.Contains(l.What, s) {
			return false
		}
	}
	return true
}
