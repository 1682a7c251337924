package dialog

import (
	"slices"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/plan"
)

// next says what comes next: a step, a dose. Where a person has taken over, the
// calendar says nothing.
func (m *moment) next() []effect {
	if m.silent() || m.held() {
		return []effect{m.nothingPlanned()}
	}
	var effects []effect
	if s, ok := m.nextStep(); ok {
		args := phrase.Args{"what": m.phraseOf(s), "date": m.day(s.On)}
		key := "next.planned"
		if s.Booked {
			key = "next.step"
		}
		if !s.At.IsZero() {
			key, args["time"] = "next.step_at", m.clockOf(s.At)
		}
		effects = append(effects, say{Key: key, Args: args})
		if s.Name == plan.Transfer && !s.At.IsZero() {
			effects = append(effects, m.transferDay(s))
		}
	}
	for _, a := range m.doses {
		if a.Dose.At.After(m.now) && !a.Settled() {
			effects = append(effects, say{Key: "next.dose", Args: phrase.Args{"dose": a.Words(), "date": m.dayOf(a.Dose.At), "time": m.clockOf(a.Dose.At)}})
			break
		}
	}
	if len(effects) == 0 && m.plan.CycleDayOne.IsZero() {
		return []effect{say{Key: "calendar.empty", Buttons: menu()}}
	}
	if len(effects) == 0 {
		return []effect{m.nothingPlanned()}
	}
	return effects
}

// transferDay says plainly what a neutral reminder only hints at.
func (m *moment) transferDay(s plan.Step) effect {
	day := m.policy.Messages.Transfer
	arrival := s.At.Add(-day.ArriveBefore)
	return say{Key: "next.transfer", Args: phrase.Args{"arrival": m.clockOf(arrival), "drink": m.clockOf(arrival.Add(-day.DrinkBefore))}}
}

// silent reports whether the calendar must not speak: it could hurt somebody who
// has had a loss, or her cycle is over.
func (m *moment) silent() bool {
	return !m.patient.Hushed.IsZero() || !m.cycle.Closed.IsZero() || m.untold && !m.plan.Cancelled.IsZero()
}

// held reports whether her period is on record and the cycle waits for something
// that must be done first: it does not start on its own.
func (m *moment) held() bool {
	_, seen := m.cycle.Live(plan.BaselineFound)
	_, visits := m.cycle.Live(plan.Visit)
	return len(m.missing) > 0 && !m.plan.CycleDayOne.IsZero() && !seen && !visits
}

// nothingPlanned says that nothing is planned, and who can say more.
func (m *moment) nothingPlanned() say {
	if !m.patient.Hushed.IsZero() {
		return say{Key: "calendar.hushed"}
	}
	if m.held() {
		return say{Key: "next.held", Args: m.phones(nil)}
	}
	return say{Key: "next.nothing", Args: m.phones(nil)}
}

func (m *moment) nextStep() (plan.Step, bool) {
	steps := reminders.Visible(m.shown)
	i := slices.IndexFunc(steps, func(s plan.Step) bool {
		return s.Status != plan.Done && !unordered(s) && !s.On.IsZero() && !s.On.Before(m.today()) && (s.At.IsZero() || s.At.After(m.now))
	})
	if i < 0 {
		return plan.Step{}, false
	}
	return steps[i], true
}

// unordered reports whether a step is a medicine that nobody has ordered yet. It
// stands in her calendar as planned, but is never named as what she does next.
func unordered(s plan.Step) bool {
	switch s.Name {
	case plan.Stimulation, plan.LiningEstrogen, plan.Trigger, plan.LutealEstrogen, plan.LutealProgesterone:
		return !s.Booked
	}
	return false
}

// phraseOf is a step in her words; the phrasebook fills the mark.
func (m *moment) phraseOf(s plan.Step) string { return phraseMark + s.Phrase }

// phraseMark in front of an argument says that it is itself a phrase.
const phraseMark = "\x00"
