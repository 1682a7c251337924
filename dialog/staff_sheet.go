package dialog

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/reckon"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// showSheet lays a patient's values before a clinician: what was measured, what is
// met, how it grows or rises, what to weigh, and the options side by side.
func (c *colleague) showSheet(ctx context.Context, id int64) error {
	s, err := c.room.Care.Sheet(ctx, c.tx, c.in.Who, id)
	if err != nil {
		return err
	}
	rows := []string{c.phrase("sheet.head", phrase.Args{"who": who(s.Patient), "on": s.Reading.AsOf.String(), "place": c.place(s.Plan, s.Patient)})}
	rows = append(rows, c.aboutHer(s.About.Rh, s.About.Allergies)...)
	if len(s.Series.Values) == 0 {
		rows = append(rows, c.scanRows(s)...)
	}
	rows = append(rows, c.hcgRows(s)...)
	if len(s.Reading.Looks)+len(s.Series.Values) == 0 {
		rows = append(rows, c.phrase("sheet.empty", nil))
	}
	rows = append(rows, c.cautions(s.Lapses)...)
	return c.about(ctx, s.Patient, strings.Join(rows, "\n"), [][]outbox.Button{{c.button("button.chart", fmt.Sprintf("chart/%d", id)),
		c.button("button.calendar", fmt.Sprintf("calendar/%d", id))}})
}

// aboutHer is what holds beyond a cycle and must not be overlooked.
func (c *colleague) aboutHer(rh plan.Rh, allergies []string) []string {
	var rows []string
	if rh == plan.RhNegative {
		rows = append(rows, c.phrase("note.rh_negative", nil))
	}
	for _, a := range allergies {
		rows = append(rows, c.room.Service.Desk.Say(c.lang, triage.Line{Key: "note.allergy", Args: phrase.Args{"allergen": a}}))
	}
	return rows
}

// cautions are what stands against an entry or comes out of values, each with its
// source.
func (c *colleague) cautions(all []reckon.Caution) []string {
	var rows []string
	for _, k := range all {
		rows = append(rows, c.words().Caution(k))
	}
	return rows
}

func (c *colleague) weighed(reasons []plan.Reason) []string {
	var all []reckon.Caution
	for _, r := range reasons {
		all = append(all, reckon.Caution{Why: r})
	}
	return c.cautions(all)
}

// mostLooks bounds the scans that are shown.
const mostLooks = 6

func (c *colleague) scanRows(s care.Sheet) []string {
	r := s.Reading
	if len(r.Looks) == 0 {
		return c.weighed(r.Cautions)
	}
	var rows []string
	for _, l := range r.Looks[max(0, len(r.Looks)-mostLooks):] {
		rows = append(rows, "· "+c.look(l, s.Plan))
	}
	rows = append(rows, c.phrase("sheet.criteria", nil))
	for _, k := range r.Criteria {
		rows = append(rows, "· "+c.criterion(k))
	}
	rows = append(rows, c.growthRows(r)...)
	if r.Surge.IsZero() && s.Trigger.Kind != plan.TriggerGiven {
		rows = append(rows, c.forecast(r)...)
	}
	rows = append(rows, c.weighed(r.Cautions)...)
	return append(rows, c.options(s)...)
}

// look is one day's values in one line.
func (c *colleague) look(l reckon.Look, p plan.Plan) string {
	parts := []string{l.On.String()}
	if n := p.CycleDay(l.On); n > 0 {
		parts[0] += " (" + c.phrase("sheet.cycle_day", phrase.Args{"day": fmt.Sprint(n)}) + ")"
	}
	if l.Scanned {
		parts = append(parts, c.phrase("value.right", nil)+" "+care.Diameters(l.Right), c.phrase("value.left", nil)+" "+care.Diameters(l.Left))
	}
	for _, v := range []struct {
		name, unit string
		value      *float64
	}{{"lining", "mm", l.Lining}, {"e2", "pg/mL", l.Estradiol}, {"lh", "IU/L", l.LH}, {"p4", "ng/mL", l.Progesterone}} {
		if v.value == nil {
			continue
		}
		parts = append(parts, fmt.Sprintf("%s %v %s", c.phrase("value."+v.name, nil), *v.value, v.unit))
		if v.name == "lining" {
			parts = append(parts, c.pattern(l.Pattern))
		}
	}
	return strings.Join(parts, ", ")
}

// pattern says what was recorded, and where nothing was, that nothing was.
func (c *colleague) pattern(p plan.Pattern) string {
	if p == "" {
		return c.phrase("sheet.no_pattern", nil)
	}
	return c.phrase("pattern."+string(p), nil)
}

func (c *colleague) criterion(k reckon.Criterion) string {
	got := c.phrase("sheet.not_measured", nil)
	if k.Got != nil {
		got = fmt.Sprintf("%v %s (%s)", *k.Got, k.Unit, k.On)
	}
	want := map[bool]string{true: "<", false: "≥"}[k.Name == reckon.Progesterone || k.Name == reckon.LH]
	return c.phrase("sheet.criterion", phrase.Args{"what": c.phrase("criterion."+string(k.Name), nil), "want": fmt.Sprintf("%s %v %s", want, k.Want, k.Unit),
		"got": got, "state": c.phrase("criterion."+string(k.State), nil), "source": k.Source})
}

func (c *colleague) growthRows(r reckon.Reading) []string {
	var rows []string
	for _, g := range []struct {
		name string
		line reckon.Growth
	}{{"lead", r.Lead}, {"right", r.Right}, {"left", r.Left}, {"lining", r.Lining}} {
		both := len(r.Right.Points) > 0 && len(r.Left.Points) > 0
		if !g.line.Known() || (g.name == "right" || g.name == "left") && (!both || g.line.Used < 2) {
			continue
		}
		rows = append(rows, c.phrase("sheet.growth", phrase.Args{"what": c.phrase("growth."+g.name, nil), "rate": fmt.Sprintf("%.1f", g.line.Rate),
			"spread": fmt.Sprintf("%.1f", g.line.RateSD), "count": fmt.Sprint(g.line.Used), "prior": fmt.Sprint(g.line.Prior.Mean), "prior_spread": fmt.Sprint(g.line.Prior.SD)}))
	}
	return rows
}

// forecast is the range of days, never one date, with the probability of each day.
func (c *colleague) forecast(r reckon.Reading) []string {
	f := r.Readiness
	switch {
	case f.Met:
		return []string{c.phrase("sheet.met", nil)}
	case len(f.Days) == 0 || f.From.IsZero():
		return nil
	case f.To.IsZero():
		return []string{c.phrase("sheet.from", phrase.Args{"from": c.day(f.From), "chance": reckon.Percent(f.Chance)})}
	}
	var days []string
	for _, d := range f.Days {
		if !d.On.Before(f.From.AddDays(-1)) && !d.On.After(f.To.AddDays(1)) {
			days = append(days, fmt.Sprintf("%s %s %%", c.day(d.On), reckon.Percent(d.Both)))
		}
	}
	return []string{c.phrase("sheet.range", phrase.Args{"from": c.day(f.From), "to": c.day(f.To), "chance": reckon.Percent(f.Chance)}),
		c.phrase("sheet.by_day", phrase.Args{"days": strings.Join(days, ", ")})}
}

// day is a date with its weekday, short.
func (c *colleague) day(d civil.Date) string {
	if d.IsZero() {
		return "-"
	}
	return phrase.ShortWeekday(c.lang, d.Weekday()) + " " + d.String()
}

// options are what can be chosen between; nothing is marked or put first.
func (c *colleague) options(s care.Sheet) []string {
	if rows := c.settledCount(s); rows != nil {
		return rows
	}
	if len(s.Options.Evenings) == 0 {
		return nil
	}
	rows := []string{c.phrase("sheet.options", nil)}
	var again []string
	for _, d := range s.Options.Rescans {
		again = append(again, fmt.Sprintf("%s (%s %%)", c.day(d.On), reckon.Percent(d.Chance)))
	}
	if len(again) > 0 {
		rows = append(rows, c.phrase("sheet.rescan", phrase.Args{"days": strings.Join(again, ", ")}))
	}
	for _, e := range s.Options.Evenings {
		rows = append(rows, c.evening(e))
	}
	return append(rows, c.phrase("sheet.cancel", phrase.Args{"handle": s.Patient.Handle}), c.phrase("sheet.order", phrase.Args{"handle": s.Patient.Handle}),
		c.phrase("sheet.sources_scan", nil))
}

func (c *colleague) evening(e reckon.Evening) string {
	args := phrase.Args{"on": c.day(e.On), "chance": reckon.Percent(e.Chance), "luteal": c.day(e.Luteal), "transfer": c.day(e.Transfer),
		"first": c.day(e.First), "repeat": c.day(e.Repeat), "booked": fmt.Sprint(e.Booked), "room": fmt.Sprint(c.room.Service.Policy.Lab.TransfersPerDay)}
	if e.Closed == "" {
		return c.phrase("sheet.evening", args)
	}
	args["closed"] = c.phrase("word."+e.Closed, nil)
	return c.phrase("sheet.evening_closed", args)
}

// settledCount is what the calendar counts from once a trigger was given or there was
// a surge; nil before.
func (c *colleague) settledCount(s care.Sheet) []string {
	var rows []string
	if t := s.Trigger; t.Kind != "" {
		from, mean, to := reckon.Ovulation(t.At)
		rows = append(rows, c.phrase("sheet.ovulation", phrase.Args{"at": c.when(t.At), "state": c.phrase("word."+string(t.Kind), nil),
			"mean": c.when(mean), "from": c.when(from), "to": c.when(to)}))
	}
	given := s.Trigger.Kind == plan.TriggerGiven
	if s.Reading.Surge.IsZero() && !given {
		return nil
	}
	if !s.Reading.Surge.IsZero() {
		rows = append(rows, c.phrase("sheet.surge", phrase.Args{"on": c.day(s.Reading.Surge)}))
	}
	for _, step := range s.Plan.Steps {
		if slices.Contains([]plan.StepName{plan.LutealProgesterone, plan.Transfer, plan.HCGFirst, plan.HCGRepeat}, step.Name) {
			rows = append(rows, "· "+c.step(step))
		}
	}
	return append(rows, c.phrase("sheet.sources_count", nil))
}

// hcgRows are the values of the blood tests and how they run.
func (c *colleague) hcgRows(sheet care.Sheet) []string {
	s := sheet.Series
	if len(s.Values) == 0 {
		return nil
	}
	rows := []string{c.phrase("sheet.hcg", nil)}
	for _, v := range s.Values {
		row := fmt.Sprintf("· %s: %s IU/L", c.when(v.At), v.Words())
		if v.Laboratory != "" {
			row += ", " + v.Laboratory
		}
		rows = append(rows, row)
	}
	for _, p := range s.Pairs {
		if p.Reckoned {
			rows = append(rows, c.room.Service.Desk.Say(c.lang, triage.Line{Key: "note.hcg_pair", Args: care.PairArgs(p)}))
		}
		rows = append(rows, c.weighed(p.Cautions)...)
	}
	rows = append(rows, c.phrase("course."+string(s.Course), nil))
	rows = append(rows, c.weighed(s.Cautions)...)
	for _, k := range sheet.Plan.Conflicts {
		if k.Step == plan.HCGFirst || k.Step == plan.HCGRepeat {
			rows = append(rows, c.phrase("sheet.weigh", phrase.Args{"why": c.why(k.Why)}))
		}
	}
	if last := s.Values[len(s.Values)-1]; len(s.Values) > 1 {
		if k := s.CurveAt(last.Hours); k.Hours > 0 {
			rows = append(rows, c.phrase("sheet.curve", phrase.Args{"at": c.when(last.At.Round(time.Minute)), "minimum": fmt.Sprintf("%.0f", k.Minimum), "slowest": fmt.Sprintf("%.0f", k.Slowest),
				"median": fmt.Sprintf("%.0f", k.Median), "fastest": fmt.Sprintf("%.0f", k.Fastest)}))
		}
	}
	return append(rows, c.phrase("sheet.sources_hcg", nil))
}
