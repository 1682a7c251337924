package dialog

import (
	"slices"
	"strings"

	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// back is a read-back that is still open, by the ID that its buttons carry.
func (m *moment) back(id string) (reminders.ReadBack, bool) {
	for _, r := range m.backs {
		if r.ID() == id && r.Open() {
			return r, true
		}
	}
	return reminders.ReadBack{}, false
}

// pressedBack is a button of a read-back.
func (m *moment) pressedBack(what, id string) []effect {
	r, open := m.back(id)
	if !open {
		return []effect{say{Key: "dose.answered"}}
	}
	switch what {
	case reminders.ActRead:
		return []effect{askBack{r}}
	case reminders.ActRight:
		return m.repeated(r)
	case reminders.ActWrong:
		return m.misread(r)
	case reminders.ActInHand:
		r.Stage = reminders.InHand
		return []effect{answerBack{r, reminders.SaidInHand}, askBack{r}}
	case reminders.ActNotInHand:
		return []effect{answerBack{r, reminders.SaidNotInHand},
			openCase{Reason: string(triage.ReadBack), Urgency: rules.SameDay, PageNow: true, Notes: []triage.Line{{Key: "note.not_in_hand"}}},
			say{Key: "readback.not_in_hand_reply", Args: m.phones(nil)}}
	case reminders.ActHerself:
		return []effect{answerBack{r, reminders.SaidHerself}, say{Key: "readback.thanks"}}
	case reminders.ActSomebody:
		return []effect{answerBack{r, reminders.SaidSomebody}, say{Key: "readback.thanks"}}
	}
	return []effect{say{Key: "button.unknown"}}
}

// repeated: she gave the instruction back as it was meant. About the trigger more
// is asked.
func (m *moment) repeated(r reminders.ReadBack) []effect {
	effects := []effect{answerBack{r, reminders.SaidRight}}
	if r.Trigger() {
		r.Stage = reminders.Repeated
		return append(effects, askBack{r})
	}
	return append(effects, say{Key: "readback.thanks"})
}

// misread: she gave something else back. She is shown it again, and a person
// phones her: at once about the trigger.
func (m *moment) misread(r reminders.ReadBack) []effect {
	return []effect{answerBack{r, reminders.SaidWrong},
		openCase{Reason: string(triage.ReadBackWrong), Urgency: rules.SameDay, PageNow: r.Pressing(), Why: r.Fact.Drug},
		say{Key: "readback.misread", Args: m.phones(nil)}, askBack{r}}
}

// openBacks are the instructions that she is being asked to repeat.
func (m *moment) openBacks() []reminders.ReadBack {
	var open []reminders.ReadBack
	for _, r := range m.backs {
		if r.Open() && r.Stage == reminders.Unanswered && !r.Asked.After(m.now) {
			open = append(open, r)
		}
	}
	return open
}

// repeats reports what her own words give back of the read-back that is open. A
// message that says anything else as well is read as any other.
func (m *moment) repeats() ([]effect, bool) {
	open := m.openBacks()
	if len(open) == 0 || len(m.reading.Findings) > 0 || m.verdict.Urgency > rules.Routine {
		return nil, false
	}
	if yes, known := answerOf(m.in.Text); known && yes {
		// "Ok" repeats nothing.
		return []effect{askBack{open[0]}}, true
	}
	said := spokenIn(m.in.Text)
	for _, r := range open {
		if !m.gives(r, said) {
			continue
		}
		// Only a dose can be meant for either half of the day.
		if said.half && r.Fact.Kind != plan.Visit || strings.Contains(m.in.Text, "?") {
			return []effect{askBack{r}}, true
		}
		return m.repeated(r), true
	}
	r := open[0]
	if len(open) > 1 || m.reading.Intent == rules.DoseTaken || m.reading.Intent == rules.DoseMissed || r.CalledOff != "" || r.Timed && !said.timed || !r.Timed && len(said.days) == 0 {
		return nil, false
	}
	return m.misread(r), true
}

// gives reports whether what she said can be the day and the time of an
// instruction; a day that she did not say is not held against her.
func (m *moment) gives(r reminders.ReadBack, said spoken) bool {
	right := r.Right.In(m.now.Location())
	if r.CalledOff != "" {
		return false // it is answered by a button, or read by a person
	}
	if !said.on(civil.DateOf(right), m.today()) {
		return false
	}
	if !r.Timed {
		return len(said.days) > 0
	}
	return slices.Contains(said.clocks(), civil.TimeOfDayOf(right))
}
