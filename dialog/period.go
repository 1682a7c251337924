package dialog

import (
	"errors"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// minute is how a button carries an instant: the clinic's wall clock.
const minute = "2006-01-02T15:04"

// period: she reports bleeding. Day one is written down only after she has said
// that it was a full flow, on which day and on which side of the cut-off.
func (m *moment) period(i rules.Intent, concerned bool) ([]effect, bool) {
	early := m.plan.Phase() == plan.BeforeCycle || m.plan.Phase() == plan.InStimulation
	switch {
	case m.verdict.Urgency >= rules.SameDay || !early || m.untold || m.silent():
		// After a trigger or a transfer, and after a cycle, bleeding is not
		// day one but something for a human.
		if concerned {
			return nil, false
		}
		return m.humanReads(triage.PeriodUnclear, ""), true
	case i == rules.PeriodSpotting:
		return m.spotting(), false
	case m.reading.Ambiguous:
		return m.whichDay(m.reading.Candidates), false
	case m.reading.Date.IsZero():
		return m.onDay(m.today()), false
	}
	return m.onDay(m.reading.Date), false
}

// periodToday is the button "my period started".
func (m *moment) periodToday() []effect {
	effects, _ := m.period(rules.PeriodStart, false)
	return effects
}

func (m *moment) spotting() []effect {
	return []effect{say{Key: "period.spotting_noted"}, askNext{}}
}

// onDay asks her to confirm a day. The time of day matters only for the cut-off:
// where she did not say it and it could be on either side, she is asked.
func (m *moment) onDay(d civil.Date) []effect {
	switch {
	case d.After(m.today()):
		return m.whichDay(nil)
	case m.reading.HasTime:
		return m.confirm(d.At(m.reading.Time, m.now.Location()))
	case d == civil.DateOf(m.sent()) && civil.TimeOfDayOf(m.sent()) < m.policy.Calendar.PeriodCutOff:
		return m.confirm(m.sent())
	}
	cut := m.policy.Calendar.PeriodCutOff
	before, after := d.At(cut-60, m.now.Location()), d.At(cut, m.now.Location())
	args := phrase.Args{"day": m.day(d), "cut_off": m.clock(cut)}
	buttons := [][]choice{{{Key: "period.before", Args: args, Action: "period/at/" + before.Format(minute)}}}
	if !after.After(m.now) {
		buttons[0] = append(buttons[0], choice{Key: "period.after", Args: args, Action: "period/at/" + after.Format(minute)})
	}
	buttons = append(buttons, []choice{{Key: "period.other_day", Action: "period/other"}, {Key: "period.spotting", Action: "period/spotting"}})
	return []effect{say{Key: "period.which_part", Args: args, Buttons: buttons}, askNext{Question{Topic: AskPeriodDay, About: d.String(), At: m.now}}}
}

// confirm asks whether a full flow started at that time, or whether what is on
// record should be changed.
func (m *moment) confirm(at time.Time) []effect {
	at = at.In(m.now.Location()).Truncate(time.Minute)
	args := phrase.Args{"day": m.dayOf(at), "time": m.clockOf(at)}
	question := askNext{Question{Topic: AskPeriod, About: at.Format(minute), At: m.now}}
	if old, known := m.cycle.Live(plan.PeriodStart); known {
		if civil.DateOf(old.At) == civil.DateOf(at) && m.sameDayOne(old.At, at) {
			return []effect{say{Key: "period.same", Args: phrase.Args{"old": m.dayOf(old.At)}}}
		}
		args["old"] = m.dayOf(old.At)
		return []effect{say{Key: "period.again", Args: args, Buttons: [][]choice{
			{{Key: "period.again_yes", Action: "period/yes/" + at.Format(minute)}, {Key: "period.again_no", Action: "period/keep"}},
			{{Key: "period.other_day", Action: "period/other"}},
		}}, question}
	}
	return []effect{say{Key: "period.ask", Args: args, Buttons: [][]choice{
		{{Key: "period.yes", Action: "period/yes/" + at.Format(minute)}},
		{{Key: "period.other_day", Action: "period/other"}, {Key: "period.spotting", Action: "period/spotting"}},
	}}, question}
}

func (m *moment) sameDayOne(a, b time.Time) bool {
	cut := m.policy.Calendar.PeriodCutOff
	return (civil.TimeOfDayOf(a) < cut) == (civil.TimeOfDayOf(b) < cut)
}

// offered is how many days back are offered as buttons.
const offered = 4

// whichDay asks on which day it started: among the days that her words can mean,
// or else the last few.
func (m *moment) whichDay(candidates []civil.Date) []effect {
	if len(candidates) == 0 {
		for n := range offered {
			candidates = append(candidates, m.today().AddDays(-n))
		}
	}
	var buttons [][]choice
	for _, d := range candidates {
		if !d.After(m.today()) {
			buttons = append(buttons, []choice{{Label: m.day(d), Action: "period/day/" + d.String()}})
		}
	}
	return []effect{say{Key: "period.which_day", Buttons: buttons}, askNext{Question{Topic: AskPeriodDay, At: m.now}}}
}

// started writes day one down. With everything ready she is told her calendar and
// a coordinator has a first visit to book; otherwise a person calls her, and
// nothing starts.
func (m *moment) started(at time.Time) []effect {
	fact := plan.Fact{Kind: plan.PeriodStart, At: at}
	old, corrected := m.cycle.Live(plan.PeriodStart)
	if corrected {
		fact.Replaces = old.ID
	}
	if why := m.impossible(fact); why != "" {
		return m.doubted(why)
	}
	effects := []effect{askNext{Question{Topic: AskPeriodFix, At: m.now}}, record{Fact: fact}}
	args := phrase.Args{"day": m.dayOf(at), "time": m.clockOf(at), "day_one": m.day(m.dayOne(at))}
	switch {
	case len(m.missing) > 0:
		return append(effects,
			openCase{Reason: string(triage.NotReady), Urgency: rules.SameDay, Why: "missing"},
			say{Key: "period.not_ready", Args: args})
	case corrected && m.dayOne(at) == m.plan.CycleDayOne:
		return append(effects, say{Key: "period.unmoved", Args: args})
	}
	effects = append(effects, openCase{Reason: string(triage.PeriodReported), Urgency: rules.SameDay, Notes: m.correction(corrected)})
	return append(effects, say{Key: "period.recorded", Args: args}, sendCalendar{})
}

// impossible is why a fact cannot be written down as she states it; "" when it can.
func (m *moment) impossible(f plan.Fact) string {
	if m.cycle.ID == 0 || !m.cycle.Closed.IsZero() {
		return "her cycle is over"
	}
	f.ID = "new"
	_, err := plan.Build(m.policy, append(m.cycle.PlanFacts(), f), m.now)
	if refused := (*plan.Refusal)(nil); errors.As(err, &refused) {
		return refused.Why
	}
	return "" // a plan that cannot be made at all is no fault of hers
}

// doubted: what she says of her period does not go with what is on record, so
// nothing is written down, and a person asks her.
func (m *moment) doubted(why string) []effect {
	if !m.cycle.Closed.IsZero() {
		return append([]effect{askNext{}}, m.humanReads(triage.PeriodUnclear, "")...)
	}
	c := m.caseOf(triage.PeriodUnclear)
	c.Urgency, c.Why = max(c.Urgency, rules.SameDay), why
	answer := say{Key: "reply.same_day", Args: m.phones(nil)}
	if !open(m.policy, m.now) {
		answer.Key = "reply.passed"
		answer.Then, answer.Args = m.afterHours(c)
	}
	return []effect{askNext{}, c, answer}
}

// correction tells staff what her first word was.
func (m *moment) correction(corrected bool) []triage.Line {
	if !corrected {
		return nil
	}
	return []triage.Line{{Key: "note.was", Args: phrase.Args{"day": m.plan.CycleDayOne.String()}}}
}

// dayOne is cycle day one for a full flow that started at t.
func (m *moment) dayOne(t time.Time) civil.Date {
	return plan.DayOne(t.In(m.now.Location()), m.policy.Calendar.PeriodCutOff)
}
