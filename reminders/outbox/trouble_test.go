package outbox_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

func (w *world) erase(p seal.Person) {
	w.exec(`UPDATE people SET wrapped = NULL, chat = NULL, chat_hash = NULL, erased_at = '2026-03-02T08:00:00.000Z' WHERE id = ?`, p)
}

// A row that can never go out, or may have gone out, is told to somebody, and the
// others go on.
func TestTrouble(t *testing.T) {
	t.Parallel()
	refuse := func(fate outbox.Fate) func(w *world) {
		return func(w *world) {
			w.wire.answer = func(e outbox.Envelope) outbox.Outcome {
				if e.Message.Text == "bad" {
					return outbox.Outcome{Fate: fate, Class: "blocked"}
				}
				return outbox.Outcome{Fate: outbox.Sent}
			}
		}
	}
	for name, c := range map[string]struct {
		kind    outbox.Kind
		arrange func(w *world)
		why     outbox.Why
		class   string
		text    string
		state   string
		sends   int
	}{
		"blocked":                   {outbox.Reminder, refuse(outbox.Never), outbox.Undelivered, "blocked", "bad", "failed", 1},
		"lost again and again":      {outbox.Reminder, refuse(outbox.Unknown), outbox.Doubtful, "blocked", "bad", "failed", 5},
		"what a person wrote, lost": {outbox.Answer, refuse(outbox.Unknown), outbox.Doubtful, "blocked", "bad", "failed", 1},
		"no chat":                   {outbox.Reminder, func(w *world) { w.exec(`UPDATE people SET chat = NULL, chat_hash = NULL WHERE id = ?`, w.people[0]) }, outbox.Undelivered, "no chat", "bad", "failed", 0},
		"a body that was changed":   {outbox.Reminder, func(w *world) { w.exec(`UPDATE outbox SET body = x'0102' WHERE key = 'bad'`) }, outbox.Undelivered, "unreadable", "", "failed", 0},
		"an address that was":       {outbox.Reminder, func(w *world) { w.exec(`UPDATE people SET chat = x'0102' WHERE id = ?`, w.people[0]) }, outbox.Undelivered, "unreadable", "bad", "failed", 0},
		"too late":                  {outbox.Reminder, func(w *world) { w.exec(`UPDATE outbox SET expires_at = '2026-03-02T08:00:00.000Z' WHERE key = 'bad'`) }, outbox.Late, "", "bad", "expired", 0},
		"a sender with no answer":   {outbox.Answer, func(w *world) { refuse("")(w) }, outbox.Doubtful, "no outcome", "bad", "failed", 1},
		"an erased person":          {outbox.Reminder, func(w *world) { w.erase(w.people[0]) }, "", "", "", "withdrawn", 0},
		"an erased person, too late": {outbox.Reminder, func(w *world) {
			w.erase(w.people[0])
			w.exec(`UPDATE outbox SET expires_at = '2026-03-02T08:00:00.000Z' WHERE key = 'bad'`)
		}, "", "", "", "withdrawn", 0},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := setup(t, 2)
			w.put(w.say("bad", c.kind, 0), w.say("good", c.kind, 1))
			c.arrange(w)
			w.runUntil(w.dispatcher(), monday.Add(time.Hour))
			if got := w.state("bad"); got != c.state {
				t.Errorf("the row is %s, want %s", got, c.state)
			}
			if got := w.state("good"); got != "sent" {
				t.Errorf("the other row is %s, want sent", got)
			}
			if got := strings.Count(strings.Join(w.wire.texts(), " "), "bad"); got != c.sends {
				t.Errorf("put on the wire %d times, want %d", got, c.sends)
			}
			if c.why == "" {
				if len(w.trouble) != 0 {
					t.Errorf("told %+v, want nothing", w.trouble)
				}
				return
			}
			if len(w.trouble) != 1 {
				t.Fatalf("told %+v, want one trouble", w.trouble)
			}
			got := w.trouble[0]
			if got.Why != c.why || got.Class != c.class || got.Text != c.text || got.Key != "bad" || got.To != w.people[0] || got.About != w.people[0] || got.Kind != c.kind {
				t.Errorf("told %+v", got)
			}
		})
	}
}

// Whoever should hear of a trouble may be broken. That must neither hold up
// others, nor send anything twice, nor lose the trouble.
func TestTroubleThatCannotBeToldIsToldLater(t *testing.T) {
	t.Parallel()
	for name, fail := range map[string]func(ctx context.Context, tx *store.Tx) error{
		"an error": func(context.Context, *store.Tx) error { return errors.New("on purpose") },
		"a panic":  func(context.Context, *store.Tx) error { panic("on purpose") },
		"a breach": func(ctx context.Context, tx *store.Tx) error {
			_, err := tx.Exec(ctx, `INSERT INTO poll_state (source, next_offset) VALUES (NULL, NULL)`)
			return err
		},
	} {
		for _, why := range []outbox.Why{outbox.Undelivered, outbox.Late, outbox.Stuck} {
			t.Run(name+", "+string(why), func(t *testing.T) {
				t.Parallel()
				w := setup(t, 2)
				d := w.dispatcher()
				told, calls := 0, 0
				d.OnTrouble = func(ctx context.Context, tx *store.Tx, got outbox.Trouble) error {
					if calls++; calls <= 3 {
						if err := tx.SetNextOffset(ctx, "half done", 1); err != nil {
							return err
						}
						return fail(ctx, tx)
					}
					told++
					if got.Why != why || got.Key != "bad" {
						t.Errorf("told %+v", got)
					}
					return nil
				}
				d.Tasks["broken"] = func(context.Context, *store.Tx, []byte) error { return errors.New("on purpose") }
				bad := w.say("bad", outbox.Reminder, 0)
				switch why {
				case outbox.Late:
					bad.Expires = monday
				case outbox.Stuck:
					bad = outbox.Want{Key: "bad", Topic: "t", Kind: outbox.Task, Run: "broken"}
				}
				w.wire.answer = func(e outbox.Envelope) outbox.Outcome {
					if e.Message.Text == "bad" {
						return outbox.Outcome{Fate: outbox.Never, Class: "chat not found"}
					}
					return outbox.Outcome{Fate: outbox.Sent}
				}
				w.put(bad)
				w.settle(d)
				w.put(w.say("good", outbox.Reminder, 1))
				w.settle(d)
				if got := w.state("good"); got != "sent" {
					t.Errorf("the other row is %s, want sent", got)
				}
				w.runUntil(d, monday.Add(time.Hour))
				if told != 1 || calls != 4 {
					t.Errorf("told %d times in %d calls, want once in 4", told, calls)
				}
				if n := strings.Count(strings.Join(w.wire.texts(), " "), "bad"); n > 1 {
					t.Errorf("put on the wire %d times", n)
				}
				var half bool
				w.get(&half, `SELECT EXISTS (SELECT 1 FROM poll_state WHERE source = 'half done')`)
				if half {
					t.Error("what the failed call had done was kept")
				}
			})
		}
	}
}

// No error, whatever goes wrong, quotes what a message says.
func TestReportsHoldNoText(t *testing.T) {
	t.Parallel()
	const canary = "Greta Solvay-Finch"
	w := setup(t, 2)
	d := w.dispatcher()
	d.Tasks["panics"] = func(_ context.Context, _ *store.Tx, payload []byte) error { panic(string(payload)) }
	d.OnTrouble = func(_ context.Context, _ *store.Tx, t outbox.Trouble) error { panic(t.Text) }
	w.wire.answer = func(e outbox.Envelope) outbox.Outcome { panic(e.Message.Text) }
	say := w.say("a", outbox.Answer, 0)
	say.Message.Text = canary
	late := w.say("b", outbox.Reply, 0)
	late.Message.Text, late.Expires = canary, monday
	w.put(say, late, outbox.Want{Key: "c", Topic: "t", Kind: outbox.Task, Run: "panics", Payload: canary},
		outbox.Want{Key: "d", Topic: "t", Kind: outbox.Task, Run: "missing", Payload: canary})
	odd := w.say("e", outbox.Reply, 1)
	w.put(odd)
	w.exec(`UPDATE outbox SET body = CAST('` + canary + `' AS BLOB) WHERE key = 'e'`)
	w.runUntil(d, monday.Add(10*time.Minute))
	if len(w.reports) < 5 {
		t.Errorf("only %d reports", len(w.reports))
	}
	for _, err := range w.reports {
		if strings.Contains(err.Error(), canary) {
			t.Errorf("a report quotes a message: %v", err)
		}
	}
	if got := w.state("a"); got != "failed" {
		t.Errorf("after a panic of the sender the row is %s, want failed: its fate is unknown", got)
	}
}

func TestTasks(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		fails   int // how often before it works
		panics  bool
		state   string
		runs    int
		trouble int
	}{
		"works":               {0, false, "done", 1, 0},
		"works in the end":    {2, false, "done", 3, 0},
		"panics, then works":  {1, true, "done", 2, 0},
		"never works":         {99, false, "failed", 3, 1},
		"panics all the time": {99, true, "failed", 3, 1},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := setup(t, 1)
			d := w.dispatcher()
			runs := 0
			d.Tasks["work"] = func(ctx context.Context, tx *store.Tx, payload []byte) error {
				if string(payload) != `{"Cycle":12}` {
					t.Errorf("payload %s", payload)
				}
				if err := tx.SetNextOffset(ctx, "runs", int64(runs)); err != nil {
					return err
				}
				if runs++; runs > c.fails {
					return w.box.Put(ctx, tx, w.say("follow", outbox.Reply, 0))
				}
				if c.panics {
					panic("on purpose")
				}
				return errors.New("on purpose")
			}
			other := 0
			d.Tasks["other"] = func(context.Context, *store.Tx, []byte) error { other++; return nil }
			w.put(outbox.Want{Key: "k", Topic: "t", Kind: outbox.Task, Run: "work", Payload: struct{ Cycle int }{12}},
				outbox.Want{Key: "l", Topic: "t", Kind: outbox.Task, Run: "other"})
			w.settle(d)
			if other != 1 {
				t.Errorf("the task after it ran %d times, want once", other)
			}
			w.runUntil(d, monday.Add(time.Hour))
			if got := w.state("k"); got != c.state || runs != c.runs || len(w.trouble) != c.trouble {
				t.Errorf("%s after %d runs with %d troubles, want %s after %d with %d", got, runs, len(w.trouble), c.state, c.runs, c.trouble)
			}
			var kept int
			w.get(&kept, `SELECT count(*) FROM poll_state`)
			if want := map[string]int{"done": 1}[c.state]; kept != want {
				t.Errorf("%d rows kept of what the runs did, want %d", kept, want)
			}
			if c.state == "done" && len(w.wire.sent) != 1 {
				t.Errorf("the task's message went out %d times", len(w.wire.sent))
			}
			if c.trouble == 1 && (w.trouble[0].Why != outbox.Stuck || w.trouble[0].Class != "work") {
				t.Errorf("told %+v", w.trouble[0])
			}
		})
	}
}

// A backlog of work delays no message: an alert goes between two tasks.
func TestTasksLetMessagesThrough(t *testing.T) {
	t.Parallel()
	w := setup(t, 1)
	d := w.dispatcher()
	var ran, before atomic.Int64
	d.Tasks["work"] = func(ctx context.Context, tx *store.Tx, _ []byte) error {
		if ran.Add(1) == 3 {
			return w.box.Put(ctx, tx, w.say("alert", outbox.Alert, 0))
		}
		return nil
	}
	w.wire.answer = func(outbox.Envelope) outbox.Outcome {
		before.Store(ran.Load())
		return outbox.Outcome{Fate: outbox.Sent}
	}
	var tasks []outbox.Want
	for i := range 100 {
		tasks = append(tasks, outbox.Want{Key: fmt.Sprint(i), Topic: "t", Kind: outbox.Task, Run: "work"})
	}
	w.put(tasks...)
	w.settle(d)
	if ran.Load() != 100 || before.Load() > 10 {
		t.Errorf("%d tasks ran, %d of them before the alert; want 100 and no more than 10", ran.Load(), before.Load())
	}
}
