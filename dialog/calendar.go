package dialog

import (
	"context"
	"fmt"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
)

// calendarFile is the calendar for another program. Its events keep their names
// when they move, so that a newer file replaces what an older one said.
func (s *Service) calendarFile(m *moment) (*outbox.File, error) {
	p, patient := m.shown, m.patient
	shown := make(map[string]bool)
	for _, step := range reminders.Visible(p) {
		shown[step.Key] = true
	}
	title := func(step plan.Step) string {
		if !patient.Neutral {
			return s.Phrases.Say(patient.Language, step.Phrase, nil)
		}
		return s.Phrases.Say(patient.Language, "event.neutral", nil)
	}
	var gone map[string]plan.Step
	if !m.untold {
		// While a result waits to be told, what it took away is no hint of it.
		gone = plan.GoneEvents(s.Policy, m.cycle.PlanFacts(), m.now, reminders.Visible)
	}
	data, err := plan.ICS(p, plan.ICSOptions{Gone: gone, Cycle: fmt.Sprint(patient.Person), Clinic: s.Phrases.Say(patient.Language, "event.calendar", nil), Title: title,
		// What was dropped is kept, so that it is taken out of her calendar.
		Keep: func(step plan.Step) bool {
			return shown[step.Key] || step.Status == plan.Dropped && !plan.ResultBound(step)
		}})
	if err != nil {
		return nil, err
	}
	return &outbox.File{Name: "calendar.ics", Media: "text/calendar", Data: data}, nil
}

// picture sends her month as a picture, with the same in words for those who cannot
// see it.
func (a *applying) picture(ctx context.Context) error {
	if a.m.silent() || a.m.held() {
		return a.apply(ctx, a.m.nothingPlanned())
	}
	r := Reader{Phrases: a.service.Phrases, Language: a.lang, Neutral: a.m.patient.Neutral, Zone: a.m.now.Location()}
	spec, some := r.Month(a.m.shown, a.m.today())
	if !some {
		return a.reply(ctx, outbox.Reply, outbox.Message{Text: a.say("calendar.empty", nil), Buttons: a.buttons(menu())})
	}
	file, err := r.File("month.png", spec)
	if err != nil {
		return err
	}
	return a.reply(ctx, outbox.Reply, outbox.Message{Text: spec.Alt(), File: file})
}

// calendar sends the calendar as text and as a file.
func (a *applying) calendar(ctx context.Context) error {
	if a.m.silent() || a.m.held() {
		return a.apply(ctx, a.m.nothingPlanned())
	}
	p := a.m.shown
	lines := a.service.Book.CalendarLines(a.lang, p)
	if len(lines) == 0 {
		return a.reply(ctx, outbox.Reply, outbox.Message{Text: a.say("calendar.empty", nil), Buttons: a.buttons(menu())})
	}
	file, err := a.service.calendarFile(a.m)
	if err != nil {
		return err
	}
	foot := a.say("calendar.foot", nil)
	if len(a.unfit) > 0 {
		// Something that was booked does not fit what she has just said.
		foot = a.say("calendar.unsure", nil) + "\n" + foot
	}
	if g := p.Gestation; g != nil && g.Tellable {
		lines = append(lines, "", a.say("calendar.gestation", phrase.Args{"weeks": fmt.Sprint(g.Weeks), "days": fmt.Sprint(g.Days), "due": a.m.day(g.DueDate)}))
	}
	text := a.say("calendar.head", nil) + "\n\n" + strings.Join(lines, "\n") + "\n\n" + foot
	return a.reply(ctx, outbox.Reply, outbox.Message{Text: text, File: file, Buttons: a.buttons([][]choice{{{Key: "menu.picture", Action: "menu/picture"}}})})
}
