package triage

import (
	"time"

	"handrail.example/triage/rules"
)

// rungs is how many rungs the ladder has: the person on call, the next person,
// everybody. The last one rings again and again.
const rungs = 3

// stake is what decides when a case rings.
type stake struct {
	Urgency rules.Urgency
	PageNow bool
}

// firstRing is when a case that turns up at now is put before a person.
func (p Policy) firstRing(s stake, now time.Time) time.Time {
	switch {
	case s.Urgency == rules.Emergency || s.Urgency == rules.SameDay && (s.PageNow || p.ChatOpen(now)):
		return now
	case s.Urgency == rules.SameDay:
		return p.nextMorning(now)
	}
	return p.NextChat(now)
}

// nextRing is when the next rung is due after the rung'th one (1, 2, …) has rung
// at now. What may wait for the night goes up the whole ladder first, so that a
// case of the late afternoon is not left until the morning.
func (p Policy) nextRing(s stake, rung int, now time.Time) time.Time {
	switch s.Urgency {
	case rules.Emergency:
		if rung < rungs {
			return now.Add(p.Climb.Emergency)
		}
		return now.Add(p.Again)
	case rules.SameDay:
		// What everybody has heard of is rung less and less often, so that the
		// bell keeps its meaning; it never stops.
		at := now.Add(p.Climb.SameDay << min(max(rung-rungs, 0), 3))
		if rung >= rungs && !s.PageNow && !p.ChatOpen(at) {
			return p.nextMorning(at)
		}
		return at
	}
	return p.afterOpen(now, p.Climb.Routine)
}

// nextHeld is when a taken case comes back to its holder if nothing has happened
// to it since now.
func (p Policy) nextHeld(s stake, now time.Time) time.Time {
	switch s.Urgency {
	case rules.Emergency:
		return now.Add(or(p.Close.Emergency, DefaultClose.Emergency))
	case rules.SameDay:
		at := now.Add(or(p.Close.SameDay, DefaultClose.SameDay))
		if s.PageNow && !p.ChatOpen(at) {
			// It was worth waking somebody for; she may have fallen asleep over it.
			return now.Add(or(p.Close.Emergency, DefaultClose.Emergency))
		}
		if !p.ChatOpen(at) {
			return p.nextMorning(at)
		}
		return at
	}
	return p.afterOpen(now, or(p.Close.Routine, DefaultClose.Routine))
}

func or(d, other time.Duration) time.Duration {
	if d > 0 {
		return d
	}
	return other
}

// paging reports whether something that turns up at now must ring now although
// nobody may be reading: an emergency always, the rest by the rule's mark at
// night.
func (p Policy) paging(s stake, now time.Time) bool {
	return s.Urgency == rules.Emergency || s.Urgency == rules.SameDay && s.PageNow && !p.ChatOpen(now)
}
