package dialog

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"handrail.example/reminders/clock"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// letterbox is an inbox with a worker on it whose handler does what each message
// tells it to.
type letterbox struct {
	path    string
	clock   *clock.Virtual
	db      *store.DB
	vault   *seal.Vault
	intake  *Intake
	worker  *Worker
	handled []string // "chat: text", in order
	parked  []string
	reports []string
	ids     int64
	// fails has what a message's handler does, and how often it still does so.
	fails map[string]*failing
	// parkFails is what happens to whoever is told of a parked message.
	parkFails func() error
}

type failing struct {
	times int
	how   func() error
}

var errHandler = errors.New("the handler is not in the mood")

func newLetterbox(t testing.TB) *letterbox {
	t.Helper()
	b := &letterbox{path: filepath.Join(t.TempDir(), "clinic.sqlite"), clock: clock.NewVirtual(on(2, "09:00")), fails: make(map[string]*failing)}
	var err error
	if b.db, err = store.Open(t.Context(), b.path, store.Relaxed, b.clock); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = b.db.Close() })
	if b.vault, err = seal.NewVault(make([]byte, seal.KeySize)); err != nil {
		t.Fatal(err)
	}
	if err := b.db.Within(t.Context(), b.vault.Ready); err != nil {
		t.Fatal(err)
	}
	var bell clock.Bell
	b.intake = &Intake{DB: b.db, Vault: b.vault, Source: "test", Bell: &bell}
	b.worker = &Worker{DB: b.db, Bell: &bell, Handle: b.handle, Park: b.park, Report: func(err error) { b.reports = append(b.reports, err.Error()) }}
	return b
}

// letter is a message as the test's platform has it.
type letter struct {
	Chat, Text string
}

func (b *letterbox) read(ctx context.Context, tx *store.Tx, item Item) (letter, error) {
	raw, err := b.vault.Open(ctx, tx, item.Sealed, "update", item.Raw)
	if err != nil {
		return letter{}, err
	}
	var l letter
	return l, json.Unmarshal(raw, &l)
}

func (b *letterbox) handle(ctx context.Context, tx *store.Tx, item Item) error {
	l, err := b.read(ctx, tx, item)
	if err != nil {
		return err
	}
	// Something is written before it fails, so that it shows whether that is undone.
	if _, err := tx.Exec(ctx, `INSERT INTO conversations (person_id, body, updated_at) VALUES (1, ?, ?)
		ON CONFLICT (person_id) DO UPDATE SET body = excluded.body`, []byte(l.Text), store.At(tx.Now)); err != nil {
		return err
	}
	if f := b.fails[l.Text]; f != nil && f.times > 0 {
		f.times--
		return f.how()
	}
	b.handled = append(b.handled, l.Chat+": "+l.Text)
	return nil
}

func (b *letterbox) park(ctx context.Context, tx *store.Tx, item Item) error {
	if b.parkFails != nil {
		return b.parkFails()
	}
	l, err := b.read(ctx, tx, item)
	b.parked = append(b.parked, l.Text)
	return err
}

func arrival(id int64, chat, text string) Arrival {
	raw, err := json.Marshal(letter{chat, text})
	if err != nil {
		panic(err)
	}
	return Arrival{ID: id, Raw: raw, Chat: chat, Next: id + 1}
}

func (b *letterbox) post(t checker, chat, text string) {
	t.Helper()
	b.ids++
	b.take(t, arrival(b.ids, chat, text))
}

// checker is a test, or one run of a property.
type checker interface {
	Helper()
	Fatal(args ...any)
}

func (b *letterbox) take(t checker, all ...Arrival) {
	t.Helper()
	if err := b.intake.Take(context.Background(), all); err != nil {
		t.Fatal(err)
	}
}

// work lets the worker pass, and time go on to its next try, until it waits for
// new messages only.
func (b *letterbox) work(t checker) {
	t.Helper()
	for range 10_000 {
		next, err := b.worker.Tick(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		if next.IsZero() {
			return
		}
		if err := b.clock.Advance(context.Background(), next); err != nil {
			t.Fatal(err)
		}
	}
	t.Fatal("the worker found no rest")
}

// states counts the rows of the inbox by their state.
func (b *letterbox) states(t checker) map[string]int {
	t.Helper()
	counts := make(map[string]int)
	if err := b.db.Read(context.Background(), func(ctx context.Context, tx *store.Tx) error {
		var states []string
		err := tx.Select(ctx, &states, `SELECT state FROM inbox`)
		for _, s := range states {
			counts[s]++
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return counts
}

func TestAMessageThatFailsIsTriedAgainAndKeepsItsPlace(t *testing.T) {
	t.Parallel()
	for name, how := range map[string]func() error{
		"an error": func() error { return errHandler },
		"a panic":  func() error { panic("Ina Wexford") },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := newLetterbox(t)
			b.fails["a1"] = &failing{times: 2, how: how}
			b.post(t, "a", "a1")
			b.post(t, "a", "a2")
			b.post(t, "b", "b1")
			b.work(t)
			if want := []string{"b: b1", "a: a1", "a: a2"}; !slices.Equal(b.handled, want) {
				t.Errorf("handled %v, want %v: others go on, the same chat waits", b.handled, want)
			}
			if len(b.parked) > 0 || len(b.reports) != 2 {
				t.Errorf("parked %v, reports %v", b.parked, b.reports)
			}
			if text := strings.Join(b.reports, " "); strings.Contains(text, "Wexford") {
				t.Errorf("a report quotes what was written: %s", text)
			}
		})
	}
}

// However many chats wait for their next try, the others go on.
func TestManyWaitingChatsHoldUpNobody(t *testing.T) {
	t.Parallel()
	b := newLetterbox(t)
	for i := range 120 {
		text := fmt.Sprint("bad ", i)
		b.fails[text] = &failing{times: 1, how: func() error { return errHandler }}
		b.post(t, fmt.Sprint("chat ", i), text)
	}
	b.post(t, "other", "good")
	if _, err := b.worker.Tick(t.Context()); err != nil {
		t.Fatal(err)
	}
	if want := []string{"other: good"}; !slices.Equal(b.handled, want) {
		t.Errorf("handled %v, want %v", b.handled, want)
	}
	b.work(t)
	if len(b.handled) != 121 {
		t.Errorf("%d handled at last, want 121", len(b.handled))
	}
}

// A clock that is set back by an hour must not cost an hour.
func TestAClockSetBackDelaysNoTry(t *testing.T) {
	t.Parallel()
	b := newLetterbox(t)
	b.fails["a1"] = &failing{times: 1, how: func() error { return errHandler }}
	b.post(t, "a", "a1")
	if _, err := b.worker.Tick(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := b.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		_, err := tx.Exec(ctx, `UPDATE inbox SET retry_at = ?`, store.At(tx.Now.Add(time.Hour)))
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if _, err := b.worker.Tick(t.Context()); err != nil || len(b.handled) != 1 {
		t.Errorf("handled %v, %v", b.handled, err)
	}
}

func TestAMessageThatFailsForEverIsParked(t *testing.T) {
	t.Parallel()
	for name, k := range map[string]struct {
		how       func() error
		parkFails func() error
		parked    int
	}{
		"an error":                     {func() error { return errHandler }, nil, 1},
		"a panic":                      {func() error { panic("words") }, nil, 1},
		"an error, and nobody is told": {func() error { return errHandler }, func() error { return errHandler }, 0},
		"an error, and telling panics": {func() error { return errHandler }, func() error { panic("words") }, 0},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := newLetterbox(t)
			b.fails["a1"] = &failing{times: 1000, how: k.how}
			b.parkFails = k.parkFails
			b.post(t, "a", "a1")
			b.post(t, "a", "a2")
			b.work(t)
			if want := []string{"a: a2"}; !slices.Equal(b.handled, want) {
				t.Errorf("handled %v, want %v: a parked message stops nobody", b.handled, want)
			}
			if len(b.parked) != k.parked {
				t.Errorf("parked %v", b.parked)
			}
			if got := b.states(t); got["stuck"] != 1 || got["handled"] != 1 || got["new"] != 0 {
				t.Errorf("states %v", got)
			}
			if tries := 1000 - b.fails["a1"].times; tries != 3 {
				t.Errorf("tried %d times, want 3", tries)
			}
			var kept []byte
			if err := b.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
				var i Item
				if err := tx.Get(ctx, &i, `SELECT id, source, sealed_for, raw, tries, retry_at FROM inbox WHERE state = 'stuck'`); err != nil {
					return err
				}
				var err error
				kept, err = b.vault.Open(ctx, tx, i.Sealed, "update", i.Raw)
				return err
			}); err != nil || !bytes.Equal(kept, arrival(1, "a", "a1").Raw) {
				t.Errorf("its bytes are not kept: %q, %v", kept, err)
			}
		})
	}
}

func TestWhatAFailedTryWroteIsUndone(t *testing.T) {
	t.Parallel()
	b := newLetterbox(t)
	b.fails["a1"] = &failing{times: 1000, how: func() error { return errHandler }}
	b.post(t, "a", "a1")
	b.work(t)
	var left int
	if err := b.db.Read(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		return tx.Get(ctx, &left, `SELECT count(*) FROM conversations`)
	}); err != nil || left != 0 {
		t.Errorf("%d rows of a failed try stayed (%v)", left, err)
	}
}

// A full disk or a held file is no fault of the message: it does not count as a
// try.
func TestAStoreThatIsBusyCostsNoTry(t *testing.T) {
	t.Parallel()
	b := newLetterbox(t)
	b.post(t, "a", "a1")
	ctx, cancel := context.WithCancel(t.Context())
	b.fails["a1"] = &failing{times: 1, how: func() error { cancel(); return ctx.Err() }}
	if _, err := b.worker.Tick(ctx); err == nil {
		t.Fatal("a stop in the middle of a message is an error of the pass")
	}
	b.work(t)
	if want := []string{"a: a1"}; !slices.Equal(b.handled, want) || len(b.reports) > 0 {
		t.Errorf("handled %v, reports %v", b.handled, b.reports)
	}
}

// Whatever fails and however often, each message is handled once or parked, and a
// chat's messages are handled in their order.
func TestEveryMessageIsHandledOnceInTheOrderOfItsChat(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(r *rapid.T) {
		b := newLetterbox(t)
		defer b.db.Close()
		sent := make(map[string][]string)
		n := rapid.IntRange(1, 25).Draw(r, "messages")
		for i := range n {
			chat, text := rapid.SampledFrom([]string{"a", "b", "c"}).Draw(r, "chat"), fmt.Sprint(i)
			if times := rapid.SampledFrom([]int{0, 0, 0, 1, 2, 3}).Draw(r, "failures"); times > 0 {
				b.fails[text] = &failing{times: times, how: func() error {
					if times%2 == 0 {
						panic("words")
					}
					return errHandler
				}}
			}
			sent[chat] = append(sent[chat], text)
			b.post(r, chat, text)
			if rapid.Bool().Draw(r, "work now") {
				if _, err := b.worker.Tick(context.Background()); err != nil {
					r.Fatal(err)
				}
			}
		}
		b.work(r)
		if len(b.handled)+len(b.parked) != n {
			r.Fatalf("%d handled and %d parked of %d", len(b.handled), len(b.parked), n)
		}
		for chat, texts := range sent {
			var got []string
			for _, h := range b.handled {
				if rest, is := strings.CutPrefix(h, chat+": "); is {
					got = append(got, rest)
				}
			}
			want := slices.DeleteFunc(slices.Clone(texts), func(s string) bool { return slices.Contains(b.parked, s) })
			if !slices.Equal(got, want) {
				r.Fatalf("chat %s: handled %v, want %v", chat, got, want)
			}
		}
	})
}

func TestIntakeKnowsAnUpdateByItsNumberAndItsBytes(t *testing.T) {
	t.Parallel()
	b := newLetterbox(t)
	first := arrival(500, "a", "one")
	b.take(t, first)
	b.take(t, first, first)                 // sent again, and twice
	b.take(t, arrival(501, "a", "two"))     // the next
	b.take(t, arrival(3, "a", "three"))     // numbers drawn anew, lower
	b.take(t, arrival(500, "a", "another")) // the same number for something else
	b.take(t, arrival(700, "a", "one"))     // the same words under another number
	b.work(t)
	if want := []string{"a: one", "a: two", "a: three", "a: another", "a: one"}; !slices.Equal(b.handled, want) {
		t.Errorf("handled %v, want %v", b.handled, want)
	}
	b.take(t, first)
	b.work(t)
	if len(b.handled) != 5 {
		t.Errorf("an update that was handled long ago was handled again: %v", b.handled)
	}
}

func TestIntakeMovesTheOffsetPastTheLastSeen(t *testing.T) {
	t.Parallel()
	b := newLetterbox(t)
	offset := func() (int64, bool) {
		next, known, err := b.intake.Offset(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return next, known
	}
	if _, known := offset(); known {
		t.Error("an offset before the first update")
	}
	for _, k := range []struct {
		name string
		take []Arrival
		want int64
	}{
		{"two", []Arrival{arrival(500, "a", "1"), arrival(501, "a", "2")}, 502},
		{"none", nil, 502},
		{"lower numbers", []Arrival{arrival(3, "a", "3")}, 4},
		{"out of order", []Arrival{arrival(9, "a", "4"), arrival(7, "a", "5")}, 8},
		{"by webhook", []Arrival{{ID: 900, Raw: []byte("{}"), Chat: "a"}}, 8},
	} {
		b.take(t, k.take...)
		if got, _ := offset(); got != k.want {
			t.Errorf("%s: next is %d, want %d", k.name, got, k.want)
		}
	}
}

// All of a batch is taken or none, with its offset: what is half taken would be
// confirmed to the platform and lost. A stop may come at any moment.
func TestIntakeTakesAllOrNone(t *testing.T) {
	t.Parallel()
	b := newLetterbox(t)
	taken := 0
	for id := int64(1); id < 200; id += 2 {
		ctx, cancel := context.WithCancel(t.Context())
		go cancel()
		if b.intake.Take(ctx, []Arrival{arrival(id, "a", "one"), arrival(id+1, "a", "two")}) == nil {
			taken += 2
		}
		cancel()
		if got := b.states(t)["new"]; got != taken {
			t.Fatalf("%d rows, want %d", got, taken)
		}
	}
	if taken == 0 {
		return
	}
	if _, known, err := b.intake.Offset(t.Context()); !known || err != nil {
		t.Errorf("the offset did not move with what was taken: %v", err)
	}
}

// Names and texts of what comes in are sealed from the first byte.
func TestTheInboxHoldsNoWordsInTheClear(t *testing.T) {
	t.Parallel()
	b := newLetterbox(t)
	b.post(t, "777000123456", "canary words about a symptom")
	for _, suffix := range []string{"", "-wal"} {
		raw, err := os.ReadFile(b.path + suffix)
		if err != nil {
			t.Fatal(err)
		}
		for _, canary := range []string{"canary words", "777000123456"} {
			if bytes.Contains(raw, []byte(canary)) {
				t.Errorf("%q stands in the file%s", canary, suffix)
			}
		}
	}
}

// Run passes on its own, wakes when something comes in, and ends with its context.
func TestWorkerRunWakesForWhatComesIn(t *testing.T) {
	t.Parallel()
	b := newLetterbox(t)
	ctx, stop := context.WithCancel(t.Context())
	release := b.clock.Hold()
	done := make(chan struct{})
	go func() {
		defer close(done)
		defer release()
		b.worker.Run(ctx, b.clock)
	}()
	b.fails["two"] = &failing{times: 1, how: func() error { return errHandler }}
	for i, text := range []string{"one", "two"} {
		b.post(t, "a", text)
		if err := b.clock.Advance(ctx, b.clock.Now().Add(time.Minute)); err != nil {
			t.Fatal(err)
		}
		if len(b.handled) != i+1 {
			t.Errorf("handled %v after %q", b.handled, text)
		}
	}
	stop()
	<-done
}
