package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"handrail.example/dialog"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// benchClinic is a clinic with any number of patients, for benchmarks: its
// database lies ready in a file that each of them copies.
type benchClinic struct {
	file   string
	master []byte
	now    time.Time
	chats  []int64 // of those who write
}

// writers is how many patients write; all others only fill the tables.
const writers = 100

// newBenchClinic enrols the writers through the program, on the fifth day of their
// cycles with a dose just due, and between them as many others as copies of their
// rows.
func newBenchClinic(b *testing.B, patients int) *benchClinic {
	b.Helper()
	s, err := readScenario()
	if err != nil {
		b.Fatal(err)
	}
	morning, err := s.at(plan.DefaultPolicy().Location())
	if err != nil {
		b.Fatal(err)
	}
	c := newClinicFile(b, morning.Add(time.Hour))
	a := c.open(b, c.file, store.Relaxed, nil)
	defer a.db.Close()
	begun, days := s.Patients[3], s.Patients[:4]
	s.Patients = nil
	if err := s.fill(b.Context(), a); err != nil {
		b.Fatal(err)
	}
	if err := a.db.Within(b.Context(), func(ctx context.Context, tx *store.Tx) error {
		by, _, err := a.desk.StaffByPerson(ctx, tx, seal.House+1)
		if err != nil {
			return err
		}
		models, err := enrolModels(ctx, tx, a, by, days)
		if err != nil {
			return err
		}
		for n := range patients {
			if n%(patients/writers) != 0 {
				if err := models[n%len(models)].copy(ctx, tx); err != nil {
					return err
				}
				continue
			}
			p := begun
			p.Handle, p.Chat = fmt.Sprintf("W-%d", n), int64(10_000+n)
			c.chats = append(c.chats, p.Chat)
			if err := p.enrol(ctx, tx, a, by); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		b.Fatal(err)
	}
	return c
}

func newClinicFile(b *testing.B, now time.Time) *benchClinic {
	b.Helper()
	master, err := seal.ParseMasterKey(seal.NewMasterKey())
	if err != nil {
		b.Fatal(err)
	}
	return &benchClinic{file: filepath.Join(b.TempDir(), "clinic.sqlite"), master: master, now: now}
}

// open wires the program on a file of the clinic.
func (c *benchClinic) open(b *testing.B, file string, durability store.Durability, sender outbox.Sender) *app {
	b.Helper()
	a, err := newApp(b.Context(), setting{database: file, durability: durability, master: c.master, policy: plan.DefaultPolicy(),
		clock: clock.NewVirtual(c.now), log: slog.New(slog.NewTextHandler(os.Stderr, nil)), sender: sender})
	if err != nil {
		b.Fatal(err)
	}
	return a
}

// fresh copies the clinic's file to a new one.
func (c *benchClinic) fresh(b *testing.B) string {
	b.Helper()
	from, err := os.Open(c.file)
	if err != nil {
		b.Fatal(err)
	}
	defer from.Close()
	to, err := os.Create(filepath.Join(b.TempDir(), "copy.sqlite"))
	if err != nil {
		b.Fatal(err)
	}
	if _, err := io.Copy(to, from); err != nil {
		b.Fatal(err)
	}
	// What the disk still has to write is no part of what is measured.
	if err := to.Sync(); err != nil {
		b.Fatal(err)
	}
	if err := to.Close(); err != nil {
		b.Fatal(err)
	}
	return to.Name()
}

// texts are what the writers write in turn: a dose taken, a question that the bot
// answers, something for a human, thanks.
var texts = []string{
	"took my letrozole at 8", "when is my next appointment?", "some mild cramps and bloating since yesterday, is that from the tablets?", "thank you so much!",
}

// update is the n-th message of the day, as the platform sends it.
func (c *benchClinic) update(n int) dialog.Arrival {
	chat := c.chats[n%len(c.chats)]
	raw, err := json.Marshal(map[string]any{"update_id": n + 1, "message": map[string]any{
		"message_id": n + 1, "date": c.now.Unix(), "text": texts[n/len(c.chats)%len(texts)],
		"from": map[string]any{"id": chat, "is_bot": false, "first_name": "Invented", "language_code": "en"},
		"chat": map[string]any{"id": chat, "type": "private", "first_name": "Invented"}}})
	if err != nil {
		panic(err) // plain values always can be written
	}
	return dialog.Arrival{ID: int64(n + 1), Raw: raw, Chat: fmt.Sprint(chat), Next: int64(n + 2)}
}

// model is a patient whose rows are copied for others.
type model struct{ person, patient, cycle int64 }

// enrolModels enrols a patient for each person of the scenario, to copy.
func enrolModels(ctx context.Context, tx *store.Tx, a *app, by triage.Staff, people []scenarioPerson) ([]model, error) {
	models := make([]model, len(people))
	for i, p := range people {
		p.Handle, p.Chat = fmt.Sprintf("M-%d", i), int64(1_000+i)
		if err := p.enrol(ctx, tx, a, by); err != nil {
			return nil, err
		}
		m := &models[i]
		if err := tx.Get(ctx, &m.patient, `SELECT id FROM patients WHERE handle = ?`, p.Handle); err != nil {
			return nil, err
		}
		if err := tx.Get(ctx, &m.person, `SELECT person_id FROM patients WHERE id = ?`, m.patient); err != nil {
			return nil, err
		}
		if err := tx.Get(ctx, &m.cycle, `SELECT id FROM cycles WHERE patient_id = ?`, m.patient); err != nil {
			return nil, err
		}
	}
	return models, nil
}

// copy adds a patient with the rows of m under numbers of her own. She has the same
// key, so that they can be read, and a chat from which nobody writes.
func (m model) copy(ctx context.Context, tx *store.Tx) error {
	var n model
	if err := tx.Get(ctx, &n.person, `INSERT INTO people (wrapped, chat_hash, chat, created_at)
		SELECT wrapped, randomblob(32), chat, created_at FROM people WHERE id = ? RETURNING id`, m.person); err != nil {
		return err
	}
	if err := tx.Get(ctx, &n.patient, `INSERT INTO patients (person_id, handle, name, language, neutral, state, consent_version, consent_at, created_at)
		SELECT ?1, 'C-' || ?1, name, language, neutral, state, consent_version, consent_at, created_at FROM patients WHERE id = ?2 RETURNING id`, n.person, m.patient); err != nil {
		return err
	}
	if err := tx.Get(ctx, &n.cycle, `INSERT INTO cycles (patient_id, protocol, opened_at)
		SELECT ?, protocol, opened_at FROM cycles WHERE id = ? RETURNING id`, n.patient, m.cycle); err != nil {
		return err
	}
	for _, s := range []struct {
		query string
		args  []any
	}{
		{`INSERT INTO checklist (patient_id, item, done_on, said_by, recorded_at)
			SELECT ?, item, done_on, said_by, recorded_at FROM checklist WHERE patient_id = ?`, []any{n.patient, m.patient}},
		{`INSERT INTO facts (cycle_id, kind, body, said_by, recorded_at)
			SELECT ?, kind, body, said_by, recorded_at FROM facts WHERE cycle_id = ?`, []any{n.cycle, m.cycle}},
		{`INSERT INTO dose_answers (cycle_id, dose, answer, said_by, recorded_at)
			SELECT ?, dose, answer, ?, recorded_at FROM dose_answers WHERE cycle_id = ?`, []any{n.cycle, n.person, m.cycle}},
		{`INSERT INTO outbox (key, topic, kind, priority, person_id, sealed_for, body, digest, due_at, not_before, expires_at, state, settled_at, created_at)
			SELECT 'cycle/' || ?1 || substr(key, length('cycle/' || ?3) + 1), 'cycle/' || ?1 || '/plan', kind, priority, iif(person_id IS NULL, NULL, ?2), ?2,
			body, digest, due_at, not_before, expires_at, state, settled_at, created_at FROM outbox WHERE topic = 'cycle/' || ?3 || '/plan'`,
			[]any{n.cycle, n.person, m.cycle}},
		{`INSERT INTO buttons (token, outbox_id, person_id, action) SELECT lower(hex(randomblob(11))), n.id, ?2, b.action
			FROM outbox o JOIN buttons b ON b.outbox_id = o.id JOIN outbox n ON n.key = 'cycle/' || ?1 || substr(o.key, length('cycle/' || ?3) + 1)
			WHERE o.topic = 'cycle/' || ?3 || '/plan'`, []any{n.cycle, n.person, m.cycle}},
	} {
		if _, err := tx.Exec(ctx, s.query, s.args...); err != nil {
			return err
		}
	}
	return nil
}
