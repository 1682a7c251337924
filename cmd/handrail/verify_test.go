package main

import (
	"bytes"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"handrail.example/reminders/clock"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// verified is what is found in a file at a moment.
func verified(t *testing.T, path string, master []byte, now time.Time) (said []string) {
	t.Helper()
	return verifiedBy(t, plan.DefaultPolicy(), path, master, now)
}

func verifiedBy(t *testing.T, policy plan.Policy, path string, master []byte, now time.Time) (said []string) {
	t.Helper()
	found, err := outside(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	if len(found) == 0 {
		a := &app{setting: setting{database: path, master: master, policy: policy, clock: clock.NewVirtual(now), log: slog.New(slog.DiscardHandler)}}
		if err := a.view(t.Context()); err != nil {
			t.Fatal(err)
		}
		defer a.db.Close()
		if found, _, err = a.inside(t.Context(), nil); err != nil {
			t.Fatal(err)
		}
	}
	for _, f := range found {
		if f.At == "" || f.What == "" || f.Do == "" {
			t.Errorf("%+v does not say where, what, and what to do", f)
		}
		said = append(said, f.At+": "+f.What)
	}
	return said
}

// At whatever moment of the invented clinic's week one looks, nothing is found.
func TestVerifyFindsNothingInALivingClinic(t *testing.T) {
	t.Parallel()
	d, _ := backedUpDemo(t)
	stop := d.runs(t)
	defer stop()
	for n := range 30 {
		if _, err := d.next(t.Context()); err != nil {
			t.Fatal(err)
		}
		for _, f := range verified(t, d.database, d.master, d.time.Now()) {
			t.Errorf("step %d, %s: %s", n, d.time.Now().In(d.policy.Location()).Format("Mon 15:04"), f)
		}
	}
	for range 12 {
		if err := d.forward(t.Context(), 5*time.Hour+7*time.Minute); err != nil {
			t.Fatal(err)
		}
		for _, f := range verified(t, d.database, d.master, d.time.Now()) {
			t.Errorf("%s: %s", d.time.Now().In(d.policy.Location()).Format("Mon 15:04"), f)
		}
	}
}

// Nor is anything found after weeks in which the platform misbehaved.
func TestVerifyFindsNothingAfterARehearsal(t *testing.T) {
	t.Parallel()
	set := rehearsalSet{patients: 14, days: 24, seed: 11, faults: "heavy", transport: "direct"}
	looked := false
	_, _, err := rehearse(t.Context(), set, rehearsalHooks{after: func(r *rehearsalRun) error {
		looked = true
		for _, f := range verifiedBy(t, rehearsalPolicy(r.set.patients), r.file, r.master, r.end) {
			t.Error(f)
		}
		return nil
	}})
	if err != nil || !looked {
		t.Fatal(looked, err)
	}
}

// faults are planted one by one in a copy of a living clinic's file; each is found, and
// the finding says where. now stands for the moment of looking.
var plantedFaults = map[string]struct{ do, want string }{
	"a promise is gone":                {`DELETE FROM outbox WHERE id = (SELECT min(id) FROM ahead)`, "is called for and not there"},
	"a promise has another time":       {`UPDATE outbox SET due_at = '2026-12-24T12:00:00.000Z', not_before = '2026-12-24T12:00:00.000Z' WHERE id = (SELECT min(id) FROM ahead)`, "is queued otherwise than it is called for"},
	"a promise was taken back":         {`UPDATE outbox SET state = 'withdrawn', settled_at = created_at WHERE id = (SELECT min(id) FROM ahead)`, "is called for and was taken back"},
	"a promise too many":               {`INSERT INTO outbox (key, topic, kind, priority, person_id, sealed_for, body, digest, due_at, not_before, created_at) SELECT key || '/x', topic, kind, priority, person_id, sealed_for, body, digest, due_at, not_before, created_at FROM outbox WHERE id = (SELECT min(id) FROM ahead)`, "is queued and not called for"},
	"a fact is gone":                   {`DELETE FROM facts WHERE id = (SELECT max(f.id) FROM facts f JOIN cycles c ON c.id = f.cycle_id JOIN patients p ON p.id = c.patient_id WHERE p.handle = 'P-104' AND f.kind = 'order')`, "P-104, cycle 4: what is queued is not what her plan asks for"},
	"a fact was changed":               {`UPDATE facts SET body = zeroblob(60) WHERE id = (SELECT max(f.id) FROM facts f JOIN cycles c ON c.id = f.cycle_id JOIN patients p ON p.id = c.patient_id WHERE p.handle = 'P-105')`, "P-105, cycle 5: a fact of it does not open"},
	"a name was changed":               {`UPDATE patients SET name = (SELECT name FROM patients WHERE handle = 'P-101') WHERE handle = 'P-102'`, "P-102: her name does not open"},
	"a key was changed":                {`UPDATE people SET wrapped = zeroblob(72) WHERE id = (SELECT person_id FROM patients WHERE handle = 'P-103')`, "her key, or her chat, does not open"},
	"two chats change places":          {`UPDATE people SET chat_hash = x'00' WHERE id = (SELECT person_id FROM patients WHERE handle = 'P-103')`, "her chat is not found by its hash"},
	"a message of another's":           {`UPDATE outbox SET body = (SELECT body FROM outbox o WHERE o.sealed_for <> outbox.sealed_for LIMIT 1) WHERE id = (SELECT min(id) FROM ahead)`, "what it says does not open"},
	"another message of hers":          {`UPDATE outbox SET body = (SELECT body FROM outbox o WHERE o.sealed_for = outbox.sealed_for AND o.id <> outbox.id LIMIT 1) WHERE id = (SELECT min(id) FROM ahead)`, "what it says is not what was queued"},
	"another kind":                     {`UPDATE outbox SET priority = 0 WHERE id = (SELECT min(id) FROM ahead)`, "its kind and its priority do not belong together"},
	"a message hangs":                  {`UPDATE outbox SET not_before = '2026-01-01T00:00:00.000Z' WHERE id = (SELECT min(id) FROM ahead)`, "it was due and has not gone out"},
	"a message is on the wire forever": {`UPDATE outbox SET state = 'sending', lease_until = '2026-01-01T00:00:00.000Z' WHERE id = (SELECT min(id) FROM ahead)`, "it was on the wire when the program ended"},
	"somebody else's button":           {`UPDATE buttons SET person_id = 1 WHERE token = (SELECT min(token) FROM buttons)`, "it is somebody else's than its message"},
	"a button that nobody offered":     {`UPDATE buttons SET action = 'trigger/given/x' WHERE token = (SELECT min(token) FROM buttons)`, "its message does not offer it"},
	"a case falls silent":              {`UPDATE outbox SET state = 'withdrawn', settled_at = created_at, lease_until = NULL WHERE topic = 'case/' || (SELECT id FROM cases WHERE key = 'planted') || '/tasks' AND state = 'queued'`, ": it is open, and nothing will ring for it"},
	"a case was changed":               {`UPDATE cases SET body = zeroblob(60) WHERE id = 1`, "case 1: what it says does not open"},
	"what happened to a case":          {`INSERT INTO case_events (case_id, at, what, by, body) VALUES (1, '2026-03-01T00:00:00.000Z', 'wrote', 1, x'00')`, "case 1: something that happened to it does not open"},
	"whoever has a case has left":      {`UPDATE cases SET state = 'taken', taken_at = opened_at, holder_id = (SELECT min(id) FROM staff) WHERE key = 'planted'; UPDATE staff SET left_at = created_at WHERE id = (SELECT min(id) FROM staff)`, ": whoever has it works here no more"},
	"nobody works here":                {`UPDATE staff SET left_at = created_at`, "nobody works here who may take a case"},
	"a shift that nobody is asked for": {`UPDATE outbox SET state = 'withdrawn', settled_at = created_at WHERE topic = 'shift/' || (SELECT max(id) FROM on_call)`, "it lies ahead, and nobody will be asked"},
	"a conversation was changed":       {`INSERT OR REPLACE INTO conversations VALUES ((SELECT person_id FROM patients WHERE handle = 'P-101'), x'00', '2026-03-01T00:00:00.000Z')`, "what is remembered of it does not open"},
	"a message was changed":            {`INSERT INTO inbox (source, external_id, digest, sealed_for, raw, state, received_at, settled_at) VALUES ('telegram', 'x', x'00', 1, x'00', 'handled', '2026-03-01T00:00:00.000Z', '2026-03-01T00:00:00.000Z')`, "what was sent does not open"},
	"a message waits":                  {`INSERT INTO inbox (source, external_id, digest, sealed_for, state, received_at) VALUES ('telegram', 'x', x'00', 1, 'new', '2026-01-01T00:00:00.000Z')`, "it came in and has not been handled"},
	"a message was parked":             {`INSERT INTO inbox (source, external_id, digest, sealed_for, state, received_at, settled_at) VALUES ('telegram', 'x', x'00', 1, 'stuck', '2026-01-01T00:00:00.000Z', '2026-01-01T00:00:00.000Z')`, "it could not be handled"},
	"a one-time secret was changed":    {`INSERT INTO credentials VALUES (1, 'x', x'00', 1, '2026-03-01T00:00:00.000Z')`, "staff 1: the secret of her one-time codes does not open"},
	"signed in, and has left":          {`INSERT INTO sessions (token_hash, staff_id, begun_at, seen_at) VALUES (x'00', 2, '2026-03-01T00:00:00.000Z', '2026-03-01T00:00:00.000Z'); UPDATE staff SET left_at = created_at WHERE id = 2`, "staff 2: she has left and a session"},
	"a colleague's name":               {`UPDATE staff SET name = x'00' WHERE id = 1`, "her name does not open"},
	"the record was changed":           {`UPDATE staff_actions SET action = 'see_rota' WHERE id = 3`, "the record of what staff did, row 3"},
	"the record was cut off":           {`DELETE FROM staff_actions WHERE id = (SELECT max(id) FROM staff_actions)`, "what came after is missing"},
	"a hand-over note was changed":     {`INSERT INTO handover_notes (patient_id, by, at, body) VALUES (1, 1, '2026-03-01T00:00:00.000Z', x'00')`, "hand-over note 1: what it says does not open"},
	"an arrival was changed":           {`INSERT INTO arrivals (source, content, kind, state, sealed_for, body, received_at, received_by) VALUES (x'00', x'00', 'result', 'waiting', 1, x'00', '2026-03-01T00:00:00.000Z', 1)`, "arrival 1: what it says does not open"},
	"a link's name was changed":        {`INSERT INTO links (patient_id, person_id, relation, what, language, name, since_at) VALUES (1, 1, 'partner', 'calendar', 'en', x'00', '2026-03-01T00:00:00.000Z')`, "link 1: the name of whoever may be told does not open"},
	"a place is gone":                  {`DELETE FROM places WHERE id = (SELECT min(id) FROM places WHERE step = 'monitoring' AND day = '2026-03-17')`, "has no place for its monitoring of 2026-03-17"},
	"a place that nobody booked":       {`INSERT INTO places (cycle_id, step, sort, day, minute, seat) VALUES (1, 'baseline', 'monitoring', '2026-03-27', 480, 1)`, "has a place for a baseline of 2026-03-27 that it has not booked"},
	"a row points nowhere":             {`UPDATE cycles SET patient_id = 999 WHERE id = 1`, "points to nothing in patients"},
}

func TestVerifyFindsWhatIsPlanted(t *testing.T) {
	t.Parallel()
	lived, master, now := lives(t)
	if said := verified(t, lived, master, now); len(said) > 0 {
		t.Fatalf("found before anything was planted: %q", said)
	}
	for name, f := range plantedFaults {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			path := filepath.Join(t.TempDir(), "planted.sqlite")
			if err := store.Copy(t.Context(), lived, path); err != nil {
				t.Fatal(err)
			}
			plant(t, path, now, f.do)
			said := verified(t, path, master, now)
			if !strings.Contains(strings.Join(said, "\n"), f.want) {
				t.Errorf("found %q, want %q", said, f.want)
			}
			if len(said) > 12 {
				t.Errorf("%d findings for one fault: %q", len(said), said)
			}
		})
	}
}

// plant does something to a file that the program does not, whatever guards it.
func plant(t *testing.T, path string, now time.Time, query string) {
	t.Helper()
	db, err := sql.Open("sqlite3", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	var triggers []string
	rows, err := db.Query(`SELECT name FROM sqlite_master WHERE type = 'trigger'`)
	if err != nil {
		t.Fatal(err)
	}
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			t.Fatal(err)
		}
		triggers = append(triggers, name)
	}
	rows.Close()
	for _, name := range triggers {
		if _, err := db.Exec(`DROP TRIGGER ` + name); err != nil {
			t.Fatal(err)
		}
	}
	// What a plan has promised that lies ahead, and is a message with no buttons.
	if _, err := db.Exec(`CREATE TEMP VIEW ahead AS SELECT id FROM outbox o WHERE topic LIKE 'cycle/%/plan' AND state = 'queued' AND due_at > '` + store.At(now).Text() +
		`' AND NOT EXISTS (SELECT 1 FROM buttons b WHERE b.outbox_id = o.id)`); err != nil {
		t.Fatal(err)
	}
	done, err := db.Exec(query)
	if err != nil {
		t.Fatal(err)
	}
	if n, err := done.RowsAffected(); err != nil || n == 0 {
		t.Fatal("it does nothing: this proves nothing", err)
	}
}

// A file that is scribbled on is damaged, and nothing else is looked at.
func TestVerifyFindsADamagedFile(t *testing.T) {
	t.Parallel()
	lived, master, now := lives(t)
	b, err := os.ReadFile(lived)
	if err != nil {
		t.Fatal(err)
	}
	for at := 40 << 10; at < len(b); at += 64 << 10 {
		copy(b[at:], bytes.Repeat([]byte{0xff}, 300))
	}
	if err := os.WriteFile(lived, b, 0o600); err != nil {
		t.Fatal(err)
	}
	if said := verified(t, lived, master, now); len(said) == 0 || !strings.HasPrefix(said[0], "the file: ") {
		t.Errorf("found %q", said)
	}
}

// The command, beside a program that serves: what it finds, how it ends, and that it
// names nobody and writes nothing.
func TestVerifyCommand(t *testing.T) {
	t.Parallel()
	p := newPremises(t, polling)
	p.takesOn("me duele mucho")
	serving := p.serve()
	eventually(t, "it serves", func() bool { return p.served() })
	verify := func(args ...string) outcome {
		return p.run(t.Context(), append([]string{"verify", "--config", p.config}, args...)...)
	}
	out := verify()
	if out.code != 0 || out.stderr != "" || !strings.HasPrefix(out.stdout, "nothing found; ") {
		t.Fatalf("%+v", out)
	}
	head := strings.TrimSpace(out.stdout[strings.LastIndex(out.stdout, " "):])
	if out := verify("--head", head); out.code != 0 {
		t.Errorf("%+v", out)
	}
	p.refusedOutcome(verify("--head", "x"), 2, "is no head of the record")
	serving.end()
	plant(t, p.database, time.Now(), `UPDATE patients SET name = x'00'`)
	plant(t, p.database, time.Now(), `UPDATE staff_actions SET action = 'see_rota' WHERE id = 2`)
	before, err := os.ReadFile(p.database)
	if err != nil {
		t.Fatal(err)
	}
	out = verify("--head", "7"+head)
	if out.code != 1 || !strings.Contains(out.stdout, "P-105: her name does not open under its person's key\n    do: restore the last backup") ||
		!strings.Contains(out.stdout, "row 2: was changed") || !strings.Contains(out.stdout, "a head that was published is not in the record") ||
		!strings.Contains(out.stderr, "3 findings") {
		t.Errorf("%+v", out)
	}
	for _, name := range []string{"Citlali", "Vern", "Tamsin", "duele"} {
		if strings.Contains(out.stdout+out.stderr, name) {
			t.Errorf("it says %q", name)
		}
	}
	if after, err := os.ReadFile(p.database); err != nil || !bytes.Equal(before, after) {
		t.Error("it has written to the database", err)
	}
	p.env[envKey] = seal.NewMasterKey()
	if out := verify(); out.code != 1 || !strings.Contains(out.stderr, "the master key does not fit this database") {
		t.Errorf("%+v", out)
	}
	p.write(p.config, "database: "+filepath.Join(p.folder, "none.sqlite")+"\n")
	if out := verify(); out.code != 1 || !strings.Contains(out.stderr, "there is no database") {
		t.Errorf("%+v", out)
	}
}

// A clinic's file of every schema that landed is brought up to date with all that it
// holds, and nothing is found in it.
func TestEveryLandedSchemaIsVerified(t *testing.T) {
	t.Parallel()
	lived, master, now := lives(t)
	for _, n := range landed(t) {
		t.Run(fmt.Sprintf("%05d", n), func(t *testing.T) {
			t.Parallel()
			path := asOf(t, n, lived)
			if _, err := store.View(t.Context(), path, clock.System{}); n < store.Schema() && !errors.Is(err, store.ErrOlder) {
				t.Errorf("looked at before it was brought up to date: %v", err)
			}
			before, err := store.Examine(t.Context(), path)
			if err != nil {
				t.Fatal(err)
			}
			a, err := newApp(t.Context(), setting{database: path, durability: store.Full, master: master, policy: plan.DefaultPolicy(), clock: clock.NewVirtual(now), log: slog.New(slog.DiscardHandler)})
			if err != nil {
				t.Fatal(err)
			}
			if err := a.db.Close(); err != nil {
				t.Fatal(err)
			}
			if said := verified(t, path, master, now); len(said) > 0 {
				t.Errorf("found %q", said)
			}
			after, err := store.Examine(t.Context(), path)
			if err != nil {
				t.Fatal(err)
			}
			for table, rows := range before.Rows {
				if table != "schema_version" && after.Rows[table] != rows {
					t.Errorf("%s has %d rows, had %d", table, after.Rows[table], rows)
				}
			}
		})
	}
}
