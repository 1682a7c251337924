package dialog

import (
	"fmt"
	"slices"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
)

// mayKnow says which steps a patient is shown, and after which fact. What hangs
// on a result is shown only once a person has booked it with her.
var onlyBooked = []plan.StepName{plan.HCGRepeat, plan.OBUltrasound, plan.FollowUp}

// never are the steps that concern the staff alone.
var never = []plan.StepName{plan.LutealEnd}

// visible are the steps of the plan that a patient is shown, in order of time.
func (m *moment) visible() []plan.Step { return visibleSteps(m.plan) }

func visibleSteps(p plan.Plan) []plan.Step {
	var steps []plan.Step
	for _, s := range p.Steps {
		switch {
		case s.Status == plan.Dropped || slices.Contains(never, s.Name):
		case slices.Contains(onlyBooked, s.Name) && !s.Booked:
		case s.Name == plan.HCGRepeat && s.Status == plan.Done, s.Name == plan.OBUltrasound && s.Status == plan.Done:
		default:
			steps = append(steps, s)
		}
	}
	slices.SortStableFunc(steps, func(a, b plan.Step) int { return dayOf(a).Compare(dayOf(b)) })
	return steps
}

// calendarLines are the lines of a calendar as a patient reads it.
func (w *writer) calendarLines(p plan.Plan) []string {
	var lines []string
	for _, s := range visibleSteps(p) {
		what := w.say(s.Phrase, nil)
		switch {
		case s.On.IsZero():
			lines = append(lines, w.say("calendar.window", phrase.Args{"from": w.day(s.From), "to": w.day(s.To), "what": what}))
		case s.Booked || s.Status == plan.Done:
			lines = append(lines, w.say("calendar.line", phrase.Args{"date": w.moment(s), "what": what}))
		default:
			line := w.say("calendar.line", phrase.Args{"date": w.moment(s), "what": what})
			lines = append(lines, w.say("calendar.planned", phrase.Args{"line": line}))
		}
	}
	return lines
}

// movedLines say what a change did to the steps that a patient is shown.
func (w *writer) movedLines(before, after plan.Plan) []string {
	var lines []string
	was := make(map[string]plan.Step)
	for _, s := range visibleSteps(before) {
		was[s.Key] = s
	}
	for _, s := range visibleSteps(after) {
		old, known := was[s.Key]
		delete(was, s.Key)
		if s.Status == plan.Done || s.On.IsZero() {
			continue
		}
		args := phrase.Args{"what": w.say(s.Phrase, nil), "date": w.moment(s)}
		switch {
		case !known || old.On.IsZero():
			lines = append(lines, w.say("moved.new", args))
		case old.On != s.On || !old.At.Equal(s.At):
			args["old"] = w.moment(old)
			lines = append(lines, w.say("moved.to", args))
		}
	}
	for _, s := range visibleSteps(before) {
		if _, gone := was[s.Key]; gone && s.Status != plan.Done && !s.On.IsZero() {
			lines = append(lines, w.say("moved.gone", phrase.Args{"what": w.say(s.Phrase, nil)}))
		}
	}
	return lines
}

// calendarFile is the calendar for another program. Its events keep their names
// when they move, so that a newer file replaces what an older one said.
func (s *Service) calendarFile(p plan.Plan, patient reminders.Patient) (*outbox.File, error) {
	shown := make(map[string]bool)
	for _, step := range visibleSteps(p) {
		shown[step.Key] = true
	}
	title := func(step plan.Step) string {
		if !patient.Neutral {
			return s.Phrases.Say(patient.Language, step.Phrase, nil)
		}
		return s.Phrases.Say(patient.Language, "event.neutral", nil)
	}
	data, err := plan.ICS(p, plan.ICSOptions{Cycle: fmt.Sprint(patient.Person), Clinic: s.Phrases.Say(patient.Language, "event.calendar", nil), Title: title,
		// What was dropped is kept, so that it is taken out of her calendar.
		Keep: func(step plan.Step) bool {
			return shown[step.Key] || step.Status == plan.Dropped && !plan.ResultBound(step)
		}})
	if err != nil {
		return nil, err
	}
	return &outbox.File{Name: "calendar.ics", Media: "text/calendar", Data: data}, nil
}

// dayOf is the day by which a step is put in order.
func dayOf(s plan.Step) civil.Date {
	if s.On.IsZero() {
		return s.From
	}
	return s.On
}
