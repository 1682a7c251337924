package triage

import (
	"time"

	"handrail.example/reminders/civil"
)

// Policy is how fast the clinic promises to look. Times of day are wall clock in
// Zone.
type Policy struct {
	Zone *time.Location
	// Chat is when a person reads the chat, Clinic when patients are seen; a
	// routine case waits for the former and is counted in hours of the latter.
	Chat, Clinic Hours
	// Holidays are days on which nobody works.
	Holidays map[civil.Date]bool
	// Climb is how long a case may stay untaken before the next rung rings.
	Climb Waits
	// Close is how long a taken case may stay without a word before it comes
	// back to its holder; Remind is how it goes on from there.
	Close  Waits
	Remind Reminding
	// Again is how often the last rung of an emergency is rung.
	Again time.Duration
	// Morning is when what could wait for the night is put before a person.
	Morning civil.TimeOfDay
	// CheckIn is how long after the start of a shift the lead is told that
	// nobody has checked in.
	CheckIn time.Duration
	// CodeValid is how long a sign-up code of staff is good.
	CodeValid time.Duration
}

// Hours is a span of the wall clock on some days of the week, To exclusive.
type Hours struct {
	Days     [7]bool // by time.Weekday
	From, To civil.TimeOfDay
}

// Waits are durations by urgency. Routine counts clinic hours only.
type Waits struct{ Emergency, SameDay, Routine time.Duration }

// Reminding is how a taken case that stays comes back to its holder again.
type Reminding struct {
	// Slower is how many times longer each wait is than the one before, 1 for
	// the same; AtMost, in clinic hours, is where it grows no more.
	Slower int
	AtMost time.Duration
	// LeadFrom is the reminder (1, 2, …) from which the leads hear of it too,
	// LeadFromAnswered the same once the patient has been answered.
	LeadFrom, LeadFromAnswered int
}

// defaultCheckIn is used when Policy.CheckIn is zero: common practice, no source.
const defaultCheckIn = 15 * time.Minute

func (p Policy) checkIn() time.Duration {
	if p.CheckIn > 0 {
		return p.CheckIn
	}
	return defaultCheckIn
}

// lookAhead bounds every search for the next open day: a clinic that is closed
// for longer has a policy with a mistake in it, and its cases must not wait.
const lookAhead = 60

// span is the open time of a day; false when it is closed.
func (p Policy) span(h Hours, d civil.Date) (from, to time.Time, open bool) {
	if !h.Days[d.Weekday()] || p.Holidays[d] {
		return time.Time{}, time.Time{}, false
	}
	return d.At(h.From, p.Zone), d.At(h.To, p.Zone), true
}

// ChatOpen reports whether a person reads the chat at t.
func (p Policy) ChatOpen(t time.Time) bool {
	from, to, open := p.span(p.Chat, civil.DateOf(t.In(p.Zone)))
	return open && !t.Before(from) && t.Before(to)
}

// NextChat is when the chat is next read: t itself when it is read then.
func (p Policy) NextChat(t time.Time) time.Time {
	today := civil.DateOf(t.In(p.Zone))
	for i := range lookAhead {
		from, to, open := p.span(p.Chat, today.AddDays(i))
		switch {
		case !open || !t.Before(to):
		case t.Before(from):
			return from.UTC()
		default:
			return t
		}
	}
	return t
}

// nextMorning is the first morning at or after t, on any day of the week:
// somebody is on call on all of them.
func (p Policy) nextMorning(t time.Time) time.Time {
	today := civil.DateOf(t.In(p.Zone))
	if at := today.At(p.Morning, p.Zone); !at.Before(t) {
		return at.UTC()
	}
	return today.AddDays(1).At(p.Morning, p.Zone).UTC()
}

// afterOpen is the instant at which the clinic will have been open for d since t.
func (p Policy) afterOpen(t time.Time, d time.Duration) time.Time {
	today := civil.DateOf(t.In(p.Zone))
	left := d
	for i := range lookAhead {
		from, to, open := p.span(p.Clinic, today.AddDays(i))
		if !open || !t.Before(to) {
			continue
		}
		if from.Before(t) {
			from = t
		}
		if room := to.Sub(from); left > room {
			left -= room
			continue
		}
		return from.Add(left).UTC()
	}
	return t.Add(d)
}
