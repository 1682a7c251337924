package outbox_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"handrail.example/reminders/outbox"
	"handrail.example/reminders/store"
)

// promise is what a simple model knows of a row.
type promise struct {
	order     int // in which it was first made
	kind      outbox.Kind
	person    int
	text      string
	due       time.Time
	state     string // queued, withdrawn, sent or failed
	unknown   int    // lost answers so far
	firstLost time.Time
}

func (p *promise) priority() int {
	return map[outbox.Kind]int{outbox.Alert: 0, outbox.Answer: 1, outbox.Reply: 1, outbox.Reminder: 4}[p.kind]
}

// landing is when something got through.
type landing struct {
	pass int
	at   time.Time
}

// machine drives an outbox and the model side by side.
type machine struct {
	*world
	dispatcher *outbox.Dispatcher
	rows       map[string]*promise
	fates      map[string][]outbox.Fate // drawn beforehand, since chats go side by side
	seen       int                      // deliveries that the model knows of
	failures   int
	versions   int
	pass       int // of the dispatcher
	delivered  []landing
}

var (
	machineKeys  = []string{"a", "b", "c", "d", "e", "f"}
	machineKinds = []outbox.Kind{outbox.Alert, outbox.Answer, outbox.Reply, outbox.Reminder}
)

// Whatever happens in whatever order: nothing is sent twice unless its fate was
// unknown, nothing is lost, nothing withdrawn goes out, what was sent never
// changes, and within a chat messages of a priority keep their order.
func TestOutboxAgainstAModel(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	n := 0
	rapid.Check(t, func(rt *rapid.T) {
		n++
		path := filepath.Join(dir, fmt.Sprintf("%d.sqlite", n))
		w := setupAt(t, path, 2, store.Relaxed)
		w.t = rt
		defer os.Remove(path)
		defer w.db.Close()
		m := &machine{world: w, dispatcher: w.dispatcher(), rows: make(map[string]*promise), fates: make(map[string][]outbox.Fate)}
		for _, key := range machineKeys {
			m.fates[key] = rapid.SliceOfN(rapid.SampledFrom([]outbox.Fate{outbox.Sent, outbox.Sent, outbox.Later, outbox.Never, outbox.Unknown}), 12, 12).Draw(rt, "fates of "+key)
		}
		tries := make(map[int64]int)
		keyOf := make(map[int64]string)
		w.wire.answer = func(e outbox.Envelope) outbox.Outcome {
			w.wire.mu.Lock()
			defer w.wire.mu.Unlock()
			if keyOf[e.Row] == "" {
				var key string
				w.get(&key, `SELECT key FROM outbox WHERE id = ?`, e.Row)
				keyOf[e.Row] = key
			}
			i := tries[e.Row]
			tries[e.Row]++
			return outbox.Outcome{Fate: fateAt(m.fates[keyOf[e.Row]], i), Class: "drawn", External: "x"}
		}
		rt.Repeat(map[string]func(*rapid.T){
			"put":       m.doPut,
			"reconcile": m.doReconcile,
			"withdraw":  m.doWithdraw,
			"tick":      m.doTick,
			"wait":      m.doWait,
			"crash":     m.doCrash,
			"":          m.check,
		})
		m.finish(rt)
	})
}

// fateAt is the i-th fate; beyond the drawn ones everything is delivered.
func fateAt(fates []outbox.Fate, i int) outbox.Fate {
	if i < len(fates) {
		return fates[i]
	}
	return outbox.Sent
}

func (m *machine) draw(t *rapid.T, key string) outbox.Want {
	m.versions++
	w := outbox.Want{Key: key, Topic: "t", Kind: rapid.SampledFrom(machineKinds).Draw(t, "kind"),
		To: m.people[rapid.IntRange(0, 1).Draw(t, "person")]}
	if later := rapid.IntRange(-1, 3).Draw(t, "due"); later != 0 {
		w.Due = m.clock.Now().Add(time.Duration(later) * 20 * time.Second)
	}
	w.Message.Text = fmt.Sprintf("%s, version %d", key, m.versions)
	return w
}

// model does to the model what Put does to the row.
func (m *machine) model(w outbox.Want) {
	p := m.rows[w.Key]
	if p == nil {
		p = &promise{order: len(m.rows)}
		m.rows[w.Key] = p
	}
	if p.state == "sent" || p.state == "failed" {
		return
	}
	p.kind, p.text, p.state, p.due = w.Kind, w.Message.Text, "queued", w.Due
	p.person = map[bool]int{true: 0, false: 1}[w.To == m.people[0]]
	if now := m.clock.Now(); p.due.Before(now) {
		p.due = now
	}
}

func (m *machine) doPut(t *rapid.T) {
	w := m.draw(t, rapid.SampledFrom(machineKeys).Draw(t, "key"))
	m.put(w, w) // twice is once
	m.model(w)
}

func (m *machine) doReconcile(t *rapid.T) {
	var wants []outbox.Want
	wanted := make(map[string]bool)
	for _, key := range machineKeys {
		if rapid.Bool().Draw(t, "want "+key) {
			wants = append(wants, m.draw(t, key))
			wanted[key] = true
		}
	}
	m.reconcile("t", wants...)
	for _, w := range wants {
		m.model(w)
	}
	for key, p := range m.rows {
		if !wanted[key] && p.state == "queued" {
			p.state = "withdrawn"
		}
	}
	if again := m.reconcile("t", wants...); again != (outbox.Changes{}) {
		t.Fatalf("the second time it changed %+v", again)
	}
}

func (m *machine) doWithdraw(t *rapid.T) {
	key := rapid.SampledFrom(machineKeys).Draw(t, "key")
	m.within(func(ctx context.Context, tx *store.Tx) error { return m.box.WithdrawKey(ctx, tx, key) })
	if p := m.rows[key]; p != nil && p.state == "queued" {
		p.state = "withdrawn"
	}
}

func (m *machine) doTick(t *rapid.T) {
	if _, err := m.dispatcher.Tick(m.ctx); err != nil {
		t.Fatal(err)
	}
	m.follow(t)
}

func (m *machine) doWait(t *rapid.T) {
	m.advance(m.clock.Now().Add(time.Duration(rapid.IntRange(1, 60).Draw(t, "seconds")) * time.Second))
}

// doCrash ends the program right after it had claimed a row, and starts it again.
func (m *machine) doCrash(t *rapid.T) {
	key := rapid.SampledFrom(machineKeys).Draw(t, "key")
	if p := m.rows[key]; p != nil && p.state == "queued" && !p.due.After(m.clock.Now()) {
		m.exec(`UPDATE outbox SET state = 'sending', lease_until = ? WHERE key = ?`, store.At(m.clock.Now().Add(time.Minute)), key)
		defer m.lost(key, p)
	}
	m.pass++
	m.dispatcher = m.world.dispatcher()
	if err := m.dispatcher.Resume(m.ctx); err != nil {
		t.Fatal(err)
	}
}

// lost is what an unknown outcome does to a promise: it is given up after five, if
// anything has got through to anybody since the first of them. Within one pass
// that may be seen either way.
func (m *machine) lost(key string, p *promise) {
	if p.unknown++; p.unknown == 1 {
		p.firstLost = m.clock.Now()
	}
	after := slices.ContainsFunc(m.delivered, func(d landing) bool { return d.pass < m.pass && !d.at.Before(p.firstLost) })
	perhaps := m.state(key) == "failed" && slices.ContainsFunc(m.delivered, func(d landing) bool { return d.pass == m.pass })
	switch {
	case p.kind == outbox.Answer || p.unknown >= 5 && after || p.unknown >= 20:
		p.state = "failed"
	case p.unknown >= 5 && perhaps:
		p.state = "failed"
	default:
		return
	}
	m.failures++
}

// follow takes what was put on the wire since, in order, and holds each against
// the model before it learns what became of it.
func (m *machine) follow(t *rapid.T) {
	m.pass++
	m.wire.mu.Lock()
	defer m.wire.mu.Unlock()
	for _, d := range m.wire.sent[m.seen:] {
		if d.outcome.Fate == outbox.Sent {
			m.delivered = append(m.delivered, landing{m.pass, d.at})
		}
	}
	for ; m.seen < len(m.wire.sent); m.seen++ {
		d := m.wire.sent[m.seen]
		var p *promise
		var name string
		for key, q := range m.rows {
			if d.Message.Text == q.text {
				p, name = q, key
			} else if len(d.Message.Text) > 1 && d.Message.Text[:1] == key {
				t.Fatalf("%q went out, but %q was wanted", d.Message.Text, q.text)
			}
		}
		switch {
		case p == nil:
			t.Fatalf("%q went out, which nobody wanted", d.Message.Text)
		case p.state != "queued":
			t.Fatalf("%q went out although it was %s", d.Message.Text, p.state)
		case d.at.Before(p.due):
			t.Fatalf("%q went out at %v, before %v", d.Message.Text, d.at, p.due)
		case d.Chat != chatOf(p.person):
			t.Fatalf("%q went to %s", d.Message.Text, d.Chat)
		}
		for _, q := range m.rows {
			before := q.due.Before(p.due) || q.due.Equal(p.due) && q.order < p.order
			if q != p && q.state == "queued" && q.person == p.person && q.priority() == p.priority() && p.priority() != 0 && before {
				t.Fatalf("%q overtook %q", p.text, q.text)
			}
		}
		switch d.outcome.Fate {
		case outbox.Sent:
			p.state = "sent"
		case outbox.Never:
			p.state = "failed"
			m.failures++
		case outbox.Unknown:
			m.lost(name, p)
		}
	}
}

// check compares the rows with the model.
func (m *machine) check(t *rapid.T) {
	for key, p := range m.rows {
		if got := m.state(key); got != p.state {
			t.Fatalf("%s is %s, want %s", key, got, p.state)
		}
	}
	if len(m.trouble) != m.failures {
		t.Fatalf("%d troubles were told, want %d", len(m.trouble), m.failures)
	}
	if len(m.reports) != 0 {
		t.Fatalf("reported: %v", m.reports)
	}
}

// finish lets everything through at last: nothing may be left behind.
func (m *machine) finish(t *rapid.T) {
	for range 500 {
		next, err := m.dispatcher.Tick(m.ctx)
		if err != nil {
			t.Fatal(err)
		}
		m.follow(t)
		if next.IsZero() {
			break
		}
		if next.After(m.clock.Now()) {
			m.advance(next)
		}
	}
	m.check(t)
	for key, p := range m.rows {
		if p.state == "queued" {
			t.Fatalf("%s was lost", key)
		}
	}
}
