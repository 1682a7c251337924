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

// holding is how a taken case stands with its holder.
type holding struct {
	times    int  // how often it has come back to her since she last did something
	answered bool // whatever is as grave as the case itself
}

// nextHeld is when a taken case comes back to its holder if nothing has happened
// to it since now. What the patient may come to harm over is strict until she has
// been answered; the rest comes back ever later, while the clinic is open, so that
// the bell keeps its meaning. It never stops.
func (p Policy) nextHeld(s stake, h holding, now time.Time) time.Time {
	slower := p.slowed(h)
	switch {
	case s.Urgency == rules.Emergency && !h.answered:
		return now.Add(p.Close.Emergency)
	case s.Urgency == rules.Routine:
		return p.afterOpen(now, p.grown(p.Close.Routine, slower))
	case slower > 0 && (h.answered || !s.PageNow), h.answered && s.Urgency == rules.SameDay:
		return p.afterOpen(now, p.grown(p.Close.SameDay, slower))
	}
	at := now.Add(p.Close.SameDay)
	switch {
	case p.ChatOpen(at):
		return at
	case s.PageNow && !h.answered:
		// It was worth waking somebody for; she may have fallen asleep over it.
		return now.Add(p.Close.Emergency)
	}
	return p.nextMorning(at)
}

// slowed is how many times the wait has grown: nothing slows down before somebody
// has been answered, or the leads have heard of it.
func (p Policy) slowed(h holding) int {
	if h.answered {
		return h.times
	}
	return max(h.times-p.Remind.LeadFrom+1, 0)
}

// grown is a wait, in clinic hours, that has grown so many times.
func (p Policy) grown(wait time.Duration, times int) time.Duration {
	for range times {
		if wait *= time.Duration(p.Remind.Slower); wait >= p.Remind.AtMost {
			return p.Remind.AtMost
		}
	}
	return wait
}

// leadsHear reports whether the reminder after h.times ones is for the leads too.
func (p Policy) leadsHear(h holding) bool {
	from := p.Remind.LeadFrom
	if h.answered {
		from = p.Remind.LeadFromAnswered
	}
	return h.times+1 >= from
}

// paging reports whether something that turns up at now must ring now although
// nobody may be reading: an emergency always, the rest by the rule's mark at
// night.
func (p Policy) paging(s stake, now time.Time) bool {
	return s.Urgency == rules.Emergency || s.Urgency == rules.SameDay && s.PageNow && !p.ChatOpen(now)
}
