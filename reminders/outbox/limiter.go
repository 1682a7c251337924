package outbox

import (
	"time"

	"handrail.example/reminders/seal"
)

// The platform's stated limits: about 30 messages a second for a whole bot, one a
// second in a chat with short bursts (Telegram Bot FAQ, "My bot is hitting
// limits"). The burst is ours, from memory.
const (
	botWindow = time.Second
	botMost   = 30 // in any window
	chatEvery = time.Second
	chatBurst = 3
	// chatCalm is how long after an alert its chat gets nothing that can wait,
	// answers to what is said in it apart: of alerts that come every second none
	// must wait for another case's card. Common practice, no source.
	chatCalm = 3 * chatEvery / 2
)

// share is how many messages of the last window leave room for one more of a
// priority: what can wait never takes the last places. Common practice, no source.
func share(priority int) int {
	switch {
	case priority == urgent:
		return botMost
	case priority <= kinds[Escalation].priority:
		return botMost - 3
	}
	return botMost - 6
}

// chat stands for a chat without saying which: a person's number, or, negative,
// the number of a row that goes to a stranger.
type chat int64

func chatOf(p seal.Person, row int64) chat {
	if p != 0 {
		return chat(p)
	}
	return chat(-row)
}

// limiter says when a message may go out. It never waits: a chat that must wait
// is passed over, so that it holds up nobody else. It lives in memory; after a
// restart the platform's own answer corrects it.
type limiter struct {
	last   time.Time   // when it was last asked
	recent []time.Time // messages of the last window, oldest first
	until  time.Time   // the whole bot is held until then
	chats  map[chat]bucket
	holds  map[hold]time.Time
}

// hold keeps what is of a priority or less urgent from going to a chat. Its time
// is when it ends; the zero time when what is on the wire has landed.
type hold struct {
	chat     chat
	priority int
}

// bucket is a leaky bucket in its virtual-scheduling form (ITU-T I.371, the
// generic cell rate algorithm): the instant at which it will have run dry. Before
// calm it takes alerts and answers only.
type bucket struct{ dry, calm time.Time }

// free is the instant from which the bucket takes another message of a priority.
func (b bucket) free(priority int) time.Time {
	free := b.dry.Add(-(chatBurst - 1) * chatEvery)
	if priority > kinds[Reply].priority && b.calm.After(free) {
		return b.calm
	}
	return free
}

func newLimiter() *limiter {
	return &limiter{chats: make(map[chat]bucket), holds: make(map[hold]time.Time)}
}

// slack is how far a clock may step back before anything is done about it.
const slack = time.Second

// at tells the limiter the time, and reports whether the clock was set back. Then
// everything it remembers moves back too: an hour's step must not cost an hour.
func (l *limiter) at(now time.Time) (setBack bool) {
	if back := l.last.Sub(now); back > slack {
		setBack = true
		l.shift(-back)
	} else if back > 0 {
		now = l.last
	}
	l.last = now
	for len(l.recent) > 0 && !l.recent[0].Add(botWindow).After(now) {
		l.recent = l.recent[1:]
	}
	return setBack
}

func (l *limiter) shift(d time.Duration) {
	for i := range l.recent {
		l.recent[i] = l.recent[i].Add(d)
	}
	l.until = l.until.Add(d)
	for c, b := range l.chats {
		l.chats[c] = bucket{b.dry.Add(d), b.calm.Add(d)}
	}
	for h, t := range l.holds {
		if !t.IsZero() {
			l.holds[h] = t.Add(d)
		}
	}
}

// room is how many messages of a priority may go out to anybody now.
func (l *limiter) room(priority int) int {
	if l.until.After(l.last) {
		return 0
	}
	return max(0, share(priority)-len(l.recent))
}

// roomAt is when there will be room, if there is none.
func (l *limiter) roomAt(priority int) time.Time {
	if l.until.After(l.last) {
		return l.until
	}
	return l.recent[len(l.recent)-share(priority)].Add(botWindow)
}

// held lists the chats to which nothing of a priority may go now, and the first
// instant at which one of them need not wait; the zero time when only a landing
// can free one.
func (l *limiter) held(priority int) (who []chat, first time.Time) {
	for c, b := range l.chats {
		switch {
		case b.free(priority).After(l.last):
			who = append(who, c)
			first = earlier(first, b.free(priority))
		case !b.dry.After(l.last) && !b.calm.After(l.last):
			delete(l.chats, c)
		}
	}
	for h, t := range l.holds {
		switch {
		case !t.IsZero() && !t.After(l.last):
			delete(l.holds, h)
		case h.priority <= priority:
			who = append(who, h.chat)
			if !t.IsZero() {
				first = earlier(first, t)
			}
		}
	}
	return who, first
}

// full reports whether c takes nothing of a priority now.
func (l *limiter) full(c chat, priority int) bool { return l.chats[c].free(priority).After(l.last) }

// took counts a message to c that goes out now.
func (l *limiter) took(c chat, priority int) {
	l.recent = append(l.recent, l.last)
	if c < 0 {
		return
	}
	b := l.chats[c]
	if b.dry.Before(l.last) {
		b.dry = l.last
	}
	b.dry = b.dry.Add(chatEvery)
	if priority == urgent {
		b.calm = l.last.Add(chatCalm)
	}
	l.chats[c] = b
}

// launched holds c while something of a priority is on the wire to it.
func (l *limiter) launched(c chat, priority int) { l.holds[hold{c, priority}] = time.Time{} }

// landed ends what launched began.
func (l *limiter) landed(c chat, priority int) {
	if t, on := l.holds[hold{c, priority}]; on && t.IsZero() {
		delete(l.holds, hold{c, priority})
	}
}

// hold keeps c from getting anything of a priority, or less urgent, before t.
func (l *limiter) hold(c chat, priority int, t time.Time) {
	if h := (hold{c, priority}); t.After(l.holds[h]) {
		l.holds[h] = t
	}
}

// holdAll keeps everything back until t.
func (l *limiter) holdAll(t time.Time) {
	if t.After(l.until) {
		l.until = t
	}
}

// earlier is the first of two instants, of which either may be none.
func earlier(a, b time.Time) time.Time {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}
