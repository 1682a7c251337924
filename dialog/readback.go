package dialog

import (
	"slices"
	"strings"

	"handrail.example/dialog/phrase"
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
	if effects, done := m.answersStage(); done {
		return effects, true
	}
	open := m.openBacks()
	if len(open) == 0 || len(m.reading.Findings) > 0 || m.verdict.Urgency > rules.Routine {
		return nil, false
	}
	if yes, known := answerOf(m.in.Text); known && yes && !m.doseAsked() {
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

// stageWords are the answers in words to what is asked after an instruction: whole
// messages, as tidy leaves them.
var stageWords = map[string]string{
	"not sure": reminders.ActNotInHand, "im not sure": reminders.ActNotInHand, "i am not sure": reminders.ActNotInHand, "no im not sure": reminders.ActNotInHand,
	"not yet": reminders.ActNotInHand, "i dont have it": reminders.ActNotInHand, "i do not have it": reminders.ActNotInHand, "no i dont": reminders.ActNotInHand,
	"no or not sure": reminders.ActNotInHand,
	"no se":          reminders.ActNotInHand, "no estoy segura": reminders.ActNotInHand, "todavia no": reminders.ActNotInHand, "aun no": reminders.ActNotInHand,
	"no la tengo": reminders.ActNotInHand, "no o no estoy segura": reminders.ActNotInHand, "no todavia": reminders.ActNotInHand, "no todavia no": reminders.ActNotInHand,
	"i have it": reminders.ActInHand, "yes i do": reminders.ActInHand, "yes i have it": reminders.ActInHand, "its in the fridge": reminders.ActInHand,
	"la tengo": reminders.ActInHand, "si la tengo": reminders.ActInHand, "ya la tengo": reminders.ActInHand, "si ya la tengo": reminders.ActInHand,
	"me": reminders.ActHerself, "i will": reminders.ActHerself, "myself": reminders.ActHerself, "i do": reminders.ActHerself, "i do it myself": reminders.ActHerself,
	"i will do it": reminders.ActHerself, "i will give it": reminders.ActHerself, "ill do it": reminders.ActHerself, "ill do it myself": reminders.ActHerself,
	"yo": reminders.ActHerself, "yo misma": reminders.ActHerself, "me la pongo yo": reminders.ActHerself, "yo me la pongo": reminders.ActHerself, "sola": reminders.ActHerself,
	"somebody else": reminders.ActSomebody, "someone else": reminders.ActSomebody, "my husband": reminders.ActSomebody, "my partner": reminders.ActSomebody,
	"my wife": reminders.ActSomebody, "my mom": reminders.ActSomebody, "my mother": reminders.ActSomebody, "my sister": reminders.ActSomebody, "a nurse": reminders.ActSomebody,
	"my husband will": reminders.ActSomebody, "my partner will": reminders.ActSomebody, "my wife will": reminders.ActSomebody, "my sister will": reminders.ActSomebody,
	"otra persona": reminders.ActSomebody, "mi esposo": reminders.ActSomebody, "mi marido": reminders.ActSomebody, "mi pareja": reminders.ActSomebody, "mi esposa": reminders.ActSomebody,
	"mi mama": reminders.ActSomebody, "mi madre": reminders.ActSomebody, "mi hermana": reminders.ActSomebody, "una enfermera": reminders.ActSomebody,
	"i will not": reminders.ActRight, "i wont": reminders.ActRight, "i will not take it": reminders.ActRight, "i wont take it": reminders.ActRight,
	"i will not do it": reminders.ActRight, "i wont do it": reminders.ActRight,
	"no lo voy a hacer": reminders.ActRight, "no lo hare": reminders.ActRight, "no me la pongo": reminders.ActRight, "no me la voy a poner": reminders.ActRight,
	"no me la pondre": reminders.ActRight, "no la tomo": reminders.ActRight, "no me la tomo": reminders.ActRight, "no la voy a tomar": reminders.ActRight,
}

// answersStage reports what her words answer of what is asked after an instruction
// was repeated, or of an order that was called off. Words count as buttons do.
func (m *moment) answersStage() ([]effect, bool) {
	act := stageWords[tidy(m.in.Text)]
	yes, known := answerOf(m.in.Text)
	for _, r := range m.backs {
		fits := false
		switch {
		case !r.Open():
		case r.CalledOff != "":
			fits = act == reminders.ActRight
		case r.Stage == reminders.Repeated:
			if known {
				act = map[bool]string{true: reminders.ActInHand, false: reminders.ActNotInHand}[yes]
			}
			fits = act == reminders.ActInHand || act == reminders.ActNotInHand
		case r.Stage == reminders.InHand:
			fits = act == reminders.ActHerself || act == reminders.ActSomebody
		}
		if fits {
			return m.pressedBack(act, r.ID()), true
		}
		if r.Open() && r.CalledOff == plan.TriggerOrder && m.aboutDose() {
			// She may have given it all the same.
			return m.triggerAlarm("", triage.Line{Key: "note.readback_called_off",
				Args: phrase.Args{"what": r.Fact.Drug, "at": staffTime(r.Right.In(m.now.Location()))}}), true
		}
	}
	return nil, false
}

// aboutDose reports whether a message can be about something that she took or gave:
// whatever it is not plainly about something else, an "oh no" among it.
func (m *moment) aboutDose() bool {
	switch m.reading.Intent {
	case rules.Thanks, rules.StopMessages, rules.VisitQuestion, rules.Reschedule, rules.ResultQuestion, rules.TravelOrLife, rules.PeriodStart, rules.PeriodSpotting, rules.HomeTest:
		return false
	}
	return m.verdict.Urgency < rules.Emergency && commandOf(m.in.Text) == cmdNone
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
