package reminders

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
)

// Visible are the steps of a plan that its patient is shown, in order of time.
// What hangs on a result is shown only once a person has booked it with her, and
// what concerns the staff alone never.
func Visible(p plan.Plan) []plan.Step {
	var steps []plan.Step
	for _, s := range p.Steps {
		switch {
		case s.Status == plan.Dropped || s.Name == plan.LutealEnd || s.Name == plan.Handover:
		case s.Name == plan.Trigger && !s.Booked && surged(p):
		case plan.ResultBound(s) && (!s.Booked || s.Status == plan.Done):
		default:
			steps = append(steps, s)
		}
	}
	slices.SortStableFunc(steps, func(a, b plan.Step) int { return dayOf(a).Compare(dayOf(b)) })
	return steps
}

// surged reports whether a surge came before any trigger was ordered. Whether there
// will be one is then a physician's decision, and she is shown none.
func surged(p plan.Plan) bool {
	return slices.ContainsFunc(p.Conflicts, func(c plan.Conflict) bool {
		return c.Why.Code == "surge_before_trigger" || c.Why.Code == "surge_measured"
	})
}

// dayOf is the day by which a step is put in order.
func dayOf(s plan.Step) civil.Date {
	if s.On.IsZero() {
		return s.From
	}
	return s.On
}

// StepWhen says when a step is: its day, and its minute where one is known.
func (b *Book) StepWhen(lang string, s plan.Step) string {
	if s.At.IsZero() {
		return b.Day(lang, s.On)
	}
	return b.Day(lang, s.On) + ", " + b.Clock(lang, civil.TimeOfDayOf(s.At.In(b.zone())))
}

// CalendarLines are the lines of a calendar as its patient reads it.
func (b *Book) CalendarLines(lang string, p plan.Plan) []string {
	var lines []string
	for _, s := range Visible(p) {
		what := b.Say(lang, false, s.Phrase, nil)
		if s.On.IsZero() {
			lines = append(lines, b.Say(lang, false, "calendar.window", map[string]string{"from": b.Day(lang, s.From), "to": b.Day(lang, s.To), "what": what}))
			continue
		}
		line := b.Say(lang, false, "calendar.line", map[string]string{"date": b.StepWhen(lang, s), "what": what})
		if !s.Booked && s.Status != plan.Done {
			line = b.Say(lang, false, "calendar.planned", map[string]string{"line": line})
		}
		lines = append(lines, line)
	}
	return lines
}

// MovedLines say what a change did to the steps that a patient is shown. With
// booked, only steps that a person had booked or has booked now are spoken of:
// a projection that shifts with every scan would be noise.
func (b *Book) MovedLines(lang string, before, after plan.Plan, booked bool) []string {
	was := make(map[string]plan.Step)
	for _, s := range Visible(before) {
		was[s.Key] = s
	}
	var lines []string
	for _, s := range Visible(after) {
		old := was[s.Key]
		delete(was, s.Key)
		// Orders are told by their read-back.
		if s.Status == plan.Done || s.On.IsZero() || s.Order != "" || s.Name == plan.Trigger || booked && !s.Booked && !old.Booked {
			continue
		}
		args := map[string]string{"what": b.Say(lang, false, s.Phrase, nil), "date": b.StepWhen(lang, s)}
		switch {
		case old.On.IsZero() || booked && !old.Booked:
			lines = append(lines, b.Say(lang, false, "moved.new", args))
		case old.On != s.On || !old.At.Equal(s.At):
			args["old"] = b.StepWhen(lang, old)
			lines = append(lines, b.Say(lang, false, "moved.to", args))
		}
	}
	for _, s := range after.Steps {
		if s.Status == plan.Done {
			delete(was, s.Key) // what was done is not gone
		}
	}
	return append(lines, b.goneLines(lang, before, was, booked)...)
}

func (b *Book) goneLines(lang string, before plan.Plan, gone map[string]plan.Step, booked bool) []string {
	var lines []string
	for _, s := range Visible(before) {
		if _, ok := gone[s.Key]; !ok || s.Status == plan.Done || s.Status == plan.Missed || s.On.IsZero() || s.Order != "" || s.Name == plan.Trigger || booked && !s.Booked {
			continue
		}
		lines = append(lines, b.Say(lang, false, "moved.gone", map[string]string{"what": b.Say(lang, false, s.Phrase, nil)}))
	}
	return lines
}

// announce tells a patient once what a member of the staff changed in her
// calendar. It is silent about a cancelled cycle, and while a result waits to be
// told: both are for a person to say.
func (b *Book) announce(ctx context.Context, tx *store.Tx, p Patient, m Moved) error {
	// The time of the transfer is told by its read-back.
	if p.Quiet() || !m.New.Cancelled.IsZero() || m.Fact.Kind == plan.Visit && m.Fact.Step == plan.Transfer {
		return nil
	}
	untold, err := b.Untold(ctx, tx, p)
	if err != nil || untold {
		return err
	}
	lines := b.MovedLines(p.Language, m.Old, m.New, true)
	if len(lines) == 0 {
		return nil
	}
	text := b.Say(p.Language, p.Neutral, "moved.head", nil)
	var buttons [][]outbox.Button
	if p.Neutral {
		buttons = [][]outbox.Button{{{Label: b.Say(p.Language, false, "show", nil), Action: ActCalendar}}}
	} else {
		text += "\n" + strings.Join(lines, "\n")
	}
	return b.Outbox.Put(ctx, tx, outbox.Want{Key: fmt.Sprintf("fact/%d/moved", m.Fact.Number), Topic: planTopicOf(m.Fact), Kind: outbox.Reminder, To: p.Person,
		Due: b.TellAt(m.New, tx.Now), Message: outbox.Message{Text: text, Buttons: buttons, File: b.Picture(p, m.New, tx.Now.In(b.zone())), Silent: b.quiet(b.TellAt(m.New, tx.Now))}})
}

// TellAt is when a change is told: not in her night, unless something is booked
// before its end.
func (b *Book) TellAt(p plan.Plan, now time.Time) time.Time {
	morning := b.afterQuiet(now)
	for _, s := range Visible(p) {
		if s.Booked && s.At.After(now) && s.At.Add(-b.Policy.Messages.VisitBefore).Before(morning) {
			return now
		}
	}
	return morning
}

// planTopicOf gathers announcements apart from the plan's own promises, which are
// made anew with every plan.
func planTopicOf(f Recorded) string { return fmt.Sprintf("fact/%d", f.Number) }
