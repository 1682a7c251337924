package outbox_test

import (
	"context"
	"errors"
	"path/filepath"
	"testing"
	"time"

	"handrail.example/reminders/clock"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/store"
)

// Five lost answers end it; refusals for now do not count among them.
func TestOnlyLostAnswersMakeDoubt(t *testing.T) {
	t.Parallel()
	w := setup(t, 1)
	n := 0
	w.wire.answer = func(outbox.Envelope) outbox.Outcome {
		if n++; n == 8 {
			return outbox.Outcome{Fate: outbox.Unknown, Class: "no answer"}
		} else if n > 8 {
			return outbox.Outcome{Fate: outbox.Sent}
		}
		return outbox.Outcome{Fate: outbox.Later, Class: "server error"}
	}
	w.put(w.say("k", outbox.Reminder, 0))
	w.runUntil(w.dispatcher(), monday.Add(time.Hour))
	if got := w.state("k"); got != "sent" || len(w.trouble) != 0 {
		t.Errorf("the row is %s, told %+v", got, w.trouble)
	}
	var attempts int
	w.get(&attempts, `SELECT count(*) FROM attempts`)
	if attempts != 9 {
		t.Errorf("%d attempts are on record, want 9", attempts)
	}
}

// The program ends at some moment of a pass; the next one finds what is missing.
func TestResumeAfterACrash(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		kind    outbox.Kind
		resume  bool
		sent    int
		after   time.Duration
		trouble int
	}{
		"a reminder goes again":             {outbox.Reminder, true, 1, 2 * time.Second, 0},
		"an alert goes again":               {outbox.Alert, true, 1, 2 * time.Second, 0},
		"what a person wrote does not":      {outbox.Answer, true, 0, 0, 1},
		"without Resume the lease runs out": {outbox.Reminder, false, 1, 2*time.Minute + 2*time.Second, 0},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := setup(t, 1)
			w.put(w.say("k", c.kind, 0))
			w.exec(`UPDATE outbox SET state = 'sending', lease_until = ?`, store.At(monday.Add(2*time.Minute)))
			d := w.dispatcher()
			if c.resume {
				if err := d.Resume(w.ctx); err != nil {
					t.Fatal(err)
				}
			}
			w.runUntil(d, monday.Add(time.Hour))
			if len(w.wire.sent) != c.sent || len(w.trouble) != c.trouble {
				t.Fatalf("sent %q, told %+v", w.wire.texts(), w.trouble)
			}
			if c.sent == 1 && w.wire.sent[0].at.Sub(monday) != c.after {
				t.Errorf("sent after %v, want %v", w.wire.sent[0].at.Sub(monday), c.after)
			}
			var class string
			w.get(&class, `SELECT class FROM attempts ORDER BY id LIMIT 1`)
			if class != "interrupted" {
				t.Errorf("the first attempt is on record as %q", class)
			}
		})
	}
}

// A program that ends again and again, each time with the same message on the
// wire, keeps the waits between the copies.
func TestWaitsOutliveTheProgram(t *testing.T) {
	t.Parallel()
	w := setup(t, 1)
	w.put(w.say("first", outbox.Reply, 0), w.say("second", outbox.Reply, 0))
	interrupted := 0
	for at := monday; at.Before(monday.Add(10 * time.Second)); at = at.Add(100 * time.Millisecond) {
		w.advance(at)
		d := w.dispatcher()
		if err := d.Resume(w.ctx); err != nil {
			t.Fatal(err)
		}
		w.wire.answer = func(e outbox.Envelope) outbox.Outcome {
			if e.Message.Text == "second" {
				t.Errorf("after %v the second overtook the first", at.Sub(monday))
			}
			interrupted++
			return outbox.Outcome{Fate: outbox.Unknown, Class: "interrupted"}
		}
		w.settle(d)
	}
	if interrupted != 3 { // at once, after 2 s, after 4 s more
		t.Errorf("the first was on the wire %d times in ten seconds, want 3", interrupted)
	}
	w.wire.answer = nil
	w.runUntil(w.dispatcher(), monday.Add(time.Hour))
	if w.state("first") != "sent" || w.state("second") != "sent" {
		t.Error("they did not go out in the end")
	}
}

// An outcome that could not be written down, because the disk was full or another
// process held the file, is kept and written down later; nothing goes twice.
func TestAnOutcomeIsKeptUntilItIsWrittenDown(t *testing.T) {
	t.Parallel()
	w := setup(t, 1)
	d := w.dispatcher()
	w.wire.answer = func(outbox.Envelope) outbox.Outcome {
		// From now on attempts cannot be written.
		w.exec(`CREATE TRIGGER full BEFORE INSERT ON attempts BEGIN SELECT RAISE(ABORT, 'no room'); END`)
		return outbox.Outcome{Fate: outbox.Sent, External: "5"}
	}
	w.put(w.say("k", outbox.Answer, 0))
	for range 3 {
		if _, err := d.Tick(w.ctx); err == nil {
			t.Error("a pass that could settle nothing reported no error")
		}
		w.advance(w.clock.Now().Add(5 * time.Minute)) // past the lease
	}
	w.exec(`DROP TRIGGER full`)
	w.settle(d)
	if got := w.state("k"); got != "sent" || len(w.wire.sent) != 1 || len(w.trouble) != 0 {
		t.Errorf("the row is %s after %d sends, told %+v", got, len(w.wire.sent), w.trouble)
	}
}

// Clocks are set back. What was due stays due, what was claimed is not stuck, and
// nobody waits for the time that is repeated.
func TestAClockThatIsSetBack(t *testing.T) {
	t.Parallel()
	w := setup(t, 3)
	steps := &stepping{Virtual: w.clock}
	db, err := store.Open(w.ctx, filepath.Join(t.TempDir(), "clinic.sqlite"), store.Relaxed, steps)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	w.db = db
	w.people = nil
	w.within(func(ctx context.Context, tx *store.Tx) error {
		if err := w.vault.Ready(ctx, tx); err != nil {
			return err
		}
		for i := range 3 {
			p, err := w.vault.Add(ctx, tx)
			if err != nil {
				return err
			}
			w.people = append(w.people, p)
			if _, err := w.vault.Link(ctx, tx, p, chatOf(i)); err != nil {
				return err
			}
		}
		return nil
	})
	refuse := true
	w.wire.answer = func(e outbox.Envelope) outbox.Outcome {
		if refuse {
			return outbox.Outcome{Fate: outbox.Later, After: 10 * time.Second, Class: "throttled"}
		}
		return outbox.Outcome{Fate: outbox.Sent}
	}
	d := w.dispatcher()
	w.put(w.say("reply", outbox.Reply, 0), w.say("alert", outbox.Alert, 1))
	if _, err := d.Tick(w.ctx); err != nil {
		t.Fatal(err)
	}
	w.put(w.say("crashed", outbox.Reply, 2), w.say("fresh", outbox.Reply, 1))
	w.exec(`UPDATE outbox SET state = 'sending', lease_until = ? WHERE key = 'crashed'`, store.At(monday.Add(2*time.Minute)))
	later := w.say("later", outbox.Reminder, 2)
	later.Due = monday.Add(time.Hour)
	w.put(later)
	refuse = false
	steps.back = time.Hour
	for range 30 { // half a minute goes by
		for range 5 {
			if _, err := d.Tick(w.ctx); err != nil {
				t.Fatal(err)
			}
		}
		w.advance(w.clock.Now().Add(time.Second))
	}
	for _, key := range []string{"reply", "alert", "crashed", "fresh"} {
		if got := w.state(key); got != "sent" {
			t.Errorf("%s is %s, want sent", key, got)
		}
	}
	if got := w.state("later"); got != "queued" {
		t.Errorf("what is due in an hour is %s, want queued", got)
	}
}

// stepping is a clock that can be set back.
type stepping struct {
	*clock.Virtual
	back time.Duration
}

func (s *stepping) Now() time.Time { return s.Virtual.Now().Add(-s.back) }

func TestNextDue(t *testing.T) {
	t.Parallel()
	w := setup(t, 1)
	d := w.dispatcher()
	due := func() time.Time {
		t.Helper()
		at, err := d.NextDue(w.ctx)
		if err != nil {
			t.Fatal(err)
		}
		return at
	}
	if got := due(); !got.IsZero() {
		t.Errorf("with nothing to do: %v", got)
	}
	want := w.say("k", outbox.Dose, 0)
	want.Due, want.Expires = monday.Add(2*time.Hour), monday.Add(3*time.Hour)
	w.put(want, outbox.Want{Key: "task", Topic: "t", Kind: outbox.Task, Run: "r", Due: monday.Add(4 * time.Hour)})
	if got := due(); !got.Equal(monday.Add(2 * time.Hour)) {
		t.Errorf("got %v, want the dose in two hours", got)
	}
	w.within(func(ctx context.Context, tx *store.Tx) error { return w.box.Withdraw(ctx, tx, "talk") })
	if got := due(); !got.Equal(monday.Add(4 * time.Hour)) {
		t.Errorf("got %v, want the task in four hours", got)
	}
}

func TestTickReportsAFailureOfTheDatabase(t *testing.T) {
	t.Parallel()
	w := setup(t, 1)
	d := w.dispatcher()
	ctx, cancel := context.WithCancel(w.ctx)
	cancel()
	if _, err := d.Tick(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, want the context's error", err)
	}
}
