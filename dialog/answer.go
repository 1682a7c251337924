package dialog

import (
	"slices"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/dialog/reading"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// press is a button. What it stands for was written into the database with the
// question, so it can be trusted as far as that question can.
func (m *moment) press() []effect {
	switch {
	case m.spent:
		return []effect{say{Key: "button.spent"}}
	case m.pressed == "":
		return []effect{say{Key: "button.unknown"}}
	}
	what, about := m.pressed, ""
	if i := strings.Index(what, "/"); i >= 0 {
		if j := strings.Index(what[i+1:], "/"); j >= 0 {
			what, about = what[:i+j+2], what[i+j+2:]
		}
	}
	if !m.patient.Enrolled {
		return m.pressedConsent(what)
	}
	switch what {
	case "consent/agree":
		return m.agreedAgain()
	case "consent/decline":
		return m.declinedAgain()
	case "consent/en", "consent/es":
		return []effect{setLanguage{strings.TrimPrefix(what, "consent/")}, m.consent()}
	case "menu/period":
		return m.periodToday()
	case "menu/next":
		return m.next()
	case "menu/calendar":
		return []effect{sendCalendar{}}
	case "menu/picture":
		return []effect{sendPicture{}}
	case "menu/person":
		return m.humanReads(triage.PersonWanted, "reply.person")
	case "period/other":
		return m.whichDay(nil)
	case "period/spotting":
		return m.spotting()
	case "period/keep":
		if old, known := m.cycle.Live("period_start"); known {
			return []effect{askNext{}, say{Key: "period.kept", Args: phrase.Args{"old": m.dayOf(old.At)}}}
		}
	case "period/day/":
		if d, err := civil.ParseDate(about); err == nil {
			return m.onDay(d)
		}
	case "period/at/", "period/yes/":
		if at, err := time.ParseInLocation(minute, about, m.now.Location()); err == nil {
			return m.started(at)
		}
	case actPlace:
		return m.pressedPlace(about)
	case "place/none":
		return m.noPlace()
	case reminders.ActCall:
		if at, err := time.ParseInLocation(minute, about, m.now.Location()); err == nil {
			return m.callAt(at)
		}
	case reminders.ActTaken:
		return m.pressedDose(reminders.Taken, about)
	case reminders.ActNotYet:
		return m.pressedDose(reminders.NotYet, about)
	case reminders.ActMissed:
		return m.pressedDose(reminders.Missed, about)
	case reminders.ActRight, reminders.ActWrong, reminders.ActRead, reminders.ActInHand, reminders.ActNotInHand, reminders.ActHerself, reminders.ActSomebody:
		return m.pressedBack(what, about)
	case reminders.ActGiven, reminders.ActOther, reminders.ActNotDone, reminders.ActProblem:
		return m.pressedTrigger(what, about)
	}
	return []effect{say{Key: "button.unknown"}}
}

// callAt books the call at the time that she chose, in place of one that she chose
// before.
func (m *moment) callAt(at time.Time) []effect {
	if !at.After(m.now) {
		return []effect{say{Key: "button.spent"}}
	}
	f := plan.Fact{Kind: plan.Visit, Step: plan.Call, At: at}
	gone := make(map[string]bool)
	for _, old := range m.cycle.Facts {
		gone[old.Replaces] = true
	}
	for _, old := range m.cycle.Facts {
		if old.Kind == plan.Visit && old.Step == plan.Call && !gone[old.ID] {
			f.Replaces = old.ID
		}
	}
	return []effect{record{Fact: f}, say{Key: "call.chosen", Args: phrase.Args{"date": m.dayOf(at), "time": m.clockOf(at)}}}
}

func (m *moment) pressedConsent(what string) []effect {
	switch what {
	case "consent/agree":
		return m.agreed()
	case "consent/decline":
		return m.declined()
	case "consent/en":
		return []effect{setLanguage{"en"}, m.consent()}
	case "consent/es":
		return []effect{setLanguage{"es"}, m.consent()}
	}
	return []effect{say{Key: "button.unknown"}}
}

// answered: she answers a question that was asked, in words. A question stays
// answerable for a day; whatever she writes instead is read as anything else is.
func (m *moment) answered() ([]effect, bool) {
	if effects, done := m.repeats(); done {
		return effects, true
	}
	if effects, known := m.answeredDose(); known {
		return effects, true
	}
	q := m.talk.Asking
	if q.Topic == AskNothing || m.now.Sub(q.At) > answerable {
		return nil, false
	}
	yes, known := answerOf(m.in.Text)
	switch q.Topic {
	case AskPeriod:
		at, err := time.ParseInLocation(minute, q.About, m.now.Location())
		switch {
		case !known || err != nil:
			return m.answeredDay(q)
		case yes:
			return m.started(at), true
		}
		return m.whichDay(nil), true
	case AskPeriodDay:
		return m.answeredDay(q)
	case AskPeriodFix:
		return m.corrected()
	case AskPlace:
		return m.answeredPlace(q)
	case AskGiven:
		if at, ok := m.saidMinute(); ok {
			return m.given(at), true
		}
	}
	return nil, false
}

// answeredDose: she answers the question about a dose in a word or two.
func (m *moment) answeredDose() ([]effect, bool) {
	said := tidy(m.in.Text)
	switch {
	case !m.doseAsked() || m.verdict.Urgency >= rules.Emergency:
		return nil, false
	case later[said]:
		return m.notYet(), true
	case done[said]:
		return m.taken(), true
	case forgotten[said]:
		return m.forgot(), true
	}
	return nil, false
}

// answeredDay: a day, or a time of the day that was asked about.
func (m *moment) answeredDay(q Question) ([]effect, bool) {
	switch {
	case m.reading.Ambiguous:
		return m.whichDay(m.reading.Candidates), true
	case !m.reading.Date.IsZero():
		return m.onDay(m.reading.Date), true
	case q.Topic == AskPeriodDay && q.About != "":
		d, err := civil.ParseDate(q.About)
		if said := spokenIn(m.in.Text); err == nil && said.timed && !said.half && said.on(d, m.today()) {
			return m.confirm(d.At(said.clock, m.now.Location())), true
		}
	}
	return nil, false
}

// inShort is how many words the correction of a day has at most: "sorry, it was on
// Tuesday evening, not today". A longer message is about something. Common practice, no
// source.
const inShort = 10

func (m *moment) short() bool { return len(strings.Fields(m.in.Text)) <= inShort }

// corrected: soon after a day one was written down she names another day, without
// saying again what it is about. Only a short message that is about nothing else is
// taken for that.
func (m *moment) corrected() ([]effect, bool) {
	d := m.reading.Date
	about := m.reading.Intent == rules.PeriodStart || m.reading.Intent == rules.Unclear
	if !about || !m.short() || len(m.reading.Also) > 0 || len(m.reading.Findings) > 0 || d.IsZero() || d.After(m.today()) {
		return nil, false
	}
	return m.onDay(d), true
}

// doseAsked reports whether what she was asked last is whether she has taken a
// dose: not a question of the conversation, an instruction to repeat, or a
// coordinator who waits for her just now.
func (m *moment) doseAsked() bool {
	last := time.Time{}
	for _, a := range m.doses {
		if !a.Settled() && !a.Dose.At.After(m.now) && m.now.Sub(a.Dose.At) < answerable {
			last = a.Dose.At
		}
	}
	later := slices.ContainsFunc(m.openBacks(), func(r reminders.ReadBack) bool { return r.Asked.After(last) })
	return !last.IsZero() && !later && !m.attended && (m.talk.Asking.Topic == AskNothing || m.talk.Asking.At.Before(last))
}

// answerable is how long a question can be answered in words; after that what she
// writes is read as anything else is. Common practice, no source.
const answerable = 24 * time.Hour

// expecting is what the reading should know about the question that is open.
func (m *moment) expecting() reading.Expecting {
	if m.doseAsked() {
		return reading.ExpectDose
	}
	if q := m.talk.Asking; m.now.Sub(q.At) <= answerable && len(m.openBacks()) == 0 {
		switch q.Topic {
		case AskPeriod, AskPeriodDay:
			return reading.ExpectDate
		case AskPeriodFix:
			if m.short() {
				return reading.ExpectDate
			}
		case AskDose:
			return reading.ExpectDose
		}
	}
	return reading.ExpectNothing
}
