package dialog

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

func who(p reminders.Patient) string { return care.Label(p) }

func (c *colleague) when(t time.Time) string {
	return t.In(c.now.Location()).Format("2006-01-02 15:04")
}

func (c *colleague) patientOf(ctx context.Context, cs triage.Case) (reminders.Patient, error) {
	if cs.Patient == 0 {
		return reminders.Patient{}, triage.Refuse("nobody_to_answer", nil)
	}
	return c.room.Service.Book.Patient(ctx, c.tx, cs.Patient)
}

// showCase is a case with everything that happened to it, and what she can do.
func (c *colleague) showCase(ctx context.Context, id int64) error {
	f, err := c.room.Care.File(ctx, c.tx, c.in.Who, id)
	if err != nil {
		return err
	}
	cs := f.Case
	text, err := c.room.Service.Desk.Story(ctx, c.tx, cs, c.lang)
	if err != nil {
		return err
	}
	buttons := c.caseButtons(cs)
	if !f.Known {
		return c.say(ctx, text, buttons)
	}
	p := f.Patient
	buttons = append(buttons, []outbox.Button{c.button("button.chart", fmt.Sprintf("chart/%d", p.ID)), c.button("button.calendar", fmt.Sprintf("calendar/%d", p.ID))})
	return c.about(ctx, p, text, buttons)
}

func (c *colleague) caseButtons(cs triage.Case) [][]outbox.Button {
	desk := c.room.Service.Desk
	var buttons [][]outbox.Button
	switch {
	case cs.State == triage.Closed || c.in.Who.May(triage.TakeCase) != nil:
		return nil
	case cs.Reason == triage.TriggerCheck && cs.Body.By != c.in.Who.ID:
		buttons = [][]outbox.Button{{c.button("button.verify", fmt.Sprintf("verify/%d", cs.ID))}}
	case cs.Reason == triage.ResultToTell:
		buttons = c.toldButtons(cs.ID)
	}
	switch {
	case cs.State == triage.Open:
		return append(buttons, desk.Buttons(c.lang, cs.ID, triage.PressTake)...)
	case cs.Holder == c.in.Who.ID:
		buttons = append(buttons, desk.Buttons(c.lang, cs.ID, triage.PressAnswer, triage.PressHand, triage.PressClose)...)
		if cs.Body.Words != "" {
			last := len(buttons) - 1
			buttons[last] = append(buttons[last], desk.Buttons(c.lang, cs.ID, triage.PressMisread)[0]...)
		}
		return buttons
	}
	return nil
}

// inForce are the facts that a colleague looks for first: a cancellation, the orders
// that still call for a dose, the trigger until it was given, the last scan before it,
// the last blood test.
func (c *colleague) inForce(ch care.Chart) []string {
	var rows []string
	last := make(map[plan.FactKind]string)
	given := slices.ContainsFunc(ch.Facts, func(f reminders.Recorded) bool { return f.Kind == plan.TriggerGiven })
	for _, f := range ch.Facts {
		switch {
		case f.Kind == plan.Cancelled,
			f.Kind == plan.TriggerOrder && !given,
			f.Kind == plan.OrderGiven && slices.ContainsFunc(ch.Plan.Doses, func(d plan.Dose) bool { return d.Order == f.ID && d.At.After(c.now) }):
			rows = append(rows, "· "+c.fact(f.Fact))
		case f.Kind == plan.Scan && !given, f.Kind == plan.HCG, f.Kind == plan.OBScan:
			last[f.Kind] = "· " + c.fact(f.Fact)
		}
	}
	for _, kind := range []plan.FactKind{plan.Scan, plan.HCG, plan.OBScan} {
		if last[kind] != "" {
			rows = append(rows, last[kind])
		}
	}
	for _, s := range ch.Plan.Supplies {
		rows = append(rows, "· "+c.phrase("supply.head", nil)+": "+c.words().Supply(s))
	}
	return rows
}

// standing is what the cycle is: its protocol, and the path that a pregnancy is on.
func (c *colleague) standing(ch care.Chart) []string {
	var rows []string
	for _, f := range ch.Facts {
		if f.Kind == plan.ProtocolChosen {
			rows = append(rows, c.phrase("staff.protocol", phrase.Args{"protocol": f.Protocol}))
		}
	}
	if ch.Plan.Path != "" {
		rows = append(rows, c.phrase("staff.path", phrase.Args{"why": c.why(ch.Plan.PathWhy)}))
	}
	return rows
}

// listCases are the cases that are not closed.
func (c *colleague) listCases(ctx context.Context) error {
	if err := c.in.Who.May(triage.SeeCases); err != nil {
		return err
	}
	desk := c.room.Service.Desk
	live, err := desk.Live(ctx, c.tx)
	if err == nil {
		err = c.sees(ctx, triage.SeeCases, triage.Ref{}, "the queue")
	}
	if err != nil {
		return err
	}
	if len(live) == 0 {
		return c.say(ctx, c.phrase("staff.no_cases", nil), nil)
	}
	team := make(map[int64]string)
	all, err := desk.Team(ctx, c.tx)
	if err != nil {
		return err
	}
	for _, s := range all {
		team[s.ID] = s.Name
	}
	rows := []string{c.phrase("staff.cases", phrase.Args{"count": fmt.Sprint(len(live))})}
	var buttons [][]outbox.Button
	for i, cs := range live {
		if i == longestList {
			rows = append(rows, c.phrase("staff.more", phrase.Args{"count": fmt.Sprint(len(live) - i)}))
			break
		}
		head, err := desk.Heading(ctx, c.tx, cs, c.lang)
		if err != nil {
			return err
		}
		holder := c.phrase("staff.nobody", nil)
		if cs.State == triage.Taken {
			holder = team[cs.Holder]
		}
		rows = append(rows, head+" · "+c.waited(c.tx.Now.Sub(cs.Opened))+" · "+holder)
		if i < 8 {
			buttons = append(buttons, []outbox.Button{{Label: c.phrase("button.case", phrase.Args{"case": fmt.Sprint(cs.ID)}), Action: triage.Press(triage.PressShow, cs.ID)}})
		}
	}
	return c.say(ctx, strings.Join(rows, "\n"), buttons)
}

// longestList bounds a list so that it fits a message.
const longestList = 25

// waited is a time span in the two largest of its units.
func (c *colleague) waited(d time.Duration) string {
	m := int(d.Minutes())
	switch {
	case m < 60:
		return fmt.Sprintf("%d min", m)
	case m < 48*60:
		return fmt.Sprintf("%d h %02d min", m/60, m%60)
	}
	return fmt.Sprintf("%d d %d h", m/(24*60), m/60%24)
}

// listDay is what is planned for today or a day after.
func (c *colleague) listDay(ctx context.Context, after int) error {
	day := civil.DateOf(c.now).AddDays(after)
	list, err := c.room.Care.Day(ctx, c.tx, c.in.Who, day)
	if err == nil {
		err = c.sees(ctx, triage.SeePatients, triage.Ref{}, "the day "+day.String())
	}
	if err != nil {
		return err
	}
	short, err := c.shortages(ctx, day)
	if err != nil {
		return err
	}
	head := c.phrase("staff.day", phrase.Args{"day": phrase.Day(c.lang, day.Year, day.Month, day.Day)})
	if len(list) == 0 {
		return c.say(ctx, strings.Join(append([]string{head, c.phrase("staff.day_empty", nil)}, short...), "\n"), nil)
	}
	rows := []string{head}
	for i, e := range list {
		if i == longestList {
			rows = append(rows, c.phrase("staff.more", phrase.Args{"count": fmt.Sprint(len(list) - i)}))
			break
		}
		rows = append(rows, c.phrase("staff.day_line", phrase.Args{"time": c.timeOf(e.Step), "who": who(e.Patient), "what": c.phrase(e.Step.Phrase, nil),
			"status": c.phrase("status."+string(e.Step.Status), nil)}))
	}
	return c.say(ctx, strings.Join(append(rows, short...), "\n"), nil)
}

func (c *colleague) timeOf(s plan.Step) string {
	if s.At.IsZero() {
		return "--:--"
	}
	return s.At.In(c.now.Location()).Format("15:04")
}

func (c *colleague) listOverdue(ctx context.Context) error {
	list, err := c.room.Care.Overdue(ctx, c.tx, c.in.Who)
	if err == nil {
		err = c.sees(ctx, triage.SeePatients, triage.Ref{}, "what is overdue")
	}
	if err != nil {
		return err
	}
	if len(list) == 0 {
		return c.say(ctx, c.phrase("staff.overdue_none", nil), nil)
	}
	rows := []string{c.phrase("staff.overdue", phrase.Args{"count": fmt.Sprint(len(list))})}
	for i, l := range list {
		if i == longestList {
			rows = append(rows, c.phrase("staff.more", phrase.Args{"count": fmt.Sprint(len(list) - i)}))
			break
		}
		rows = append(rows, c.phrase("staff.overdue_line", phrase.Args{"who": who(l.Patient), "what": c.stepName(l.End.Step), "why": c.why(l.End.Why), "since": c.when(l.End.Due)}))
	}
	return c.say(ctx, strings.Join(rows, "\n"), nil)
}

func (c *colleague) listPatients(ctx context.Context) error {
	list, err := c.room.Care.Everybody(ctx, c.tx, c.in.Who)
	if err == nil {
		err = c.sees(ctx, triage.SeePatients, triage.Ref{}, "the list of patients")
	}
	if err != nil {
		return err
	}
	rows := []string{c.phrase("staff.patients", phrase.Args{"count": fmt.Sprint(len(list))})}
	for i, ch := range list {
		if i == 2*longestList {
			rows = append(rows, c.phrase("staff.more", phrase.Args{"count": fmt.Sprint(len(list) - i)}))
			break
		}
		rows = append(rows, who(ch.Patient)+" · "+c.place(ch.Plan, ch.Patient))
	}
	return c.say(ctx, strings.Join(rows, "\n"), nil)
}

// place says where somebody is in her cycle.
func (c *colleague) place(p plan.Plan, patient reminders.Patient) string {
	return c.words().Place(p, patient, civil.DateOf(c.now))
}

// showChart is one patient on one card.
func (c *colleague) showChart(ctx context.Context, id int64) error {
	ch, err := c.room.Care.Chart(ctx, c.tx, c.in.Who, id)
	if err != nil {
		return err
	}
	p := ch.Patient
	rows := []string{c.phrase("staff.chart", phrase.Args{"who": who(p), "language": p.Language, "place": c.place(ch.Plan, p)})}
	rows = append(rows, c.marks(p)...)
	rows = append(rows, c.words().About(ch.About)...)
	rows = append(rows, c.standing(ch)...)
	for _, s := range ch.Plan.Steps {
		if s.Status == plan.Due || s.Status == plan.Missed || s.Status == plan.Projected && (s.Booked || next(ch.Plan, s)) {
			rows = append(rows, "· "+c.step(s))
		}
	}
	hands, err := c.inHands(ctx, ch.Patient)
	if err != nil {
		return err
	}
	rows = append(append(rows, hands...), c.inForce(ch)...)
	for _, k := range ch.Plan.Conflicts {
		rows = append(rows, c.conflict(k))
	}
	if missing := c.missing(ch); missing != "" {
		rows = append(rows, c.phrase("note.missing", phrase.Args{"items": missing}))
	}
	rows = append(rows, c.words().Cautions(ch.Lapses)...)
	for _, cs := range ch.Cases {
		rows = append(rows, c.phrase("staff.chart_case", phrase.Args{"case": fmt.Sprint(cs.ID), "reason": c.phrase("reason."+string(cs.Reason), cs.Body.Title),
			"urgency": c.phrase("urgency."+cs.Urgency.String(), nil)}))
	}
	buttons := [][]outbox.Button{{c.button("button.calendar", fmt.Sprintf("calendar/%d", id)), c.button("button.facts", fmt.Sprintf("facts/%d", id))}}
	for _, cs := range ch.Cases {
		buttons = append(buttons, []outbox.Button{{Label: c.phrase("button.case", phrase.Args{"case": fmt.Sprint(cs.ID)}), Action: triage.Press(triage.PressShow, cs.ID)}})
	}
	if !p.Hushed.IsZero() {
		buttons = append(buttons, []outbox.Button{c.button("button.lift", fmt.Sprintf("lift/%d", id))})
	}
	return c.about(ctx, p, strings.Join(rows, "\n"), buttons)
}

// next reports whether s is the first step that still lies ahead.
func next(p plan.Plan, s plan.Step) bool {
	i := slices.IndexFunc(p.Steps, func(o plan.Step) bool { return o.Status == plan.Projected })
	return i >= 0 && p.Steps[i].Key == s.Key
}

// marks are what keeps her from being written to.
func (c *colleague) marks(p reminders.Patient) []string {
	var rows []string
	if p.Erased {
		return []string{c.phrase("staff.is_erased", nil)}
	}
	for _, m := range []struct {
		since time.Time
		key   string
	}{{p.Hushed, "staff.is_hushed"}, {p.OptedOut, "staff.is_out"}, {p.Unreachable, "staff.is_unreachable"}} {
		if !m.since.IsZero() {
			rows = append(rows, c.phrase(m.key, phrase.Args{"since": c.when(m.since)}))
		}
	}
	return rows
}

func (c *colleague) missing(ch care.Chart) string {
	var items []string
	for _, k := range ch.Checks {
		if k.Required && !k.Holds(ch.Today) {
			items = append(items, c.item(k.Item))
		}
	}
	return strings.Join(items, ", ")
}

// item is an item of the checklist in her language.
func (c *colleague) item(word string) string { return c.words().Item(word) }

// showCalendar is a patient's calendar with its reasons.
func (c *colleague) showCalendar(ctx context.Context, id int64) error {
	ch, err := c.room.Care.Chart(ctx, c.tx, c.in.Who, id)
	if err != nil {
		return err
	}
	rows := []string{c.phrase("staff.calendar", phrase.Args{"who": who(ch.Patient)})}
	for _, s := range ch.Plan.Steps {
		rows = append(rows, "· "+c.step(s))
		for _, r := range s.Reasons {
			rows = append(rows, "   "+c.why(r))
		}
	}
	for _, k := range ch.Plan.Conflicts {
		rows = append(rows, c.conflict(k))
	}
	if g := ch.Plan.Gestation; g != nil {
		rows = append(rows, c.phrase("staff.gestation", phrase.Args{"weeks": fmt.Sprint(g.Weeks), "days": fmt.Sprint(g.Days), "due": g.DueDate.String()}))
	}
	if len(ch.Plan.Steps) == 0 {
		rows = append(rows, c.place(ch.Plan, ch.Patient))
	}
	return c.about(ctx, ch.Patient, strings.Join(rows, "\n"), nil)
}

// showFacts lists what was entered, each with the word that corrects it.
func (c *colleague) showFacts(ctx context.Context, id int64) error {
	ch, err := c.room.Care.Chart(ctx, c.tx, c.in.Who, id)
	if err != nil {
		return err
	}
	rows := []string{c.phrase("staff.facts", phrase.Args{"who": who(ch.Patient), "handle": ch.Patient.Handle})}
	c.learn(ch.Cycle.Facts)
	for _, f := range ch.Facts {
		rows = append(rows, f.ID+" · "+c.fact(f.Fact)+" · "+c.when(f.Entered))
	}
	return c.about(ctx, ch.Patient, strings.Join(rows, "\n"), nil)
}
