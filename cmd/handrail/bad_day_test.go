package main

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"handrail.example/bot/loopback"
	"handrail.example/reminders"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// badDay is the whole program over HTTP against a platform that misbehaves, on a
// virtual clock: people write numbered messages, the clinic sends numbered notes.
type badDay struct {
	*stage
	t       testing.TB
	ctx     context.Context
	log     lockedBuffer
	rnd     *rand.Rand
	chats   []int64
	people  map[int64]seal.Person
	written map[int64][]string // by the people
	notes   map[int64][]string // by the clinic
	odd     int                // updates that no person sent
	away    time.Time          // the platform is out of reach until then
	stepped *stepped           // the machine's clock
	release func()             // ends what somebody else does to the file
}

func newBadDay(t testing.TB, seed uint64, platform loopback.Config) *badDay {
	t.Helper()
	policy := plan.DefaultPolicy()
	d := &badDay{t: t, rnd: rand.New(rand.NewPCG(seed, 0)), people: make(map[int64]seal.Person), written: make(map[int64][]string), notes: make(map[int64][]string)}
	master, err := seal.ParseMasterKey(seal.NewMasterKey())
	if err != nil {
		t.Fatal(err)
	}
	platform.Seed = seed
	d.stage = &stage{time: clock.NewVirtual(theFirst.At(9*60, policy.Location()))}
	d.stepped = &stepped{Virtual: d.time}
	if err := d.stage.open(t.Context(), platform, setting{database: filepath.Join(t.TempDir(), "clinic.sqlite"), durability: store.Relaxed, master: master,
		policy: policy, clock: d.stepped, log: slog.New(slog.NewTextHandler(&d.log, nil))}); err != nil {
		t.Fatal(err)
	}
	for i := range 4 {
		d.enrol(int64(100 + i))
	}
	ctx, stop := context.WithCancel(t.Context())
	d.ctx = ctx
	wait, err := d.stage.start(ctx, d.stage.poller.Run)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		stop()
		wait()
		if err := d.stage.close(); err != nil {
			t.Error(err)
		}
	})
	return d
}

func (d *badDay) enrol(chat int64) {
	d.t.Helper()
	d.chats = append(d.chats, chat)
	d.server.Introduce(loopback.Person{Chat: chat, Name: "Invented", Language: "en", Started: true})
	d.within(func(ctx context.Context, tx *store.Tx) error {
		p, err := d.app.enrol(ctx, tx, reminders.NewPatient{Handle: fmt.Sprintf("P-%d", chat), Name: "Invented", Language: "en"}, chat)
		d.people[chat] = p.Person
		return err
	})
}

func (d *badDay) within(fn func(ctx context.Context, tx *store.Tx) error) {
	d.t.Helper()
	if err := d.db.Within(d.t.Context(), fn); err != nil {
		d.t.Fatal(err)
	}
}

// writes has somebody write something that needs a human, numbered.
func (d *badDay) writes() {
	chat := d.chats[d.rnd.IntN(len(d.chats))]
	text := fmt.Sprintf("message %d of %d: I need a person", len(d.written[chat])+1, chat)
	if _, err := d.server.Write(chat, text); err != nil {
		d.t.Fatal(err)
	}
	d.written[chat] = append(d.written[chat], text)
}

// sends has the clinic send somebody a numbered note.
func (d *badDay) sends() {
	chat := d.chats[d.rnd.IntN(len(d.chats))]
	text := fmt.Sprintf("note %d", len(d.notes[chat])+1)
	d.within(func(ctx context.Context, tx *store.Tx) error {
		return d.outbox.Put(ctx, tx, outbox.Want{Key: fmt.Sprintf("test/%d/%s", chat, text), Topic: "test", Kind: outbox.Reply, To: d.people[chat],
			Message: outbox.Message{Text: text}})
	})
	d.notes[chat] = append(d.notes[chat], text)
}

func (d *badDay) pass(by time.Duration) {
	d.t.Helper()
	if err := d.time.Advance(d.ctx, d.time.Now().Add(by)); err != nil {
		d.t.Fatalf("%v\n%s", err, d.log.String())
	}
}

// misbehave plans a fault. The platform is out of reach only after it has been
// there for a while.
func (d *badDay) misbehave(f loopback.Fault) {
	d.t.Helper()
	if f.Kind == loopback.Outage {
		if now := d.time.Now(); now.Before(d.away.Add(15 * time.Minute)) {
			return
		} else {
			d.away = now.Add(time.Duration(f.Delay))
		}
	}
	if f.Kind == loopback.UnknownKind || f.Kind == loopback.Malformed {
		d.odd += max(f.Times, 1)
	}
	if err := d.server.Misbehave(f); err != nil {
		d.t.Fatal(err)
	}
}

// live lets a day go by with faults in it, and then some time without.
func (d *badDay) live(faults []loopback.Fault) {
	d.t.Helper()
	for range 60 {
		for range d.rnd.IntN(3) {
			d.writes()
		}
		for range d.rnd.IntN(3) {
			d.sends()
		}
		if d.rnd.IntN(3) == 0 {
			d.misbehave(faults[d.rnd.IntN(len(faults))])
		}
		d.pass(time.Duration(1+d.rnd.IntN(90)) * time.Second)
	}
	d.server.Behave()
	d.rest()
}

// TestBadDays has the platform misbehave in each way that it is known to, and in
// all of them at once. Nothing is lost, nothing is done twice, the order of each
// chat is kept, and somebody reads something twice only where it could not be
// known whether it had arrived.
func TestBadDays(t *testing.T) {
	t.Parallel()
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	each := map[string][]loopback.Fault{
		"throttled":                {{Kind: loopback.Throttle, Times: 2, RetryAfter: 7}, {Kind: loopback.Throttle, Method: "sendMessage", Times: 1, RetryAfter: 40}},
		"server errors":            {{Kind: loopback.ServerError, Times: 2}},
		"pages of a gateway":       {{Kind: loopback.BadGateway, Times: 2}},
		"dropped before":           {{Kind: loopback.DropBefore, Times: 2}},
		"dropped after":            {{Kind: loopback.DropAfter, Method: "sendMessage", Times: 2}},
		"updates lost on the way":  {{Kind: loopback.DropAfter, Method: "getUpdates", Times: 1}},
		"updates repeated":         {{Kind: loopback.Repeat, Times: 2}},
		"updates shuffled":         {{Kind: loopback.Reorder, Times: 2}},
		"kinds of tomorrow":        {{Kind: loopback.UnknownKind, Times: 2}},
		"malformed updates":        {{Kind: loopback.Malformed, Times: 1}},
		"numbers restart lower":    {{Kind: loopback.LowerIDs}},
		"another poller":           {{Kind: loopback.Conflict, Method: "getUpdates", Times: 1}},
		"out of reach for a while": {{Kind: loopback.Outage, Delay: loopback.Duration(11 * time.Minute)}},
	}
	var all []loopback.Fault
	for _, faults := range each {
		all = append(all, faults...)
	}
	slices.SortFunc(all, func(a, b loopback.Fault) int {
		return strings.Compare(string(a.Kind)+a.Method, string(b.Kind)+b.Method)
	})
	each["everything at once"] = all
	for name, faults := range each {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			d := newBadDay(t, seed, loopback.Config{})
			d.live(faults)
			d.audit(slices.ContainsFunc(faults, func(f loopback.Fault) bool { return f.Kind == loopback.Reorder }))
		})
	}
	t.Run("a platform that is strict about its limits", func(t *testing.T) {
		t.Parallel()
		d := newBadDay(t, seed, loopback.Config{PerSecond: 5, PerChat: time.Second})
		d.live([]loopback.Fault{{Kind: loopback.DropBefore, Times: 1}})
		d.audit(false)
	})
}

// audit looks at what became of everything. shuffled: the platform itself mixed
// up what people wrote.
func (d *badDay) audit(shuffled bool) {
	d.t.Helper()
	if n := d.server.Waiting(); n > 0 {
		d.t.Errorf("%d updates still wait", n)
	}
	if lost := d.server.Expired(); len(lost) > 0 {
		d.t.Fatalf("the platform dropped %d updates: this day was too bad to prove anything", len(lost))
	}
	d.within(func(ctx context.Context, tx *store.Tx) error {
		if err := d.auditInbox(ctx, tx, shuffled); err != nil {
			return err
		}
		for _, chat := range d.chats {
			if err := d.auditChat(ctx, tx, chat); err != nil {
				return err
			}
		}
		return nil
	})
	log := d.log.String()
	for _, secret := range []string{d.server.Token(), "I need a person", "note 1", "<html"} {
		if strings.Contains(log, secret) {
			d.t.Errorf("the log holds %q", secret)
		}
	}
}

// auditInbox: each message is there once, was handled once and stands in one
// case.
func (d *badDay) auditInbox(ctx context.Context, tx *store.Tx, shuffled bool) error {
	var rows []struct {
		ID     int64       `db:"id"`
		State  string      `db:"state"`
		Sealed seal.Person `db:"sealed_for"`
		Raw    []byte      `db:"raw"`
		Cases  int         `db:"cases"`
	}
	if err := tx.Select(ctx, &rows, `SELECT id, state, sealed_for, raw, (SELECT count(*) FROM cases WHERE key LIKE 'inbox/' || i.id || '/%')
		+ (SELECT count(*) FROM case_events WHERE cause LIKE 'inbox/' || i.id || '/%') AS cases FROM inbox i ORDER BY id`); err != nil {
		return err
	}
	got := make(map[int64][]string)
	odd := 0
	for _, r := range rows {
		raw, err := d.vault.Open(ctx, tx, r.Sealed, "update", r.Raw)
		if err != nil {
			return err
		}
		chat, text := d.find(string(raw))
		if chat == 0 {
			odd++
			continue
		}
		got[chat] = append(got[chat], text)
		if r.State != "handled" || r.Cases != 1 {
			d.t.Errorf("%q is %s and stands in %d cases", text, r.State, r.Cases)
		}
	}
	if odd != d.odd {
		d.t.Errorf("%d odd updates were kept, %d were sent", odd, d.odd)
	}
	for _, chat := range d.chats {
		want := d.written[chat]
		if shuffled {
			slices.Sort(got[chat])
			want = slices.Sorted(slices.Values(want))
		}
		if !slices.Equal(got[chat], want) {
			d.t.Errorf("chat %d: in the inbox are\n%q, written were\n%q", chat, got[chat], want)
		}
	}
	return nil
}

// find is whose message an update holds.
func (d *badDay) find(raw string) (chat int64, text string) {
	for _, chat := range d.chats {
		for _, text := range d.written[chat] {
			if strings.Contains(raw, `"`+text+`"`) {
				return chat, text
			}
		}
	}
	return 0, ""
}

// auditChat: each note was read, in order, and once more only for each attempt
// whose end is unknown; each message was answered.
func (d *badDay) auditChat(ctx context.Context, tx *store.Tx, chat int64) error {
	times := make(map[string]int)
	var order []string
	answers := 0
	for _, m := range d.server.Messages(chat) {
		switch {
		case m.From != loopback.FromBot:
		case !strings.HasPrefix(m.Text, "note "):
			answers++
		default:
			if times[m.Text]++; len(order) == 0 || order[len(order)-1] != m.Text {
				order = append(order, m.Text)
			}
		}
	}
	if !slices.Equal(order, d.notes[chat]) {
		d.t.Errorf("chat %d read\n%q, sent were\n%q", chat, order, d.notes[chat])
	}
	for _, text := range d.notes[chat] {
		var row struct {
			State   string `db:"state"`
			Unknown int    `db:"unknown"`
		}
		if err := tx.Get(ctx, &row, `SELECT state, (SELECT count(*) FROM attempts a WHERE a.outbox_id = o.id AND a.fate = 'unknown') AS unknown FROM outbox o WHERE key = ?`,
			fmt.Sprintf("test/%d/%s", chat, text)); err != nil {
			return err
		}
		if row.State != "sent" || times[text] < 1 || times[text] > 1+row.Unknown {
			d.t.Errorf("chat %d: %q is %s and was read %d times with %d attempts of unknown end", chat, text, row.State, times[text], row.Unknown)
		}
	}
	var sent, unknown int
	if err := tx.Get(ctx, &sent, `SELECT count(*) FROM outbox WHERE person_id = ? AND state = 'sent' AND topic LIKE 'inbox/%'`, d.people[chat]); err != nil {
		return err
	}
	if err := tx.Get(ctx, &unknown, `SELECT count(*) FROM attempts a JOIN outbox o ON o.id = a.outbox_id WHERE o.person_id = ? AND o.topic LIKE 'inbox/%' AND fate = 'unknown'`, d.people[chat]); err != nil {
		return err
	}
	if sent != len(d.written[chat]) || answers < sent || answers > sent+unknown {
		d.t.Errorf("chat %d: %d messages, %d answers sent, %d read, %d attempts of unknown end", chat, len(d.written[chat]), sent, answers, unknown)
	}
	return nil
}
