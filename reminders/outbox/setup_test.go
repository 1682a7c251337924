package outbox_test

import (
	"context"
	"fmt"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"handrail.example/reminders/clock"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

var monday = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// wire is a Sender that keeps what it was given and answers as it is told.
type wire struct {
	mu     sync.Mutex
	clock  clock.Clock
	sent   []delivery
	answer func(outbox.Envelope) outbox.Outcome // nil: everything is delivered
}

type delivery struct {
	outbox.Envelope
	at      time.Time
	outcome outbox.Outcome
}

func (w *wire) Send(_ context.Context, e outbox.Envelope) outbox.Outcome {
	w.mu.Lock()
	answer := w.answer
	n := len(w.sent) + 1
	w.mu.Unlock()
	o := outbox.Outcome{Fate: outbox.Sent, External: fmt.Sprint(n)}
	if answer != nil {
		o = answer(e)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.sent = append(w.sent, delivery{e, w.clock.Now(), o})
	return o
}

// texts lists what was put on the wire, in order.
func (w *wire) texts() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	var all []string
	for _, d := range w.sent {
		all = append(all, d.Message.Text)
	}
	return all
}

// failer is a test, or one run of a property.
type failer interface {
	Helper()
	Fatal(args ...any)
}

// world is a store, a vault and an outbox with people in it.
type world struct {
	t       failer
	ctx     context.Context
	clock   *clock.Virtual
	db      *store.DB
	vault   *seal.Vault
	bell    clock.Bell
	box     *outbox.Outbox
	wire    *wire
	people  []seal.Person
	trouble []outbox.Trouble
	reports []error
	path    string
}

func setup(t testing.TB, people int) *world {
	t.Helper()
	return setupAt(t, filepath.Join(t.TempDir(), "clinic.sqlite"), people, store.Relaxed)
}

func setupAt(t testing.TB, path string, people int, durability store.Durability) *world {
	t.Helper()
	w := &world{t: t, ctx: context.Background(), clock: clock.NewVirtual(monday), path: path}
	db, err := store.Open(w.ctx, path, durability, w.clock)
	if err != nil {
		t.Fatal(err)
	}
	w.db = db
	t.Cleanup(func() { _ = db.Close() })
	if w.vault, err = seal.NewVault(make([]byte, seal.KeySize)); err != nil {
		t.Fatal(err)
	}
	w.box = outbox.New(w.vault, &w.bell)
	w.wire = &wire{clock: w.clock}
	w.within(func(ctx context.Context, tx *store.Tx) error {
		if err := w.vault.Ready(ctx, tx); err != nil {
			return err
		}
		for i := range people {
			p, err := w.vault.Add(ctx, tx)
			if err != nil {
				return err
			}
			if _, err := w.vault.Link(ctx, tx, p, chatOf(i)); err != nil {
				return err
			}
			w.people = append(w.people, p)
		}
		return nil
	})
	return w
}

// chatOf is the address of the i-th person.
func chatOf(i int) string { return fmt.Sprint(1000 + i) }

func (w *world) within(fn func(ctx context.Context, tx *store.Tx) error) {
	w.t.Helper()
	if err := w.db.Within(w.ctx, fn); err != nil {
		w.t.Fatal(err)
	}
}

func (w *world) put(wants ...outbox.Want) {
	w.t.Helper()
	w.within(func(ctx context.Context, tx *store.Tx) error {
		for _, want := range wants {
			if err := w.box.Put(ctx, tx, want); err != nil {
				return err
			}
		}
		return nil
	})
}

func (w *world) reconcile(topic string, wants ...outbox.Want) (c outbox.Changes) {
	w.t.Helper()
	w.within(func(ctx context.Context, tx *store.Tx) (err error) {
		c, err = w.box.Reconcile(ctx, tx, topic, wants)
		return err
	})
	return c
}

// dispatcher is a new one on the same rows, as after a restart.
func (w *world) dispatcher() *outbox.Dispatcher {
	return &outbox.Dispatcher{DB: w.db, Vault: w.vault, Outbox: w.box, Sender: w.wire,
		Tasks: map[string]outbox.TaskFunc{},
		OnTrouble: func(_ context.Context, _ *store.Tx, t outbox.Trouble) error {
			w.trouble = append(w.trouble, t)
			return nil
		},
		Report: func(err error) { w.reports = append(w.reports, err) }}
}

// settle makes passes until there is nothing to do at this instant.
func (w *world) settle(d *outbox.Dispatcher) time.Time {
	w.t.Helper()
	for range 100_000 {
		next, err := d.Tick(w.ctx)
		if err != nil {
			w.t.Fatal(err)
		}
		if next.IsZero() || next.After(w.clock.Now()) {
			return next
		}
	}
	w.t.Fatal("the dispatcher found no rest")
	return time.Time{}
}

// runUntil lets the dispatcher work, and time pass, up to an instant.
func (w *world) runUntil(d *outbox.Dispatcher, end time.Time) {
	w.t.Helper()
	for {
		next := w.settle(d)
		if next.IsZero() || next.After(end) {
			w.advance(end)
			return
		}
		w.advance(next)
	}
}

func (w *world) advance(to time.Time) {
	w.t.Helper()
	if err := w.clock.Advance(w.ctx, to); err != nil {
		w.t.Fatal(err)
	}
}

// state is what the row under a key says of itself.
func (w *world) state(key string) (state string) {
	w.t.Helper()
	w.get(&state, `SELECT state FROM outbox WHERE key = ?`, key)
	return state
}

func (w *world) get(dst any, query string, args ...any) {
	w.t.Helper()
	if err := w.db.Read(w.ctx, func(ctx context.Context, tx *store.Tx) error { return tx.Get(ctx, dst, query, args...) }); err != nil {
		w.t.Fatal(err)
	}
}

func (w *world) exec(query string, args ...any) {
	w.t.Helper()
	w.within(func(ctx context.Context, tx *store.Tx) error {
		_, err := tx.Exec(ctx, query, args...)
		return err
	})
}

// say is a message to the i-th person.
func (w *world) say(key string, kind outbox.Kind, i int) outbox.Want {
	return outbox.Want{Key: key, Topic: "talk", Kind: kind, To: w.people[i], Message: outbox.Message{Text: key}}
}
