package reminders_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// failer is a test, or one run of a property.
type failer interface {
	Helper()
	Fatal(args ...any)
	Fatalf(format string, args ...any)
}

var _ failer = (*rapid.T)(nil)

// clinic is a book of patients on a store of its own, with a clock that stands
// where it is put.
type clinic struct {
	path     string
	clock    *clock.Virtual
	db       *store.DB
	vault    *seal.Vault
	book     *reminders.Book
	sender   *outbox.Dispatcher
	mu       sync.Mutex
	sent     map[string][]string // texts by chat
	patients int
	concerns []reminders.Concern
	untold   bool
}

// monday is a morning on which the clinic is open.
var monday = civil.MustDate("2026-03-02")

func newClinic(t *testing.T, p plan.Policy, start time.Time) *clinic {
	t.Helper()
	c := &clinic{path: filepath.Join(t.TempDir(), "clinic.sqlite"), clock: clock.NewVirtual(start), sent: make(map[string][]string)}
	ctx := context.Background()
	var err error
	if c.db, err = store.Open(ctx, c.path, store.Relaxed, c.clock); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.db.Close() })
	if c.vault, err = seal.NewVault(make([]byte, seal.KeySize)); err != nil {
		t.Fatal(err)
	}
	if err := c.db.Within(ctx, c.vault.Ready); err != nil {
		t.Fatal(err)
	}
	words := phrase.MustLoad()
	box := outbox.New(c.vault, &clock.Bell{})
	c.book = &reminders.Book{Vault: c.vault, Outbox: box, Policy: p,
		Say: func(lang string, neutral bool, key string, args map[string]string) string {
			if neutral && words.Has(key+".neutral") {
				key += ".neutral"
			}
			return words.Say(lang, key, args)
		},
		Day:     func(lang string, d civil.Date) string { return phrase.Day(lang, d.Year, d.Month, d.Day) },
		Clock:   func(lang string, t civil.TimeOfDay) string { return phrase.Clock(lang, int(t)/60, int(t)%60) },
		Picture: func(reminders.Patient, plan.Plan, time.Time) *outbox.File { return nil },
		Untold:  func(context.Context, *store.Tx, reminders.Patient) (bool, error) { return c.untold, nil },
		Concern: func(_ context.Context, _ *store.Tx, k reminders.Concern) error {
			c.concerns = append(c.concerns, k)
			return nil
		},
	}
	c.sender = &outbox.Dispatcher{DB: c.db, Vault: c.vault, Outbox: box, Sender: c, Tasks: c.book.Tasks(),
		OnTrouble: func(context.Context, *store.Tx, outbox.Trouble) error { return nil },
		Report:    func(err error) { t.Error(err) }}
	return c
}

// Send delivers everything.
func (c *clinic) Send(_ context.Context, e outbox.Envelope) outbox.Outcome {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.sent[e.Chat] = append(c.sent[e.Chat], e.Message.Text)
	return outbox.Outcome{Fate: outbox.Sent, External: "1"}
}

func (c *clinic) within(t failer, fn func(ctx context.Context, tx *store.Tx) error) {
	t.Helper()
	if err := c.db.Within(context.Background(), fn); err != nil {
		t.Fatal(err)
	}
}

// enrol takes a patient in who may be written to.
func (c *clinic) enrol(t failer) (p reminders.Patient) {
	t.Helper()
	c.patients++
	c.within(t, func(ctx context.Context, tx *store.Tx) (err error) {
		p, err = c.book.AddPatient(ctx, tx, reminders.NewPatient{Handle: fmt.Sprintf("P-%d", c.patients), Name: "Ina Wexford", Language: "en"})
		if err != nil {
			return err
		}
		code, _, err := c.book.Invite(ctx, tx, p.ID)
		if err != nil {
			return err
		}
		if _, err := c.book.Redeem(ctx, tx, code, chatOf(p)); err != nil {
			return err
		}
		if err := c.book.Agree(ctx, tx, p.ID, "test"); err != nil {
			return err
		}
		p, err = c.book.Patient(ctx, tx, p.ID)
		return err
	})
	return p
}

func chatOf(p reminders.Patient) string { return fmt.Sprint(1000 + p.ID) }

// record writes a fact down as staff do, and reports whether it could be true.
func (c *clinic) record(t failer, p reminders.Patient, f plan.Fact) (id string, done bool) {
	t.Helper()
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		m, err := c.book.Record(ctx, tx, p.ID, f, reminders.Said{By: seal.House})
		if refused := (*plan.Refusal)(nil); errors.As(err, &refused) {
			return nil
		}
		id, done = m.Fact.ID, err == nil
		return err
	})
	return id, done
}

func (c *clinic) mustRecord(t failer, p reminders.Patient, f plan.Fact) string {
	t.Helper()
	id, done := c.record(t, p, f)
	if !done {
		t.Fatalf("the %s was refused", f.Kind)
	}
	return id
}

func (c *clinic) replan(t failer, p reminders.Patient) {
	t.Helper()
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		_, err := c.book.Replan(ctx, tx, p.ID)
		return err
	})
}

// at is a wall-clock time of the clinic.
func (c *clinic) at(d civil.Date, clock string) time.Time {
	return d.At(civil.MustTime(clock), c.book.Policy.Location())
}

// runUntil lets the outbox work, and time pass, up to an instant.
func (c *clinic) runUntil(t failer, end time.Time) {
	t.Helper()
	ctx := context.Background()
	for range 100_000 {
		next, err := c.sender.Tick(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if next.IsZero() || next.After(end) {
			if err := c.clock.Advance(ctx, end); err != nil {
				t.Fatal(err)
			}
			return
		}
		if next.After(c.clock.Now()) {
			if err := c.clock.Advance(ctx, next); err != nil {
				t.Fatal(err)
			}
		}
	}
	t.Fatal("the outbox found no rest")
}

// promise is a row of the outbox, opened.
type promise struct {
	Key, Kind, State, Due, Expires, Body string
	Message                              outbox.Message
}

func (p promise) due(t failer) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, p.Due)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

func (p promise) isTask() bool { return p.Kind == string(outbox.Task) }

// queued is what the plan of a patient promises and has not kept yet, by key.
// The keys begin behind the number of the cycle.
func (c *clinic) queued(t failer, p reminders.Patient) map[string]promise {
	t.Helper()
	all := make(map[string]promise)
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		cycle, err := c.book.Cycle(ctx, tx, p.ID)
		if err != nil {
			return err
		}
		topic := fmt.Sprintf("cycle/%d/", cycle.ID)
		var rows []struct {
			Key     string      `db:"key"`
			Kind    string      `db:"kind"`
			State   string      `db:"state"`
			About   seal.Person `db:"sealed_for"`
			Body    []byte      `db:"body"`
			Due     string      `db:"due_at"`
			Expires string      `db:"expires"`
		}
		if err := tx.Select(ctx, &rows, `SELECT key, kind, state, sealed_for, body, due_at, coalesce(expires_at, '') AS expires FROM outbox
			WHERE topic = ? AND state IN ('queued', 'sending')`, topic+"plan"); err != nil {
			return err
		}
		for _, r := range rows {
			plain, err := c.vault.Open(ctx, tx, r.About, "outbox", r.Body)
			if err != nil {
				return err
			}
			var said struct{ Message outbox.Message }
			if err := json.Unmarshal(plain, &said); err != nil {
				return err
			}
			key := strings.TrimPrefix(r.Key, topic)
			all[key] = promise{Key: key, Kind: r.Kind, State: r.State, Due: r.Due, Expires: r.Expires, Body: string(plain), Message: said.Message}
		}
		return nil
	})
	return all
}

// messages leaves the tasks out, tasks the messages.
func messages(all map[string]promise) map[string]promise {
	return only(all, func(p promise) bool { return !p.isTask() })
}

func tasks(all map[string]promise) map[string]promise { return only(all, promise.isTask) }

func only(all map[string]promise, keep func(promise) bool) map[string]promise {
	some := make(map[string]promise)
	for k, p := range all {
		if keep(p) {
			some[k] = p
		}
	}
	return some
}

// table is every row of the outbox about a patient, as text, all of its columns.
func (c *clinic) table(t failer, p reminders.Patient, where string) map[string]string {
	t.Helper()
	rows := make(map[string]string)
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		var list []struct {
			Key string `db:"key"`
			Row string `db:"whole"`
		}
		if err := tx.Select(ctx, &list, `SELECT key, json_array(id, topic, kind, priority, person_id, hex(body), hex(digest), due_at, not_before, expires_at,
			state, tries, external_id, sent_at, settled_at, created_at) AS whole FROM outbox WHERE sealed_for = ? AND `+where, p.Person); err != nil {
			return err
		}
		for _, r := range list {
			rows[r.Key] = r.Row
		}
		return nil
	})
	return rows
}

// anyFacts draws what a clinic may have entered about a cycle by the morning of
// its eleventh or so day, in the order of the days. Stop orders name their order
// by the place of it in the list, from 1.
func anyFacts(t *rapid.T, p plan.Policy, one civil.Date) []plan.Fact {
	zone := p.Location()
	on := func(from, to int, what string) civil.Date { return one.AddDays(rapid.IntRange(from, to).Draw(t, what)) }
	clock := func(what string) civil.TimeOfDay {
		return civil.TimeOfDay(15 * rapid.IntRange(0, 95).Draw(t, what))
	}
	flip := func(what string) bool { return rapid.Bool().Draw(t, what) }
	facts := []plan.Fact{
		{Kind: plan.PeriodStart, At: one.At(civil.MustTime("08:15"), zone)},
		{Kind: plan.BaselineFound, On: on(1, 3, "baseline"), Decision: rapid.SampledFrom([]plan.Decision{plan.Start, plan.Start, plan.Rescan}).Draw(t, "decision")},
	}
	for i, drug := range []string{"letrozole", "menotropin", "estradiol", "progesterone", "vitamin D"} {
		if !flip(drug) {
			continue
		}
		order := plan.Fact{Kind: plan.OrderGiven, Drug: drug, Dose: 5, Unit: "mg", Times: []civil.TimeOfDay{clock("hour of " + drug)}, From: on(3, 14, "first "+drug),
			Stop: rapid.SampledFrom([]plan.Stop{{AfterDoses: 5}, {AfterDays: 7}, {UntilOrder: true}}).Draw(t, "stop")}
		if later := (order.Times[0] + 720) % 1440; flip("twice a day") && later > order.Times[0] {
			order.Times = append(order.Times, later)
		}
		facts = append(facts, order)
		if i > 1 && flip("stopped "+drug) {
			facts = append(facts, plan.Fact{Kind: plan.StopOrder, Order: fmt.Sprint(len(facts)), On: order.From.AddDays(rapid.IntRange(1, 20).Draw(t, "last day"))})
		}
	}
	for _, step := range []plan.StepName{plan.Monitoring, plan.Transfer, plan.HCGFirst} {
		if flip("booked " + string(step)) {
			facts = append(facts, plan.Fact{Kind: plan.Visit, Step: step, At: on(9, 30, "day of "+string(step)).At(clock("hour of "+string(step)), zone)})
		}
	}
	if flip("embryos") {
		facts = append(facts, plan.Fact{Kind: plan.Embryos, EmbryoDay: rapid.SampledFrom([]int{3, 5, 6}).Draw(t, "age")})
	}
	if flip("trigger ordered") {
		facts = append(facts, plan.Fact{Kind: plan.TriggerOrder, At: on(11, 16, "trigger").At(clock("trigger at"), zone), Drug: "hCG", Dose: 10000, Unit: "IU"})
	}
	return facts
}

// enter records facts in an order, each after those it names; what is refused for
// now is tried again later. It reports the ID that each was given, by its place,
// and whether all could be entered.
func (c *clinic) enter(t failer, p reminders.Patient, facts []plan.Fact, order []int) (ids map[int]string, all bool) {
	t.Helper()
	ids = make(map[int]string)
	left := slices.Clone(order)
	for len(left) > 0 {
		var refused []int
		for _, i := range left {
			f := facts[i]
			if f.Order != "" {
				var named int
				_, _ = fmt.Sscan(f.Order, &named)
				if f.Order = ids[named-1]; f.Order == "" {
					refused = append(refused, i)
					continue
				}
			}
			id, done := c.record(t, p, f)
			if !done {
				refused = append(refused, i)
				continue
			}
			ids[i] = id
		}
		if len(refused) == len(left) {
			return ids, false
		}
		left = refused
	}
	return ids, true
}

// inOrder is 0, 1, .. n-1.
func inOrder(n int) []int {
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	return order
}
