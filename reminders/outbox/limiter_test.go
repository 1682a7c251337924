package outbox

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// In no window whatever do more messages go out than the platform says: 30 in a
// second for a bot; in a chat one a second beyond a short burst (Telegram Bot
// FAQ, "My bot is hitting limits, how do I avoid this?").
func TestLimitsHoldInEveryWindow(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		l := newLimiter()
		now := noon
		var all []time.Time
		chats := make(map[chat][]time.Time)
		for range rapid.IntRange(1, 40).Draw(t, "passes") {
			now = now.Add(time.Duration(rapid.IntRange(0, 400).Draw(t, "gap")) * time.Millisecond)
			l.at(now)
			priority := rapid.IntRange(urgent, background-1).Draw(t, "priority")
			for range rapid.IntRange(0, 40).Draw(t, "wanted") {
				c := chat(rapid.IntRange(1, 5).Draw(t, "chat"))
				if l.room(priority) == 0 || l.full(c, priority) {
					continue
				}
				l.took(c, priority)
				all = append(all, now)
				chats[c] = append(chats[c], now)
			}
		}
		for i := range all {
			if j := i + 30; j < len(all) && all[j].Sub(all[i]) < time.Second {
				t.Fatalf("31 messages within %v", all[j].Sub(all[i]))
			}
		}
		for c, sent := range chats {
			for i := range sent {
				for j := i; j < len(sent); j++ {
					if n, most := j-i+1, chatBurst+int(sent[j].Sub(sent[i])/time.Second); n > most {
						t.Fatalf("%d messages to chat %d within %v", n, c, sent[j].Sub(sent[i]))
					}
				}
			}
		}
	})
}

func TestWhatCanWaitLeavesRoomForWhatCannot(t *testing.T) {
	t.Parallel()
	l := newLimiter()
	l.at(noon)
	sent := make(map[int]int)
	for _, p := range []int{kinds[Reminder].priority, kinds[Reply].priority, urgent} {
		for c := chat(100 * (p + 1)); l.room(p) > 0; c++ {
			l.took(c, p)
			sent[p]++
		}
	}
	for p, want := range map[int]int{kinds[Reminder].priority: 24, kinds[Reply].priority: 3, urgent: 3} {
		if sent[p] != want {
			t.Errorf("priority %d sent %d, want %d", p, sent[p], want)
		}
	}
	if got, want := l.roomAt(urgent), noon.Add(time.Second); !got.Equal(want) {
		t.Errorf("room again at %v, want %v", got, want)
	}
	l.at(noon.Add(time.Second))
	if got := l.room(kinds[Reminder].priority); got != 24 {
		t.Errorf("a second later there is room for %d, want 24", got)
	}
}

func TestHolds(t *testing.T) {
	t.Parallel()
	reminder, reply := kinds[Reminder].priority, kinds[Reply].priority
	for name, c := range map[string]struct {
		arrange func(l *limiter)
		held    map[int]bool // by priority: is chat 1 held?
	}{
		"nothing":                         {func(*limiter) {}, map[int]bool{urgent: false, reply: false, reminder: false}},
		"a reminder on the wire":          {func(l *limiter) { l.launched(1, reminder) }, map[int]bool{urgent: false, reply: false, reminder: true}},
		"a reply on the wire":             {func(l *limiter) { l.launched(1, reply) }, map[int]bool{urgent: false, reply: true, reminder: true}},
		"a reply that landed":             {func(l *limiter) { l.launched(1, reply); l.landed(1, reply) }, map[int]bool{urgent: false, reply: false, reminder: false}},
		"an order of the platform":        {func(l *limiter) { l.hold(1, urgent, noon.Add(time.Minute)) }, map[int]bool{urgent: true, reply: true, reminder: true}},
		"an order that is over":           {func(l *limiter) { l.hold(1, urgent, noon.Add(-time.Minute)) }, map[int]bool{urgent: false, reply: false, reminder: false}},
		"a hold that outlives its flight": {func(l *limiter) { l.launched(1, reply); l.hold(1, reply, noon.Add(time.Minute)); l.landed(1, reply) }, map[int]bool{urgent: false, reply: true, reminder: true}},
		"a burst":                         {func(l *limiter) { l.took(1, reminder); l.took(1, reminder); l.took(1, reminder) }, map[int]bool{urgent: true, reply: true, reminder: true}},
		"an alert":                        {func(l *limiter) { l.took(1, urgent) }, map[int]bool{urgent: false, reply: false, reminder: true}},
		"an alert a while ago":            {func(l *limiter) { l.took(1, urgent); l.at(noon.Add(chatCalm)) }, map[int]bool{urgent: false, reply: false, reminder: false}},
		"almost a burst":                  {func(l *limiter) { l.took(1, reminder); l.took(1, reminder) }, map[int]bool{urgent: false, reply: false, reminder: false}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			l := newLimiter()
			l.at(noon)
			c.arrange(l)
			for p, want := range c.held {
				who, _ := l.held(p)
				if got := len(who) > 0; got != want {
					t.Errorf("priority %d: held %v, want %v", p, got, want)
				}
				for _, other := range who {
					if other != 1 {
						t.Errorf("chat %d is held too", other)
					}
				}
			}
		})
	}
}

// An hour's step back must not cost an hour.
func TestLimiterFollowsAClockThatIsSetBack(t *testing.T) {
	t.Parallel()
	l := newLimiter()
	l.at(noon)
	for c := range chat(30) {
		l.took(c+1, kinds[Reminder].priority)
	}
	l.hold(1, urgent, noon.Add(5*time.Second))
	l.holdAll(noon.Add(3 * time.Second))
	back := noon.Add(-time.Hour)
	if !l.at(back) {
		t.Error("the step was not noticed")
	}
	l.at(back.Add(4 * time.Second))
	if got := l.room(urgent); got != botMost {
		t.Errorf("room for %d, want %d", got, botMost)
	}
	if _, first := l.held(urgent); !first.Equal(back.Add(5 * time.Second)) {
		t.Errorf("the chat is free at %v, want %v", first, back.Add(5*time.Second))
	}
	if l.at(back.Add(3900 * time.Millisecond)) {
		t.Error("a tenth of a second passed for a clock set back")
	}
}

func TestLimiterForgets(t *testing.T) {
	t.Parallel()
	l := newLimiter()
	l.at(noon)
	for c := range chat(20) {
		l.took(c+1, kinds[Reminder].priority)
		l.hold(c+1, urgent, noon.Add(time.Second))
	}
	l.at(noon.Add(time.Minute))
	l.held(urgent)
	if n := len(l.chats) + len(l.holds) + len(l.recent); n != 0 {
		t.Errorf("it still remembers %d things", n)
	}
}
