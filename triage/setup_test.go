package triage_test

import (
	"context"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

var chicago = func() *time.Location {
	z, err := time.LoadLocation("America/Chicago")
	if err != nil {
		panic(err)
	}
	return z
}()

// local is a wall-clock time in the clinic's zone, in March 2026. The 2nd is a
// Monday.
func local(day, hour, minute int) time.Time {
	return time.Date(2026, 3, day, hour, minute, 0, 0, chicago)
}

func policy() triage.Policy {
	hours := triage.Hours{Days: [7]bool{false, true, true, true, true, true, true}, From: civil.MustTime("07:00"), To: civil.MustTime("16:00")}
	return triage.Policy{
		Zone: chicago, Chat: hours, Clinic: hours, Holidays: map[civil.Date]bool{civil.MustDate("2026-03-10"): true},
		Climb:  triage.Waits{Emergency: 5 * time.Minute, SameDay: 30 * time.Minute, Routine: 4 * time.Hour},
		Close:  triage.Waits{Emergency: time.Hour, SameDay: 4 * time.Hour, Routine: 9 * time.Hour},
		Remind: triage.Reminding{Slower: 2, AtMost: 27 * time.Hour, LeadFrom: 2, LeadFromAnswered: 4},
		Again:  10 * time.Minute, Morning: civil.MustTime("07:30"), CheckIn: 15 * time.Minute, CodeValid: 72 * time.Hour,
	}
}

// sent is a message as it went out: when, to which chat, what.
type sent struct {
	At   time.Time
	Chat string
	outbox.Message
}

// line is "15:04 chat", on the clinic's wall clock, or "Tue 15:04 chat" on
// another day than the first.
func (s sent) line() string { return s.At.In(chicago).Format("Mon 15:04 ") + s.Chat }

// wire records what goes out, and refuses for chats in dead.
type wire struct {
	mu   sync.Mutex
	clk  clock.Clock
	out  []sent
	dead map[string]bool
}

func (w *wire) Send(_ context.Context, e outbox.Envelope) outbox.Outcome {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.dead[e.Chat] {
		return outbox.Outcome{Fate: outbox.Never, Class: "blocked"}
	}
	w.out = append(w.out, sent{w.clk.Now(), e.Chat, e.Message})
	return outbox.Outcome{Fate: outbox.Sent, External: fmt.Sprint(len(w.out))}
}

// clinic is a desk on a real store and a real dispatcher, on a virtual clock.
type clinic struct {
	t    *testing.T
	clk  *clock.Virtual
	db   *store.DB
	desk *triage.Desk
	box  *outbox.Outbox
	wire *wire
	// The people of the tests: Bastian is on call, Tamsin is the lead.
	tamsin, bastian, yevka, ashgrove triage.Staff
	patient                          seal.Person
	known                            map[seal.Person]triage.Known
}

const citlali = "P-105 Citlali Vern"

func open(t *testing.T, start time.Time) *clinic {
	t.Helper()
	c := &clinic{t: t, clk: clock.NewVirtual(start), known: make(map[seal.Person]triage.Known)}
	db, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "handrail.sqlite"), store.Relaxed, c.clk)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	c.db = db
	vault, err := seal.NewVault(make([]byte, seal.KeySize))
	if err != nil {
		t.Fatal(err)
	}
	var bell clock.Bell
	c.box = outbox.New(vault, &bell)
	c.wire = &wire{clk: c.clk, dead: make(map[string]bool)}
	c.desk = &triage.Desk{Vault: vault, Outbox: c.box, Phrases: phrase.MustLoad(), Policy: policy(),
		Who: func(_ context.Context, _ *store.Tx, p seal.Person) (triage.Known, error) { return c.known[p], nil }}
	c.within(func(ctx context.Context, tx *store.Tx) error {
		if err := vault.Ready(ctx, tx); err != nil {
			return err
		}
		c.tamsin = c.hire(ctx, tx, "tamsin", triage.Lead)
		c.bastian = c.hire(ctx, tx, "bastian", triage.Coordinator)
		c.yevka = c.hire(ctx, tx, "yevka", triage.Coordinator)
		c.ashgrove = c.hire(ctx, tx, "ashgrove", triage.Physician)
		c.patient, err = vault.Add(ctx, tx)
		if err != nil {
			return err
		}
		_, err = vault.Link(ctx, tx, c.patient, "citlali")
		return err
	})
	c.known[c.patient] = triage.Known{ID: 0, Label: citlali, Language: "es"}
	return c
}

func (c *clinic) within(f func(ctx context.Context, tx *store.Tx) error) {
	c.t.Helper()
	if err := c.db.Within(c.t.Context(), f); err != nil {
		c.t.Fatal(err)
	}
}

// hire takes somebody on and has her join from a chat named like her handle.
func (c *clinic) hire(ctx context.Context, tx *store.Tx, handle string, r triage.Role) triage.Staff {
	c.t.Helper()
	s, code, err := c.desk.AddStaff(ctx, tx, triage.Newcomer{Handle: handle, Name: strings.ToUpper(handle[:1]) + handle[1:], Role: r, Languages: []string{"en", "es"}})
	if err != nil {
		c.t.Fatal(err)
	}
	if _, ok, err := c.desk.Join(ctx, tx, code, handle); err != nil || !ok {
		c.t.Fatalf("join as %s: %v %v", handle, ok, err)
	}
	return s
}

// onCall puts somebody on the rota, checked in.
func (c *clinic) onCall(s triage.Staff, from, to time.Time) {
	c.t.Helper()
	c.within(func(ctx context.Context, tx *store.Tx) error {
		if _, err := c.desk.AddShift(ctx, tx, s, from, to); err != nil {
			return err
		}
		_, err := c.desk.CheckInNow(ctx, tx, s)
		return err
	})
}

func (c *clinic) opening(key string, u rules.Urgency) triage.Opening {
	return triage.Opening{Key: key, Person: c.patient, Reason: triage.Symptom, Urgency: u, Words: "me siento muy mal"}
}

func (c *clinic) opens(o triage.Opening) (cs triage.Case) {
	c.t.Helper()
	c.within(func(ctx context.Context, tx *store.Tx) (err error) {
		cs, err = c.desk.Open(ctx, tx, o)
		return err
	})
	return cs
}

// case reads a case with its events.
func (c *clinic) shows(id int64) (cs triage.Case) {
	c.t.Helper()
	c.within(func(ctx context.Context, tx *store.Tx) (err error) {
		cs, err = c.desk.Show(ctx, tx, id)
		return err
	})
	return cs
}

func (c *clinic) dispatcher() *outbox.Dispatcher {
	return &outbox.Dispatcher{DB: c.db, Vault: c.desk.Vault, Outbox: c.box, Sender: c.wire, Tasks: c.desk.Tasks(),
		OnTrouble: c.desk.Trouble, Report: func(err error) { c.t.Error(err) }}
}

// until lets the clinic run to an instant.
func (c *clinic) until(at time.Time) {
	c.t.Helper()
	ctx, cancel := context.WithCancel(c.t.Context())
	done := make(chan struct{})
	release := c.clk.Hold()
	go func() {
		defer close(done)
		defer release()
		c.dispatcher().Run(ctx, c.clk)
	}()
	if err := c.clk.Advance(ctx, at); err != nil {
		c.t.Fatal(err)
	}
	cancel()
	<-done
}

// heard lists what went out since the last call: when and to whom, in order,
// those of one instant by name.
func (c *clinic) heard() []string {
	c.wire.mu.Lock()
	defer c.wire.mu.Unlock()
	lines := make(map[string]bool)
	for _, s := range c.wire.out {
		lines[s.At.UTC().Format(time.RFC3339)+"|"+s.line()] = true
	}
	c.wire.out = nil
	var all []string
	for _, l := range slices.Sorted(maps.Keys(lines)) {
		_, line, _ := strings.Cut(l, "|")
		all = append(all, line)
	}
	return all
}

// read are the texts that went to a chat since the last call of heard.
func (c *clinic) read(chat string) []string {
	c.wire.mu.Lock()
	defer c.wire.mu.Unlock()
	var texts []string
	for _, s := range c.wire.out {
		if s.Chat == chat {
			texts = append(texts, s.Text)
		}
	}
	return texts
}
