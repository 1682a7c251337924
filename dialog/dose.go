package dialog

import (
	"slices"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// lateBy is how far from its ordered minute a trigger may be given without a
// person being woken. Common practice, no source.
const lateBy = 15 * time.Minute

// asked are the doses that her words can mean: those that came due within the
// last day and are not settled, of the drug that she names if she names one.
func (m *moment) asked() []reminders.Asked {
	var match []reminders.Asked
	for _, a := range m.doses {
		due := a.Dose.At
		if a.Settled() || due.After(m.now.Add(time.Hour)) || due.Before(m.now.Add(-24*time.Hour)) {
			continue
		}
		if m.names(a) {
			match = append(match, a)
		}
	}
	return match
}

// drugOf is a dose's drug in the words of the rules.
func drugOf(d plan.Dose) rules.Drug { return DrugOf(d.Drug, d.Class) }

// taken: she says that she has taken something. Where it can mean one dose it is
// written down, where it can mean several she is asked which.
func (m *moment) taken() []effect {
	match := m.asked()
	switch len(match) {
	case 0:
		return m.unexpected()
	case 1:
		return m.settle(match[0])
	}
	var buttons [][]choice
	for _, a := range match {
		buttons = append(buttons, []choice{{Label: a.Words() + ", " + m.clockOf(a.Dose.At), Action: reminders.ActTaken + a.ID}})
	}
	return []effect{say{Key: "dose.which", Buttons: buttons}, askNext{Question{Topic: AskDose, At: m.now}}}
}

// unexpected: she says that she has taken something about which nothing is asked.
// Said twice, it is thanked for; anything else is for a human, and a trigger that
// was given when it was not due wakes one.
func (m *moment) unexpected() []effect {
	given, known := m.cycle.Live(plan.TriggerGiven)
	switch {
	case m.reading.Drug == rules.Trigger && known && m.now.Sub(given.At) < answerable:
		at := m.lately(m.reading.Time)
		if !m.reading.HasTime || at.Equal(given.At) {
			return []effect{say{Key: "dose.none_open"}}
		}
		return m.given(at)
	case m.reading.Drug == rules.Trigger:
		return m.triggerAlarm("", m.early()...)
	case slices.ContainsFunc(m.doses, func(a reminders.Asked) bool {
		return a.Last == reminders.Taken && m.now.Sub(a.At) < answerable && m.names(a)
	}):
		return []effect{say{Key: "dose.none_open"}}
	}
	return m.humanReads(triage.DoseQuestion, "")
}

// early tells staff for when the trigger is ordered that she says she has given.
func (m *moment) early() []triage.Line {
	ordered, known := m.cycle.Live(plan.TriggerOrder)
	if !known {
		return []triage.Line{{Key: "note.trigger_unordered"}}
	}
	return []triage.Line{{Key: "note.trigger_early", Args: phrase.Args{"at": staffTime(ordered.At.In(m.now.Location()))}}}
}

// staffTime is an instant as staff read it; t is on the clinic's wall clock.
func staffTime(t time.Time) string { return t.Format("2006-01-02 15:04") }

// names reports whether her words can mean this dose.
func (m *moment) names(a reminders.Asked) bool {
	return m.reading.Drug == "" || m.reading.Drug == rules.OtherDrug || drugOf(a.Dose) == m.reading.Drug
}

// settle writes a dose down as taken; for the trigger its minute is asked.
func (m *moment) settle(a reminders.Asked) []effect {
	if at, ok := m.saidMinute(); ok && a.Trigger() {
		return m.given(at)
	}
	if a.Trigger() {
		return m.askGiven(a.ID)
	}
	return []effect{answerDose{a.ID, reminders.Taken}, say{Key: "dose.thanks"}}
}

// missed: she says that a dose was missed. A human decides what to do; the bot
// says only not to double it.
func (m *moment) missed(concerned bool) []effect {
	var effects []effect
	match := m.asked()
	switch {
	case concerned:
	case len(match) == 1 && match[0].Trigger():
		return m.triggerAlarm(match[0].ID)
	case m.reading.Drug == rules.Trigger:
		// Not due yet, but lost, broken or in doubt.
		return m.triggerAlarm(m.triggerID(), triage.Line{Key: "note.trigger_doubt"})
	}
	if len(match) == 1 && !match[0].Trigger() {
		effects = append(effects, answerDose{match[0].ID, reminders.Missed})
	}
	if concerned {
		return effects
	}
	return append(effects, m.humanReads(triage.DoseMissed, "dose.missed_reply")...)
}

// forgot is the word for the button "missed": about the dose that was asked about
// last.
func (m *moment) forgot() []effect {
	asked := m.asked()
	last := len(asked) - 1
	for last >= 0 && asked[last].Dose.At.After(m.now) {
		last--
	}
	if last < 0 {
		return m.missed(false)
	}
	if asked[last].Trigger() {
		return m.triggerAlarm(asked[last].ID)
	}
	return m.pressedDose(reminders.Missed, asked[last].ID)
}

// unsure reports whether "taken" is not all that she says about a dose: she asks
// something, or tells of something that came of it, as a tablet that came up again.
func (m *moment) unsure() bool {
	return strings.ContainsAny(m.in.Text, "?¿") || len(m.reading.Findings) > 0 || doubts(m.in.Text)
}

// pressedDose is a button under a dose question.
func (m *moment) pressedDose(answer reminders.Answer, id string) []effect {
	a, known := m.dose(id)
	if !known || a.Settled() {
		return []effect{say{Key: "dose.answered"}}
	}
	switch {
	case a.Trigger():
		return m.settle(a)
	case answer == reminders.Taken:
		return []effect{answerDose{id, answer}, say{Key: "dose.thanks"}}
	case answer == reminders.NotYet:
		at := m.now.Add(m.policy.Messages.DoseRepeat)
		if at.Before(a.Deadline) {
			return []effect{answerDose{id, answer}, say{Key: "dose.later", Args: phrase.Args{"time": m.clockOf(at)}}}
		}
		return []effect{answerDose{id, answer}, say{Key: "dose.thanks"}}
	}
	// A button speaks as plainly as words would: the same rules weigh it.
	v := rules.Assess(rules.Input{Phase: rules.Phase(m.plan.Phase()), Intents: []rules.Intent{rules.DoseMissed},
		Drug: drugOf(a.Dose), Doses: []rules.Dose{rules.Missed}})
	return []effect{answerDose{id, answer},
		openCase{Reason: string(triage.DoseMissed), Urgency: max(rules.Routine, v.Urgency), PageNow: v.PageNow, Rules: v.Rules,
			Notes: []triage.Line{{Key: "note.dose_missed", Args: phrase.Args{"dose": a.Words(), "at": staffTime(a.Dose.At.In(m.now.Location()))}}}, Dose: id},
		say{Key: "dose.missed_reply", Args: m.phones(nil)}}
}

// notYet: asked whether she has taken a dose, she says that she has not so far. She
// is asked again; nothing is missed before its deadline.
func (m *moment) notYet() []effect {
	var last reminders.Asked
	for _, a := range m.doses {
		if !a.Settled() && !a.Dose.At.After(m.now) {
			last = a
		}
	}
	if last.Trigger() {
		return m.pressedTrigger(reminders.ActNotDone, last.ID)
	}
	return m.pressedDose(reminders.NotYet, last.ID)
}

func (m *moment) dose(id string) (reminders.Asked, bool) {
	for _, a := range m.doses {
		if a.ID == id {
			return a, true
		}
	}
	return reminders.Asked{}, false
}

// pressedTrigger is a button under the question whether the trigger was given.
func (m *moment) pressedTrigger(what, id string) []effect {
	a, known := m.dose(id)
	if !known {
		return []effect{say{Key: "dose.answered"}}
	}
	switch what {
	case reminders.ActGiven:
		return m.given(a.Dose.At)
	case reminders.ActOther:
		return m.askGiven(id)
	case reminders.ActNotDone:
		effects := []effect{answerDose{id, reminders.NotYet}}
		if m.now.Sub(a.Dose.At) < lateBy {
			return append(effects, say{Key: "dose.later", Args: phrase.Args{"time": m.clockOf(a.Dose.At.Add(lateBy))}})
		}
		return append(effects, m.triggerAlarm(id)...)
	}
	return m.triggerAlarm(id)
}

// triggerAlarm wakes somebody: nothing about a trigger can wait. dose is its ID, ""
// for one that is not on order.
func (m *moment) triggerAlarm(dose string, notes ...triage.Line) []effect {
	if a, known := m.dose(dose); known && len(notes) == 0 {
		notes = []triage.Line{{Key: "note.trigger_not_given", Args: phrase.Args{"at": staffTime(a.Dose.At.In(m.now.Location()))}}}
	}
	return []effect{openCase{Reason: string(triage.DoseMissed), Urgency: rules.SameDay, PageNow: true, Rules: m.verdict.Rules, Notes: notes, Dose: dose},
		say{Key: "trigger.alarm", Args: m.phones(nil)}}
}

func (m *moment) askGiven(id string) []effect {
	return []effect{say{Key: "trigger.when"}, askNext{Question{Topic: AskGiven, About: id, At: m.now}}}
}

// saidMinute is the minute, not after now, that she names for an injection. Where
// she leaves open which half of the day it was, the one nearer to the ordered
// minute is meant; she reads what was written down.
func (m *moment) saidMinute() (at time.Time, ok bool) {
	ordered, known := m.cycle.Live(plan.TriggerOrder)
	for _, clock := range spokenIn(m.in.Text).clocks() {
		t := m.lately(clock)
		if !ok || known && t.Sub(ordered.At).Abs() < at.Sub(ordered.At).Abs() {
			at, ok = t, true
		}
	}
	return at, ok
}

// lately is the last time, not after now, at which the clock showed t.
func (m *moment) lately(t civil.TimeOfDay) time.Time {
	at := m.today().At(t, m.now.Location())
	if at.After(m.now) {
		at = m.today().AddDays(-1).At(t, m.now.Location())
	}
	return at
}

// given writes down at which minute the trigger was given. Far from the ordered
// minute, somebody is woken; the calendar moves with it either way.
func (m *moment) given(at time.Time) []effect {
	if at.After(m.now) {
		at = m.now
	}
	fact := plan.Fact{Kind: plan.TriggerGiven, At: at.Truncate(time.Minute)}
	if old, known := m.cycle.Live(plan.TriggerGiven); known {
		fact.Replaces = old.ID
	}
	if m.impossible(fact) != "" {
		return append([]effect{askNext{}}, m.triggerAlarm(m.triggerID())...)
	}
	effects := []effect{askNext{}, record{Fact: fact},
		say{Key: "trigger.recorded", Args: phrase.Args{"date": m.dayOf(at), "time": m.clockOf(at)}}}
	ordered, known := m.cycle.Live(plan.TriggerOrder)
	if !known || at.Sub(ordered.At).Abs() <= lateBy {
		return append(effects, tellMoved{})
	}
	note := triage.Line{Key: "note.trigger_off", Args: phrase.Args{"at": staffTime(at.In(m.now.Location())), "ordered": staffTime(ordered.At.In(m.now.Location()))}}
	effects = append(effects, m.triggerAlarm(m.triggerID(), note)...)
	return append(effects, tellMoved{Unsure: true})
}

// triggerID is the dose that the ordered trigger is asked about as; "" when none is.
func (m *moment) triggerID() string {
	for _, a := range m.doses {
		if a.Trigger() {
			return a.ID
		}
	}
	return ""
}
