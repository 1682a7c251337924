package main

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"handrail.example/bot/loopback"
	"handrail.example/reminders"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// The bad morning: how many reminders are due in the same minute, of them at an
// exact time, and of those that can wait how many are of no use two minutes later.
const (
	morningReminders = 5000
	morningDoses     = 1000
	morningShort     = 100
)

// TestABadMorning has everything due at once on a platform that takes 30 messages a
// second and one a second in a chat, while every second somebody is bleeding and
// somebody else writes too, and the platform throttles one chat. An alert is on the
// wire within a second, to her and to who is on call, and an answer within two; what
// is to be taken at an exact time goes before what can wait; what would come too
// late is a case; and the throttled chat holds up nobody.
func TestABadMorning(t *testing.T) {
	t.Parallel()
	m := newBadMorning(t)
	due := m.time.Now().Add(time.Minute)
	m.promise(due)
	m.misbehave(loopback.Fault{Kind: loopback.Throttle, Method: "sendMessage", Chat: morningChat(7), Times: 3, RetryAfter: 20})
	m.pass(time.Minute)
	for second := range cries {
		m.cry(second)
		m.pass(time.Second)
	}
	m.pass(20 * time.Minute)

	m.auditWaits()
	if n := m.aloft.Load(); n > 10 {
		t.Errorf("up to %d rows were claimed and not yet sent", n)
	}
	m.auditOrder()
	m.auditLate(due)
}

// badMorning is a bad day with thousands of people on it and staff on call.
type badMorning struct {
	*badDay
	oncall int64
	aloft  atomic.Int64 // the most rows on the wire at once
}

// cries is for how many seconds somebody writes that she bleeds, and somebody else
// that she wants something, each once.
const cries = 120

func morningChat(n int) int64  { return int64(100_000 + n) }
func worriedChat(n int) int64  { return int64(50_000 + n) }
func worried(n int) string     { return fmt.Sprintf("W-%03d", n) }
func morningText(n int) string { return fmt.Sprintf("reminder %d", n) }

func newBadMorning(t *testing.T) *badMorning {
	m := &badMorning{badDay: newBadDay(t, 1, loopback.Config{PerSecond: 30, PerChat: time.Second})}
	s, err := readScenario()
	if err != nil {
		t.Fatal(err)
	}
	s.Patients = nil
	for _, member := range s.Staff {
		m.server.Introduce(loopback.Person{Chat: member.Chat, Name: member.Name, Language: "en", Started: true})
		if member.Handle == s.Rota.Day[0] {
			m.oncall = member.Chat
		}
	}
	if err := s.fill(t.Context(), m.app); err != nil {
		t.Fatal(err)
	}
	m.within(func(ctx context.Context, tx *store.Tx) error {
		for n := range 2 * cries {
			m.server.Introduce(loopback.Person{Chat: worriedChat(n), Name: "Invented", Language: "en", Started: true})
			if _, err := m.app.enrol(ctx, tx, reminders.NewPatient{Handle: worried(n), Name: "Invented", Language: "en"}, worriedChat(n)); err != nil {
				return err
			}
		}
		return nil
	})
	t.Cleanup(m.server.Watch(func(loopback.Event) {
		var n int64
		if err := m.db.Read(context.Background(), func(ctx context.Context, tx *store.Tx) error {
			return tx.Get(ctx, &n, `SELECT count(*) FROM outbox WHERE state = 'sending'`)
		}); err == nil && n > m.aloft.Load() {
			m.aloft.Store(n)
		}
	}))
	return m
}

// promise puts the reminders into the outbox. The first are for exact times; the
// last of all are of use for two minutes only and belong to patients.
func (m *badMorning) promise(due time.Time) {
	m.t.Helper()
	m.within(func(ctx context.Context, tx *store.Tx) error {
		for n := range morningReminders {
			to, err := m.person(ctx, tx, n)
			if err != nil {
				return err
			}
			w := outbox.Want{Key: "test/" + strconv.Itoa(n), Topic: "test", Kind: outbox.Reminder, To: to, Due: due,
				Expires: due.Add(time.Hour), Message: outbox.Message{Text: morningText(n)}}
			switch {
			case n < morningDoses:
				w.Kind = outbox.Dose
			case n >= morningReminders-morningShort:
				w.Expires = due.Add(2 * time.Minute)
			}
			if err := m.outbox.Put(ctx, tx, w); err != nil {
				return err
			}
		}
		return nil
	})
}

// person is a patient with a chat: nobody else is told anything. One who has agreed to
// be written to where what she is to get will come too late.
func (m *badMorning) person(ctx context.Context, tx *store.Tx, n int) (seal.Person, error) {
	chat := morningChat(n)
	m.server.Introduce(loopback.Person{Chat: chat, Name: "Invented", Language: "en", Started: true})
	if n >= morningReminders-morningShort {
		p, err := m.app.enrol(ctx, tx, reminders.NewPatient{Handle: fmt.Sprintf("L-%d", n), Name: "Invented", Language: "en"}, chat)
		return p.Person, err
	}
	p, err := m.book.AddPatient(ctx, tx, reminders.NewPatient{Handle: fmt.Sprintf("M-%d", n), Name: "Invented", Language: "en"})
	if err != nil {
		return p.Person, err
	}
	_, err = m.vault.Link(ctx, tx, p.Person, strconv.FormatInt(chat, 10))
	return p.Person, err
}

// cry has one patient write that she bleeds, and another something for a human.
func (m *badMorning) cry(second int) {
	m.t.Helper()
	if _, err := m.server.Write(worriedChat(second), "I'm soaking a pad an hour and I feel faint"); err != nil {
		m.t.Fatal(err)
	}
	if _, err := m.server.Write(worriedChat(cries+second), "can I move my appointment?"); err != nil {
		m.t.Fatal(err)
	}
}

// auditWaits looks at how long each of those who wrote waited, and how long it took
// until who is on call read of those who bleed.
func (m *badMorning) auditWaits() {
	m.t.Helper()
	cards := m.server.Messages(m.oncall)
	waits := make(map[string][]time.Duration)
	for n := range 2 * cries {
		talk := m.server.Messages(worriedChat(n))
		i := slices.IndexFunc(talk, func(x loopback.Message) bool { return x.From != loopback.FromBot })
		j := slices.IndexFunc(talk[i:], func(x loopback.Message) bool { return x.From == loopback.FromBot })
		if j < 0 {
			m.t.Errorf("%s has no answer", worried(n))
			continue
		}
		wrote, what := talk[i].At, "answer"
		if n < cries {
			what = "caution"
			k := slices.IndexFunc(cards, func(x loopback.Message) bool { return !x.At.Before(wrote) && strings.Contains(x.Text, worried(n)) })
			if k < 0 {
				m.t.Errorf("nobody on call has read of %s", worried(n))
				continue
			}
			waits["card"] = append(waits["card"], cards[k].At.Sub(wrote))
		}
		waits[what] = append(waits[what], talk[i+j].At.Sub(wrote))
	}
	for what, limit := range map[string]time.Duration{"caution": time.Second, "card": time.Second, "answer": 2 * time.Second} {
		all := waits[what]
		slices.Sort(all)
		if p99 := all[len(all)*99/100]; p99 > limit {
			m.t.Errorf("the 99th percentile of the wait for the %s is %v, the longest %v", what, p99, all[len(all)-1])
		}
		m.t.Logf("wait for the %s: median %v, longest %v", what, all[len(all)/2], all[len(all)-1])
	}
}

// auditOrder: nothing that could wait went out while something for an exact time
// was still to go, but for what was on the wire together and the chat that the
// platform throttled; and of both as many went out in each second as the limits let
// through, that chat or not.
func (m *badMorning) auditOrder() {
	m.t.Helper()
	perSecond := make(map[int64]int)
	var lastDose, firstOther time.Time
	for n := range morningReminders {
		for _, x := range m.server.Messages(morningChat(n)) {
			if x.Text != morningText(n) {
				continue
			}
			perSecond[x.At.Unix()]++
			switch {
			case n < morningDoses && n != 7:
				lastDose = later(lastDose, x.At)
			case n >= morningDoses && (firstOther.IsZero() || x.At.Before(firstOther)):
				firstOther = x.At
			}
		}
	}
	if lastDose.After(firstOther.Add(time.Second)) {
		m.t.Errorf("what could wait went out from %v on, what could not until %v", firstOther, lastDose)
	}
	full := 0
	for _, n := range perSecond {
		if n >= 20 {
			full++
		}
	}
	m.t.Logf("reminders went out in %d seconds, in %d of them 20 or more", len(perSecond), full)
	if full < len(perSecond)*9/10 {
		m.t.Errorf("reminders went out in %d seconds, 20 or more in only %d of them: something held them up", len(perSecond), full)
	}
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// auditLate: each reminder was sent once and in its time, or has become a case.
func (m *badMorning) auditLate(due time.Time) {
	m.t.Helper()
	var rows []struct {
		Key     string     `db:"key"`
		State   string     `db:"state"`
		Sent    store.Time `db:"sent_at"`
		Expires store.Time `db:"expires_at"`
		Cases   int        `db:"cases"`
	}
	m.within(func(ctx context.Context, tx *store.Tx) error {
		return tx.Select(ctx, &rows, `SELECT key, state, sent_at, expires_at,
			(SELECT count(*) FROM cases c WHERE c.person_id = o.person_id AND c.reason = 'too_late') AS cases FROM outbox o WHERE topic = 'test'`)
	})
	late := 0
	for _, r := range rows {
		switch {
		case r.State == "sent" && !r.Sent.After(r.Expires.Time):
		case r.State == "expired" && r.Cases == 1:
			late++
		default:
			m.t.Errorf("%s is %s since %v, of use until %v, with %d cases", r.Key, r.State, r.Sent, r.Expires, r.Cases)
		}
	}
	if len(rows) != morningReminders || late != morningShort {
		m.t.Errorf("of %d reminders %d came too late and are cases, want %d of %d", len(rows), late, morningShort, morningReminders)
	}
	for n := range morningReminders {
		read := 0
		for _, x := range m.server.Messages(morningChat(n)) {
			if x.Text == morningText(n) {
				read++
			}
		}
		if n < morningReminders-morningShort && read != 1 {
			m.t.Errorf("%s was read %d times", morningText(n), read)
		}
	}
}
