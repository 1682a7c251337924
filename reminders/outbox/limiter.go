package outbox

import (
	"time"

	"handrail.example/reminders/seal"
)

// The platform's stated limits: about 30 messages a second for a whole bot, one a
// second in a chat with short bursts (Telegram Bot FAQ, "My bot is hitting
// limits"). The burst is ours, from memory.
const (
	botEvery  = time.Second / 30
	botBurst  = 30
	chatEvery = time.Second
	chatBurst = 3
)

// limiter says when a message may go out. It never waits: a chat that must wait
// is passed over, so that it holds up nobody else. It lives in memory; after a
// restart the platform's own answer corrects it.
type limiter struct {
	bot   bucket
	chats map[seal.Person]bucket
}

// bucket is a leaky bucket in its virtual-scheduling form (ITU-T I.371, the
// generic cell rate algorithm): the instant at which it will have run dry.
type bucket struct{ dry time.Time }

func newLimiter() *limiter { return &limiter{chats: make(map[seal.Person]bucket)} }

// free is the instant from which the bucket takes another message.
func (b bucket) free(every time.Duration, burst int) time.Time {
	return b.dry.Add(-time.Duration(burst-1) * every)
}

func (b bucket) take(now time.Time, every time.Duration) bucket {
	if b.dry.Before(now) {
		b.dry = now
	}
	return bucket{b.dry.Add(every)}
}

// room is how many messages may go out to anybody now.
func (l *limiter) room(now time.Time) int {
	n := 0
	for b := l.bot; n < botBurst && !b.free(botEvery, botBurst).After(now); n++ {
		b = b.take(now, botEvery)
	}
	return n
}

// wait is until when p's chat is held back; the zero time when it is free.
func (l *limiter) wait(p seal.Person, now time.Time) time.Time {
	if at := l.chats[p].free(chatEvery, chatBurst); at.After(now) {
		return at
	}
	return time.Time{}
}

// held lists the chats that must wait, and the instant at which the first of them
// need not.
func (l *limiter) held(now time.Time) (who []seal.Person, first time.Time) {
	for p, b := range l.chats {
		at := b.free(chatEvery, chatBurst)
		switch {
		case at.After(now):
			who = append(who, p)
			first = earlier(first, at)
		case !b.dry.After(now):
			delete(l.chats, p)
		}
	}
	return who, first
}

// took counts a message to p that goes out now.
func (l *limiter) took(p seal.Person, now time.Time) {
	l.bot = l.bot.take(now, botEvery)
	if p != 0 {
		l.chats[p] = l.chats[p].take(now, chatEvery)
	}
}

// hold keeps p's chat, or with everyone the whole bot, back until t.
func (l *limiter) hold(p seal.Person, everyone bool, t time.Time) {
	if everyone || p == 0 {
		l.bot = bucket{t.Add((botBurst - 1) * botEvery)}
		return
	}
	l.chats[p] = bucket{t.Add((chatBurst - 1) * chatEvery)}
}

func earlier(a, b time.Time) time.Time {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}
