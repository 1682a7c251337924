package main

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"handrail.example/bot/loopback"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// kills is how often the program is killed: HANDRAIL_KILLS asks for more.
func kills(t *testing.T) int {
	n := 20
	if s := os.Getenv("HANDRAIL_KILLS"); s != "" {
		if _, err := fmt.Sscan(s, &n); err != nil {
			t.Fatalf("HANDRAIL_KILLS: %v", err)
		}
	}
	return n
}

// TestKilledAtRandomMoments writes to the real program, kills it (SIGKILL) again
// and again, and finds that every message was handled once, in the order of its
// chat, and answered; an answer is doubled only where its fate was unknown.
func TestKilledAtRandomMoments(t *testing.T) {
	t.Parallel()
	v := newVictim(t)
	seed := rand.Uint64()
	rnd := rand.New(rand.NewPCG(seed, 0))
	t.Logf("seed %d", seed)
	for n := range kills(t) {
		stop := v.start(t)
		if n%5 > 0 { // else it is killed while it starts
			v.waitForPoll(t)
		}
		until := time.Now().Add(time.Duration(40+rnd.IntN(160)) * time.Millisecond)
		for time.Now().Before(until) {
			v.write(t, rnd.IntN(len(v.chats)))
			time.Sleep(time.Duration(rnd.IntN(30)) * time.Millisecond)
		}
		stop()
		if n%5 == 4 {
			v.server.Misbehave(loopback.Fault{Kind: loopback.DropAfter, Method: "sendMessage", Times: 2})
		}
	}
	stop := v.start(t)
	v.waitForRest(t)
	stop()
	v.audit(t)
}

// victim is the program on disk with patients in its database.
type victim struct {
	binary, folder, config string
	env                    []string
	server                 *loopback.Server
	setting                setting
	chats                  []int64
	written                map[int64][]string
	updates                []int64 // their numbers
}

// theirNumber is how many people write: so many that none of them writes a flood.
const theirNumber = 120

func newVictim(t *testing.T) *victim {
	v := &victim{folder: t.TempDir(), written: make(map[int64][]string)}
	v.binary = filepath.Join(v.folder, "handrail")
	if out, err := exec.CommandContext(t.Context(), "go", "build", "-o", v.binary, ".").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	var err error
	if v.server, err = loopback.Start(loopback.Config{Now: time.Now}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(v.server.Close)
	key := seal.NewMasterKey()
	master, err := seal.ParseMasterKey(key)
	if err != nil {
		t.Fatal(err)
	}
	v.setting = setting{database: filepath.Join(v.folder, "clinic.sqlite"), durability: store.Full, master: master,
		policy: plan.DefaultPolicy(), clock: clock.System{}, log: slog.New(slog.DiscardHandler)}
	v.config = filepath.Join(v.folder, "config.yaml")
	text := fmt.Sprintf("database: %s\ntelegram: {api_url: %q}\n", v.setting.database, v.server.URL())
	if err := os.WriteFile(v.config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	v.env = append(os.Environ(), envToken+"="+v.server.Token(), envKey+"="+key)
	v.populate(t)
	return v
}

// open opens the store as the program does.
func (v *victim) open(t *testing.T, f func(ctx context.Context, a *app, tx *store.Tx) error) {
	a, err := newApp(t.Context(), v.setting)
	if err != nil {
		t.Fatal(err)
	}
	defer a.db.Close()
	if err := a.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error { return f(ctx, a, tx) }); err != nil {
		t.Fatal(err)
	}
}

func (v *victim) populate(t *testing.T) {
	v.open(t, func(ctx context.Context, a *app, tx *store.Tx) error {
		// So many that nobody writes more in a minute than is answered one by one.
		for n := range theirNumber {
			chat := int64(1000 + n)
			v.chats = append(v.chats, chat)
			v.server.Introduce(loopback.Person{Chat: chat, Name: fmt.Sprintf("Patient %d", n), Language: "en", Started: true})
			p, err := a.enrol(ctx, tx, reminders.NewPatient{Handle: fmt.Sprintf("P-%d", n), Name: "Invented", Language: "en"}, chat)
			if err != nil {
				return err
			}
			for item := range a.policy.Readiness {
				if err := a.book.SetCheck(ctx, tx, p.ID, item, civil.DateOf(tx.Now).AddDays(-30), p.Person); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

// start runs the program; the returned function kills it.
func (v *victim) start(t *testing.T) (kill func()) {
	cmd := exec.CommandContext(t.Context(), v.binary, "serve", "--config", v.config)
	cmd.Env = v.env
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	return func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		for v.server.Polling() { // the server has still to see that nobody is there
			time.Sleep(time.Millisecond)
		}
	}
}

// write has a patient write something that needs a human, numbered.
func (v *victim) write(t *testing.T, who int) {
	chat := v.chats[who]
	text := fmt.Sprintf("message %d of %d: I need a person", len(v.written[chat])+1, chat)
	m, err := v.server.Write(chat, text)
	if err != nil {
		t.Fatal(err)
	}
	v.written[chat], v.updates = append(v.written[chat], text), append(v.updates, m.Update)
}

func (v *victim) total() int {
	n := 0
	for _, texts := range v.written {
		n += len(texts)
	}
	return n
}

// waitForPoll waits until the program fetches updates, however busy the machine is.
func (v *victim) waitForPoll(t *testing.T) {
	for deadline := time.Now().Add(time.Minute); !v.server.Polling(); time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("the program does not begin to fetch updates")
		}
	}
}

// waitForRest waits until everything written has been handled and nothing waits to
// be sent now.
func (v *victim) waitForRest(t *testing.T) {
	for deadline := time.Now().Add(2 * time.Minute); ; time.Sleep(100 * time.Millisecond) {
		left := -1
		db, err := store.Open(t.Context(), v.setting.database, store.Full, clock.System{})
		if err != nil {
			t.Fatal(err)
		}
		err = db.Read(t.Context(), func(ctx context.Context, tx *store.Tx) error {
			return tx.Get(ctx, &left, `SELECT (SELECT count(*) FROM inbox WHERE state = 'new')
				+ (SELECT count(*) FROM outbox WHERE person_id IS NOT NULL AND (state = 'sending' OR state = 'queued' AND due_at <= ?))`, store.At(tx.Now))
		})
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
		if err != nil {
			t.Fatal(err)
		}
		if left == 0 && v.server.Waiting() == 0 {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("%d rows and %d updates are still to do", left, v.server.Waiting())
		}
	}
}

func (v *victim) audit(t *testing.T) {
	v.open(t, func(ctx context.Context, a *app, tx *store.Tx) error {
		v.auditInbox(ctx, t, a, tx)
		v.auditAnswers(ctx, t, tx)
		return nil
	})
	t.Logf("%d messages, each handled once", v.total())
}

// auditInbox: each message is there once, handled, in the order of its chat, and
// stands in exactly one case.
func (v *victim) auditInbox(ctx context.Context, t *testing.T, a *app, tx *store.Tx) {
	var rows []struct {
		ID     int64       `db:"id"`
		State  string      `db:"state"`
		Sealed seal.Person `db:"sealed_for"`
		Raw    []byte      `db:"raw"`
		Cases  int         `db:"cases"`
	}
	if err := tx.Select(ctx, &rows, `SELECT id, state, sealed_for, raw, (SELECT count(*) FROM cases WHERE key LIKE 'inbox/' || i.id || '/%')
		+ (SELECT count(*) FROM case_events WHERE cause LIKE 'inbox/' || i.id || '/%' AND what = 'wrote') AS cases FROM inbox i ORDER BY id`); err != nil {
		t.Fatal(err)
	}
	if len(rows) != v.total() {
		t.Errorf("%d messages in the inbox, %d were written", len(rows), v.total())
	}
	at := make(map[int64]int)
	for _, r := range rows {
		raw, err := a.vault.Open(ctx, tx, r.Sealed, "update", r.Raw)
		if err != nil {
			t.Fatal(err)
		}
		if r.State != "handled" || r.Cases != 1 {
			t.Errorf("message %d is %s and stands in %d cases", r.ID, r.State, r.Cases)
		}
		for chat, texts := range v.written {
			if strings.Contains(string(raw), fmt.Sprintf("of %d:", chat)) {
				if n := at[chat]; n >= len(texts) || !strings.Contains(string(raw), texts[n]) {
					t.Errorf("chat %d: message %d is out of order", chat, n+1)
				}
				at[chat]++
			}
		}
	}
}

// auditAnswers: each answer was seen, and more than once only where an attempt
// ended without an answer. One that was cut off again and again may be a person's.
func (v *victim) auditAnswers(ctx context.Context, t *testing.T, tx *store.Tx) {
	var sent, told, attempts, unknown int
	if err := tx.Get(ctx, &sent, `SELECT count(*) FROM outbox WHERE kind = 'reply' AND state = 'sent'`); err != nil {
		t.Fatal(err)
	}
	if err := tx.Get(ctx, &told, `SELECT count(*) FROM outbox o WHERE kind = 'reply' AND state = 'failed' AND 'outbox/' || id || '/doubtful'
		IN (SELECT key FROM cases UNION SELECT cause FROM case_events)
		AND 5 <= (SELECT count(*) FROM attempts a WHERE a.outbox_id = o.id AND fate = 'unknown')`); err != nil {
		t.Fatal(err)
	}
	if err := tx.Get(ctx, &unknown, `SELECT count(*) FROM attempts WHERE fate = 'unknown'`); err != nil {
		t.Fatal(err)
	}
	if err := tx.Get(ctx, &attempts, `SELECT count(*) FROM attempts WHERE fate = 'sent'`); err != nil {
		t.Fatal(err)
	}
	seen := 0
	for _, chat := range v.chats {
		for _, m := range v.server.Messages(chat) {
			if m.From == loopback.FromBot {
				seen++
			}
		}
	}
	if sent+told < v.total() || told > v.total()/50 {
		var states []struct {
			State string
			N     int
		}
		if err := tx.Select(ctx, &states, `SELECT state, count(*) AS n FROM outbox WHERE kind = 'reply' GROUP BY state`); err != nil {
			t.Fatal(err)
		}
		t.Errorf("%d answers sent for %d messages, and a person told of %d: %v", sent, v.total(), told, states)
	}
	t.Logf("%d answers sent, a person told of %d, %d attempts with an unknown end", sent, told, unknown)
	if seen < sent || seen > attempts+unknown {
		t.Errorf("%d answers seen, %d sent, %d attempts with an unknown end", seen, sent, unknown)
	}
}
