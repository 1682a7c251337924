package outbox_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"handrail.example/reminders/outbox"
)

// With one place left on the wire after the other, the most urgent takes it.
func TestTheUrgentGoesFirst(t *testing.T) {
	t.Parallel()
	kinds := []outbox.Kind{outbox.Reminder, outbox.Dose, outbox.Escalation, outbox.Reply, outbox.Alert}
	w := setup(t, 60)
	d := w.dispatcher()
	for i := range 50 {
		k := kinds[i%len(kinds)]
		w.put(w.say(fmt.Sprintf("%s %d", k, i), k, i))
	}
	var order []string
	for range 5 {
		if _, err := d.Tick(w.ctx); err != nil {
			t.Fatal(err)
		}
		count := make(map[string]int)
		for _, s := range w.wire.texts()[len(w.wire.sent)-min(9, len(w.wire.sent)):] {
			count[strings.Fields(s)[0]]++
		}
		order = append(order, fmt.Sprint(count))
		w.advance(w.clock.Now().Add(time.Second))
	}
	// Ten alerts fill the first batch; after that one place is kept free.
	want := []string{"map[alert:9]", "map[reply:9]", "map[escalation:8 reply:1]", "map[dose:7 escalation:2]", "map[dose:3 reminder:6]"}
	if !slices.Equal(order, want) {
		t.Errorf("batches %v, want %v", order, want)
	}
}

// With everything due at once, what is urgent is claimed first whatever was put
// first, and rows on the wire never exceed ten.
func TestABadMorning(t *testing.T) {
	t.Parallel()
	const reminders = 300
	w := setup(t, reminders+10)
	var wants []outbox.Want
	for i := range reminders {
		wants = append(wants, w.say(fmt.Sprintf("reminder %d", i), outbox.Reminder, i))
	}
	w.put(wants...)
	d := w.dispatcher()
	var mu sync.Mutex
	onWire, most := 0, 0
	w.wire.answer = func(outbox.Envelope) outbox.Outcome {
		mu.Lock()
		onWire++
		most = max(most, onWire)
		mu.Unlock()
		defer func() { mu.Lock(); onWire--; mu.Unlock() }()
		return outbox.Outcome{Fate: outbox.Sent}
	}
	// Once a second somebody bleeds and somebody writes.
	for i := range 10 {
		w.runUntil(d, monday.Add(time.Duration(i)*time.Second+300*time.Millisecond))
		w.put(w.say(fmt.Sprintf("alert %d", i), outbox.Alert, reminders+i), w.say(fmt.Sprintf("reply %d", i), outbox.Reply, reminders+i))
	}
	w.runUntil(d, monday.Add(time.Minute))
	if most > 10 {
		t.Errorf("%d rows were on the wire at once", most)
	}
	var all []time.Time
	for _, s := range w.wire.sent {
		all = append(all, s.at)
		var i int
		if n, _ := fmt.Sscanf(s.Message.Text, "alert %d", &i); n == 1 {
			if wait := s.at.Sub(monday.Add(time.Duration(i)*time.Second + 300*time.Millisecond)); wait > 100*time.Millisecond {
				t.Errorf("%s waited %v", s.Message.Text, wait)
			}
		}
		if n, _ := fmt.Sscanf(s.Message.Text, "reply %d", &i); n == 1 {
			if wait := s.at.Sub(monday.Add(time.Duration(i)*time.Second + 300*time.Millisecond)); wait > time.Second {
				t.Errorf("%s waited %v", s.Message.Text, wait)
			}
		}
	}
	if len(all) != reminders+20 {
		t.Errorf("%d messages went out, want %d", len(all), reminders+20)
	}
	slices.SortFunc(all, time.Time.Compare)
	for i := range all {
		if i+30 < len(all) && all[i+30].Sub(all[i]) < time.Second {
			t.Fatalf("31 messages within %v", all[i+30].Sub(all[i]))
		}
	}
	// 24 a second for what can wait, so 300 take at most 13 seconds and a little.
	if took := all[len(all)-1].Sub(monday); took > 14*time.Second {
		t.Errorf("it took %v", took)
	}
}

// The platform's order to wait holds one chat and delays nobody else.
func TestOneChatsHoldDelaysNobodyElse(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		stranger bool
		outcome  outbox.Outcome
		wait     time.Duration // until the throttled message goes out
	}{
		"throttled":           {false, outbox.Outcome{Fate: outbox.Later, After: 30 * time.Second, Class: "throttled"}, 30 * time.Second},
		"throttled, stranger": {true, outbox.Outcome{Fate: outbox.Later, After: 30 * time.Second, Class: "throttled"}, 30 * time.Second},
		"refused for now":     {false, outbox.Outcome{Fate: outbox.Later, Class: "server error"}, 2 * time.Second},
		"lost":                {false, outbox.Outcome{Fate: outbox.Unknown, Class: "no answer"}, 2 * time.Second},
		"absurdly long":       {false, outbox.Outcome{Fate: outbox.Later, After: 1000 * time.Hour, Class: "throttled"}, time.Hour},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := setup(t, 3)
			first := true
			w.wire.answer = func(e outbox.Envelope) outbox.Outcome {
				if e.Message.Text == "bad" && first {
					first = false
					return c.outcome
				}
				return outbox.Outcome{Fate: outbox.Sent}
			}
			bad := w.say("bad", outbox.Reply, 0)
			if c.stranger {
				bad.To, bad.Chat = 0, "555"
			}
			w.put(bad, w.say("good", outbox.Reply, 1))
			other := w.say("stranger", outbox.Reply, 2)
			other.To, other.Chat = 0, "556"
			w.put(other)
			d := w.dispatcher()
			w.runUntil(d, monday.Add(time.Second))
			w.put(w.say("good later", outbox.Reply, 1))
			w.runUntil(d, monday.Add(2*time.Hour))
			at := make(map[string]time.Duration)
			for _, s := range w.wire.sent {
				at[s.Message.Text] = s.at.Sub(monday)
			}
			if at["good"] != 0 || at["stranger"] != 0 || at["good later"] != time.Second {
				t.Errorf("others went out after %v, %v and %v", at["good"], at["stranger"], at["good later"])
			}
			if at["bad"] != c.wait {
				t.Errorf("the held one went out after %v, want %v", at["bad"], c.wait)
			}
		})
	}
}

// What concerns the whole bot holds everything, alerts too.
func TestAHoldForEveryoneHoldsEveryone(t *testing.T) {
	t.Parallel()
	w := setup(t, 2)
	first := true
	w.wire.answer = func(outbox.Envelope) outbox.Outcome {
		if first {
			first = false
			return outbox.Outcome{Fate: outbox.Later, After: time.Minute, Everyone: true, Class: "token refused"}
		}
		return outbox.Outcome{Fate: outbox.Sent}
	}
	d := w.dispatcher()
	w.put(w.say("a", outbox.Reply, 0))
	w.settle(d)
	w.put(w.say("alert", outbox.Alert, 1))
	if next := w.settle(d); !next.Equal(monday.Add(time.Minute)) {
		t.Errorf("the next pass is due at %v, want in a minute", next)
	}
	w.runUntil(d, monday.Add(time.Hour))
	for _, s := range w.wire.sent[1:] {
		if wait := s.at.Sub(monday); wait < time.Minute || wait > 61*time.Second {
			t.Errorf("%s went out after %v", s.Message.Text, wait)
		}
	}
}

// A reminder that does not get through must not hold up an emergency in the same
// chat, nor one emergency another.
func TestAlertsWaitForNobody(t *testing.T) {
	t.Parallel()
	w := setup(t, 1)
	w.wire.answer = func(e outbox.Envelope) outbox.Outcome {
		if e.Message.Text == "stuck" || e.Message.Text == "alert 1" {
			return outbox.Outcome{Fate: outbox.Unknown, Class: "no answer"}
		}
		return outbox.Outcome{Fate: outbox.Sent}
	}
	d := w.dispatcher()
	w.put(w.say("stuck", outbox.Reply, 0))
	w.settle(d)
	w.put(w.say("alert 1", outbox.Alert, 0), w.say("alert 2", outbox.Alert, 0), w.say("behind", outbox.Reply, 0))
	w.settle(d)
	if got := strings.Join(w.wire.texts(), ", "); !strings.Contains(got, "alert 2") || strings.Contains(got, "behind") {
		t.Errorf("at once went out %s; want both alerts and not what is behind", got)
	}
}

// A message that hangs on the wire holds up its own chat only, however long it
// hangs: the dispatcher goes on, and Run settles it when it comes back.
func TestAHungMessageHoldsUpNobodyElse(t *testing.T) {
	t.Parallel()
	w := setup(t, 30)
	hang := make(chan struct{})
	went := make(chan string, 100)
	w.wire.answer = func(e outbox.Envelope) outbox.Outcome {
		went <- e.Message.Text
		if strings.HasPrefix(e.Message.Text, "hangs") {
			<-hang
		}
		return outbox.Outcome{Fate: outbox.Sent, External: "1"}
	}
	var wants []outbox.Want
	for i := range 12 {
		wants = append(wants, w.say(fmt.Sprintf("hangs %d", i), outbox.Reminder, i))
	}
	w.put(wants...)
	d := w.dispatcher()
	ctx, cancel := context.WithCancel(w.ctx)
	done := make(chan struct{})
	release := w.clock.Hold()
	go func() { defer close(done); defer release(); d.Run(ctx, w.clock) }()
	for range 9 { // all the places but the one that is kept
		<-went
	}
	w.put(w.say("alert", outbox.Alert, 20), w.say("other alert", outbox.Alert, 0))
	got := []string{<-went, <-went}
	slices.Sort(got)
	if fmt.Sprint(got) != "[alert other alert]" {
		t.Errorf("went out: %v", got)
	}
	close(hang)
	for range 3 {
		<-went
	}
	if err := w.clock.Rest(w.ctx); err != nil {
		t.Fatal(err)
	}
	var sent int
	w.get(&sent, `SELECT count(*) FROM outbox WHERE state = 'sent'`)
	if sent != 14 {
		t.Errorf("%d rows are sent, want 14", sent)
	}
	cancel()
	<-done
}

// When it is told to stop, it lets finish and settles what is on the wire.
func TestRunSettlesBeforeItReturns(t *testing.T) {
	t.Parallel()
	w := setup(t, 1)
	ctx, cancel := context.WithCancel(w.ctx)
	w.wire.answer = func(outbox.Envelope) outbox.Outcome {
		cancel()
		return outbox.Outcome{Fate: outbox.Sent, External: "9"}
	}
	w.put(w.say("k", outbox.Reply, 0))
	release := w.clock.Hold()
	defer release()
	w.dispatcher().Run(ctx, w.clock)
	if got := w.state("k"); got != "sent" {
		t.Errorf("the row is %s, want sent", got)
	}
}

func TestMessagesThatExpireBecomeTroublesNotLateMessages(t *testing.T) {
	t.Parallel()
	w := setup(t, 1)
	want := w.say("k", outbox.Dose, 0)
	want.Due, want.Expires = monday.Add(time.Hour), monday.Add(2*time.Hour)
	w.put(want)
	w.advance(monday.Add(3 * time.Hour)) // the program was down
	w.settle(w.dispatcher())
	if len(w.wire.sent) != 0 || len(w.trouble) != 1 || w.trouble[0].Why != outbox.Late || w.trouble[0].Text != "k" {
		t.Errorf("sent %q, told %+v", w.wire.texts(), w.trouble)
	}
}

func TestWaitsGrow(t *testing.T) {
	t.Parallel()
	for kind, longest := range map[outbox.Kind]time.Duration{outbox.Reminder: 2 * time.Minute, outbox.Alert: 15 * time.Second} {
		t.Run(string(kind), func(t *testing.T) {
			t.Parallel()
			w := setup(t, 1)
			w.wire.answer = func(outbox.Envelope) outbox.Outcome { return outbox.Outcome{Fate: outbox.Later, Class: "server error"} }
			w.put(w.say("k", kind, 0))
			w.runUntil(w.dispatcher(), monday.Add(time.Hour))
			want := 2 * time.Second
			for i := 1; i < len(w.wire.sent); i++ {
				if got := w.wire.sent[i].at.Sub(w.wire.sent[i-1].at); got != want {
					t.Errorf("wait %d is %v, want %v", i, got, want)
				}
				want = min(2*want, longest)
			}
			if len(w.wire.sent) < int(time.Hour/longest) || len(w.trouble) != 0 {
				t.Errorf("tried %d times in an hour, with troubles %+v", len(w.wire.sent), w.trouble)
			}
		})
	}
}

// Of what is due to one chat at once, the more urgent is read first, although
// chats and priorities are on the wire side by side.
func TestTheMoreUrgentIsReadFirst(t *testing.T) {
	t.Parallel()
	w := setup(t, 1)
	w.wire.answer = func(e outbox.Envelope) outbox.Outcome {
		if e.Message.Text == "reply" {
			time.Sleep(20 * time.Millisecond) // an answer that takes its time
		}
		return outbox.Outcome{Fate: outbox.Sent}
	}
	w.put(w.say("reminder", outbox.Reminder, 0), w.say("dose", outbox.Dose, 0), w.say("reply", outbox.Reply, 0))
	w.settle(w.dispatcher())
	if got, want := w.wire.texts(), []string{"reply", "dose", "reminder"}; !slices.Equal(got, want) {
		t.Errorf("read %v, want %v", got, want)
	}
}
