package bot_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"handrail.example/bot"
	"handrail.example/bot/loopback"
	"handrail.example/dialog"
)

var _ bot.Intake = (*dialog.Intake)(nil)

// memory is an Intake that keeps everything, by id, and can fail.
type memory struct {
	mu      sync.Mutex
	next    int64
	known   bool
	order   []dialog.Arrival
	seen    map[string]bool
	fail    int // so many calls of Take fail first
	batches int
	offsets []int64
}

func (m *memory) Offset(context.Context) (int64, bool, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.offsets = append(m.offsets, m.next)
	return m.next, m.known, nil
}

func (m *memory) Take(_ context.Context, updates []dialog.Arrival) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.fail > 0 {
		m.fail--
		return errors.New("the disk is full")
	}
	m.batches++
	if m.seen == nil {
		m.seen = map[string]bool{}
	}
	for _, u := range updates {
		if key := fmt.Sprint(u.ID); !m.seen[key] {
			m.seen[key] = true
			m.order = append(m.order, u)
		}
		if u.Next > 0 {
			m.next, m.known = u.Next, true
		}
	}
	return nil
}

func (m *memory) texts() []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []string
	for _, u := range m.order {
		in, err := bot.Decode(u.Raw)
		switch {
		case err != nil:
			out = append(out, "malformed")
		case in.Text != "":
			out = append(out, in.Text)
		default:
			out = append(out, string(in.Kind))
		}
	}
	return out
}

// poll runs a poller until the test ends; logs go to the buffer.
func (b *bench) poll(t *testing.T, in bot.Intake) *syncBuffer {
	t.Helper()
	var logs syncBuffer
	t.Cleanup(b.start(t, in, &logs))
	return &logs
}

// start runs a poller until stop is called. It returns when the poller's request
// is being kept open.
func (b *bench) start(t *testing.T, in bot.Intake, logs *syncBuffer) (stop func()) {
	t.Helper()
	p := &bot.Poller{Client: b.client, Intake: in, Clock: b.clock, Tether: b.tether, Log: slog.New(slog.NewTextHandler(logs, nil))}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); p.Run(ctx) }()
	eventually(t, b.Polling)
	return func() { cancel(); <-done }
}

func eventually(t *testing.T, ok func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	for !ok() {
		pause, stop := context.WithTimeout(ctx, time.Millisecond)
		<-pause.Done()
		stop()
		if ctx.Err() != nil {
			t.Fatal("it never came to pass")
		}
	}
}

func (b *bench) mustWrite(t *testing.T, texts ...string) {
	t.Helper()
	for _, text := range texts {
		if _, err := b.Write(maribel, text); err != nil {
			t.Fatal(err)
		}
	}
}

// settle walks the virtual clock on until the server has nothing left.
func (b *bench) settle(t *testing.T) {
	t.Helper()
	for range 1000 {
		if b.Waiting() == 0 && b.Polling() {
			return
		}
		if err := b.clock.Advance(t.Context(), b.clock.Now().Add(5*time.Second)); err != nil {
			t.Fatal(err)
		}
	}
	t.Fatal("updates still wait after more than an hour of the clock")
}

type syncBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *syncBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *syncBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

func TestPollerHandsOnEveryUpdateInOrder(t *testing.T) {
	t.Parallel()
	b, in := setup(t), &memory{}
	b.mustWrite(t, "before anybody polled")
	b.poll(t, in)
	var want []string
	for i := range 250 { // more than one batch of 100
		want = append(want, fmt.Sprintf("message %d", i))
	}
	b.mustWrite(t, want...)
	b.settle(t)
	if diff := cmp.Diff(append([]string{"before anybody polled"}, want...), in.texts()); diff != "" {
		t.Error(diff)
	}
	if got := in.order[0]; got.Chat != "1001" || got.Next != got.ID+1 {
		t.Errorf("first update %d: chat %q, next %d", got.ID, got.Chat, got.Next)
	}
}

func TestPollerSurvivesEverythingTheServerDoes(t *testing.T) {
	t.Parallel()
	poll := "getUpdates"
	for name, faults := range map[string][]loopback.Fault{
		"429":             {{Kind: loopback.Throttle, Method: poll, RetryAfter: 3, Times: 2}},
		"500":             {{Kind: loopback.ServerError, Method: poll, Times: 3}},
		"502 page":        {{Kind: loopback.BadGateway, Method: poll, Times: 3}},
		"dropped":         {{Kind: loopback.DropBefore, Method: poll, Times: 3}},
		"answer lost":     {{Kind: loopback.DropAfter, Method: poll, Times: 3}},
		"second poller":   {{Kind: loopback.Conflict, Method: poll, Times: 2}},
		"repeated":        {{Kind: loopback.Repeat, Times: 3}},
		"reordered":       {{Kind: loopback.Reorder, Times: 3}},
		"outage":          {{Kind: loopback.Outage, Delay: loopback.Duration(time.Minute)}},
		"all of it":       {{Kind: loopback.DropAfter, Method: poll, Chance: 0.3, Times: 3}, {Kind: loopback.Repeat, Chance: 0.3, Times: 3}, {Kind: loopback.Reorder, Chance: 0.5, Times: 3}, {Kind: loopback.BadGateway, Method: poll, Chance: 0.3, Times: 3}},
		"lower ids first": {{Kind: loopback.LowerIDs}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b, in := setup(t), &memory{}
			b.poll(t, in)
			b.mustWrite(t, "first")
			b.settle(t)
			for _, f := range faults {
				b.mustMisbehave(t, f)
			}
			want := map[string]bool{"first": true}
			for i := range 20 {
				text := fmt.Sprintf("message %d", i)
				want[text] = true
				b.mustWrite(t, text)
			}
			b.settle(t)
			got := map[string]bool{}
			for _, text := range in.texts() {
				if got[text] {
					t.Errorf("%q was kept twice", text)
				}
				got[text] = true
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestPollerFollowsIdsThatRestartLower(t *testing.T) {
	t.Parallel()
	b, in := setup(t), &memory{}
	b.poll(t, in)
	b.mustWrite(t, "old")
	b.settle(t)
	b.mustMisbehave(t, loopback.Fault{Kind: loopback.LowerIDs})
	b.mustWrite(t, "new")
	b.mustWrite(t, "newer")
	b.settle(t)
	if diff := cmp.Diff([]string{"old", "new", "newer"}, in.texts()); diff != "" {
		t.Error(diff)
	}
	if in.order[1].ID >= in.order[0].ID {
		t.Errorf("ids %d then %d: the server did not restart lower", in.order[0].ID, in.order[1].ID)
	}
	if in.next != in.order[2].ID+1 {
		t.Errorf("offset %d, want one more than the last id seen, %d", in.next, in.order[2].ID)
	}
}

func TestPollerKeepsWhatNobodyUnderstands(t *testing.T) {
	t.Parallel()
	b, in := setup(t), &memory{}
	b.poll(t, in)
	b.mustMisbehave(t, loopback.Fault{Kind: loopback.UnknownKind})
	b.mustMisbehave(t, loopback.Fault{Kind: loopback.Malformed})
	b.mustWrite(t, "after it")
	b.settle(t)
	if diff := cmp.Diff([]string{"ignored", "malformed", "after it"}, in.texts()); diff != "" {
		t.Error(diff)
	}
	if raw := string(in.order[0].Raw); !strings.Contains(raw, `"crystal_ball":{"id":7,"vision":["a","b"]}`) {
		t.Errorf("the bytes changed: %s", raw)
	}
}

func TestPollerConfirmsNothingThatWasNotTaken(t *testing.T) {
	t.Parallel()
	b, in := setup(t), &memory{fail: 3}
	logs := b.poll(t, in)
	b.mustWrite(t, "I am bleeding")
	eventually(t, func() bool { return strings.Contains(logs.String(), "disk is full") })
	if b.Waiting() != 1 {
		t.Fatal("an update was confirmed that nobody had taken")
	}
	b.settle(t)
	if diff := cmp.Diff([]string{"I am bleeding"}, in.texts()); diff != "" {
		t.Error(diff)
	}
	if text := logs.String(); strings.Contains(text, "bleeding") {
		t.Errorf("the log holds a patient's words: %s", text)
	}
	if text := logs.String(); !strings.Contains(text, "coming in again") {
		t.Errorf("the log does not say that it works again: %s", text)
	}
}

func TestClockWaitsForAnUpdateThatIsOnItsWay(t *testing.T) {
	t.Parallel()
	b, in := setup(t), &memory{}
	b.poll(t, in)
	for i := range 40 {
		b.mustWrite(t, fmt.Sprint(i))
		if err := b.clock.Advance(t.Context(), b.clock.Now().Add(time.Hour)); err != nil {
			t.Fatal(err)
		}
		if got := len(in.texts()); got != i+1 {
			t.Fatalf("the clock moved on with %d of %d updates taken", got, i+1)
		}
	}
}

func TestPollerSaysWhatIsWrong(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		fault loopback.FaultKind
		token string
		want  string
	}{
		"second poller": {fault: loopback.Conflict, want: "another program polls with this bot's token"},
		"wrong token":   {token: "77:wrong", want: "refuses the bot token"},
		"server error":  {fault: loopback.BadGateway, want: "server error"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b, in := setup(t), &memory{}
			if tc.token != "" {
				b.client = mustClient(t, b.URL(), tc.token)
			} else {
				b.mustMisbehave(t, loopback.Fault{Kind: tc.fault, Method: "getUpdates"})
			}
			var logs syncBuffer
			p := &bot.Poller{Client: b.client, Intake: in, Clock: b.clock, Log: slog.New(slog.NewTextHandler(&logs, nil))}
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan struct{})
			go func() { defer close(done); p.Run(ctx) }()
			eventually(t, func() bool { return strings.Contains(logs.String(), tc.want) })
			cancel()
			<-done
			if n := strings.Count(logs.String(), "\n"); n != 1 {
				t.Errorf("%d lines in the log, want 1", n)
			}
		})
	}
}

func TestTwoPollersGetAConflict(t *testing.T) {
	t.Parallel()
	b := setup(t)
	logs := b.poll(t, &memory{})
	b.tether = nil // the second one is another program's
	b.poll(t, &memory{})
	eventually(t, func() bool { return strings.Contains(logs.String(), "another program polls") })
}

func TestButtonPressesDoNotKeep(t *testing.T) {
	t.Parallel()
	b, in := setup(t), &memory{}
	if _, err := b.PressToken(maribel, 1, "t"); err != nil {
		t.Fatal(err)
	}
	b.mustWrite(t, "a message keeps for a day")
	if err := b.clock.Advance(t.Context(), start.Add(3*time.Minute)); err != nil {
		t.Fatal(err)
	}
	b.poll(t, in)
	b.settle(t)
	if diff := cmp.Diff([]string{"a message keeps for a day"}, in.texts()); diff != "" {
		t.Error(diff)
	}
	if got := len(b.Expired()); got != 1 {
		t.Errorf("%d updates expired, want the press", got)
	}
}

func TestAPollerMayBeReplacedAtAnyMoment(t *testing.T) {
	t.Parallel()
	b, in := setup(t), &memory{}
	var logs syncBuffer
	for i := range 30 {
		stop := b.start(t, in, &logs)
		b.mustWrite(t, fmt.Sprint(i))
		if i%2 == 0 { // half of the time it is stopped with the update on its way
			if err := b.clock.Advance(t.Context(), b.clock.Now().Add(time.Minute)); err != nil {
				t.Fatal(err)
			}
		}
		stop()
	}
	b.poll(t, in)
	b.settle(t)
	if got := len(in.texts()); got != 30 {
		t.Errorf("%d messages kept, want 30", got)
	}
}

// Whatever the server does, each thing that somebody said is kept once, and in
// the order in which it was said unless the server itself changed it.
func TestNothingIsLostWhateverTheServerDoes(t *testing.T) {
	t.Parallel()
	kinds := []loopback.FaultKind{
		loopback.Throttle, loopback.ServerError, loopback.BadGateway, loopback.DropBefore, loopback.DropAfter,
		loopback.Conflict, loopback.Repeat, loopback.Malformed, loopback.UnknownKind, loopback.LowerIDs, loopback.Outage,
	}
	for seed := range uint64(25) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			t.Parallel()
			rnd := rand.New(rand.NewPCG(seed, 1))
			b, in := setup(t), &memory{fail: rnd.IntN(3)}
			b.poll(t, in)
			var want []string
			for i := range 60 {
				if rnd.IntN(3) == 0 {
					b.mustMisbehave(t, loopback.Fault{
						Kind: kinds[rnd.IntN(len(kinds))], Method: "getUpdates", Times: 1 + rnd.IntN(2),
						Delay: loopback.Duration(time.Duration(rnd.IntN(90)) * time.Second),
					})
				}
				want = append(want, fmt.Sprintf("message %d", i))
				b.mustWrite(t, want[i])
				if rnd.IntN(4) == 0 {
					if err := b.clock.Advance(t.Context(), b.clock.Now().Add(10*time.Second)); err != nil {
						t.Fatal(err)
					}
				}
			}
			b.settle(t)
			got := slices.DeleteFunc(in.texts(), func(s string) bool { return !strings.HasPrefix(s, "message") })
			if diff := cmp.Diff(want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}
