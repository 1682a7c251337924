package care

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/reckon"
	"handrail.example/triage"
)

// Laid is a Sheet in words, part by part, for whoever lays it before a clinician. A
// part is empty where there is nothing to say.
type Laid struct {
	Head string
	// About is what holds beyond a cycle and must not be overlooked.
	About []string
	// Scans are the values of scans and bloods before the trigger, until there is hCG.
	Scans LaidScans
	HCG   LaidHCG
	// Lapses are cautions on her checklist.
	Lapses []string
	// Empty says that nothing has been measured; "" where something has.
	Empty string
}

// LaidScans is what comes out of scans and bloods.
type LaidScans struct {
	Looks    []string // a day each
	Criteria []LaidCriterion
	Growth   []string
	Forecast []string
	Cautions []string
	// Settled is what the calendar counts from once a trigger was given or there was
	// a surge, and Steps what it counts; nothing is left to choose then.
	Settled, Steps []string
	Rescan         string // days for another scan, with the probability of each
	// Evenings are what can be chosen between, side by side.
	Evenings []LaidEvening
	Sources  string
}

// LaidCriterion is what the clinic looks for, what was found, and how it stands.
type LaidCriterion struct {
	What, Want, Got, Says, Source string
	State                         reckon.State
}

// LaidEvening is what would follow from a trigger on one evening. Closed says why the
// laboratory has no room, "" where it has.
type LaidEvening struct {
	On, Chance, Luteal, Transfer, First, Repeat, Booked, Room, Closed string
}

// LaidHCG is what comes out of the blood tests.
type LaidHCG struct {
	Values  []string
	Course  []string // how they run, with the cautions
	Sources string
}

// Lay puts a sheet into words.
func (w Words) Lay(s Sheet, today civil.Date) Laid {
	l := Laid{About: w.About(s.About), HCG: w.layHCG(s), Lapses: w.Cautions(s.Lapses)}
	l.Head = w.phrase("sheet.head", phrase.Args{"who": Label(s.Patient), "on": s.Reading.AsOf.String(), "place": w.Place(s.Plan, s.Patient, today)})
	if len(s.Series.Values) == 0 {
		l.Scans = w.layScans(s)
	}
	if len(s.Reading.Looks)+len(s.Series.Values) == 0 {
		l.Empty = w.phrase("sheet.empty", nil)
	}
	return l
}

// Place says where somebody is in her cycle.
func (w Words) Place(p plan.Plan, patient reminders.Patient, today civil.Date) string {
	switch {
	case !patient.Enrolled:
		return w.phrase("staff.not_enrolled", nil)
	case p.CycleDayOne.IsZero():
		return w.phrase("note.waiting", nil)
	}
	return w.phrase("note.place", phrase.Args{"day": fmt.Sprint(p.CycleDay(today)), "phase": w.phrase("word."+string(p.Phase()), nil)})
}

// About is what holds beyond a cycle and must not be overlooked.
func (w Words) About(a reminders.About) []string {
	var rows []string
	if a.Rh == plan.RhNegative {
		rows = append(rows, w.phrase("note.rh_negative", nil))
	}
	for _, allergen := range a.Allergies {
		rows = append(rows, w.Desk.Say(w.Lang, triage.Line{Key: "note.allergy", Args: phrase.Args{"allergen": allergen}}))
	}
	return rows
}

// Cautions are what stands against an entry or comes out of values, each with its
// source.
func (w Words) Cautions(all []reckon.Caution) []string {
	var rows []string
	for _, k := range all {
		rows = append(rows, w.Caution(k))
	}
	return rows
}

func (w Words) weighed(reasons []plan.Reason) []string {
	var all []reckon.Caution
	for _, r := range reasons {
		all = append(all, reckon.Caution{Why: r})
	}
	return w.Cautions(all)
}

// mostLooks bounds the scans that are shown.
const mostLooks = 6

func (w Words) layScans(s Sheet) LaidScans {
	r := s.Reading
	l := LaidScans{Cautions: w.weighed(r.Cautions)}
	if len(r.Looks) == 0 {
		return l
	}
	for _, look := range r.Looks[max(0, len(r.Looks)-mostLooks):] {
		l.Looks = append(l.Looks, w.look(look, s.Plan))
	}
	for _, k := range r.Criteria {
		l.Criteria = append(l.Criteria, w.criterion(k))
	}
	l.Growth = w.growth(r)
	if r.Surge.IsZero() && s.Trigger.Kind != plan.TriggerGiven {
		l.Forecast = w.forecast(r)
	}
	if !r.Surge.IsZero() || s.Trigger.Kind == plan.TriggerGiven {
		w.settled(s, &l)
	} else {
		w.options(s, &l)
	}
	return l
}

// look is one day's values in one line.
func (w Words) look(l reckon.Look, p plan.Plan) string {
	parts := []string{l.On.String()}
	if n := p.CycleDay(l.On); n > 0 {
		parts[0] += " (" + w.phrase("sheet.cycle_day", phrase.Args{"day": fmt.Sprint(n)}) + ")"
	}
	if l.Scanned {
		parts = append(parts, w.phrase("value.right", nil)+" "+Diameters(l.Right), w.phrase("value.left", nil)+" "+Diameters(l.Left))
	}
	for _, v := range []struct {
		name, unit string
		value      *float64
	}{{"lining", "mm", l.Lining}, {"e2", "pg/mL", l.Estradiol}, {"lh", "IU/L", l.LH}, {"p4", "ng/mL", l.Progesterone}} {
		if v.value == nil {
			continue
		}
		parts = append(parts, fmt.Sprintf("%s %v %s", w.phrase("value."+v.name, nil), *v.value, v.unit))
		if v.name == "lining" {
			parts = append(parts, w.pattern(l.Pattern))
		}
	}
	return strings.Join(parts, ", ")
}

// pattern says what was recorded, and where nothing was, that nothing was.
func (w Words) pattern(p plan.Pattern) string {
	if p == "" {
		return w.phrase("sheet.no_pattern", nil)
	}
	return w.phrase("pattern."+string(p), nil)
}

func (w Words) criterion(k reckon.Criterion) LaidCriterion {
	l := LaidCriterion{What: w.phrase("criterion."+string(k.Name), nil), Got: w.phrase("sheet.not_measured", nil),
		Says: w.phrase("criterion."+string(k.State), nil), Source: k.Source, State: k.State}
	if k.Got != nil {
		l.Got = fmt.Sprintf("%v %s (%s)", *k.Got, k.Unit, k.On)
	}
	want := map[bool]string{true: "<", false: "≥"}[k.Name == reckon.Progesterone || k.Name == reckon.LH]
	l.Want = fmt.Sprintf("%s %v %s", want, k.Want, k.Unit)
	return l
}

func (w Words) growth(r reckon.Reading) []string {
	var rows []string
	for _, g := range []struct {
		name string
		line reckon.Growth
	}{{"lead", r.Lead}, {"right", r.Right}, {"left", r.Left}, {"lining", r.Lining}} {
		both := len(r.Right.Points) > 0 && len(r.Left.Points) > 0
		if !g.line.Known() || (g.name == "right" || g.name == "left") && (!both || g.line.Used < 2) {
			continue
		}
		rows = append(rows, w.phrase("sheet.growth", phrase.Args{"what": w.phrase("growth."+g.name, nil), "rate": fmt.Sprintf("%.1f", g.line.Rate),
			"spread": fmt.Sprintf("%.1f", g.line.RateSD), "count": fmt.Sprint(g.line.Used), "prior": fmt.Sprint(g.line.Prior.Mean), "prior_spread": fmt.Sprint(g.line.Prior.SD)}))
	}
	return rows
}

// forecast is the range of days, never one date, with the probability of each day.
func (w Words) forecast(r reckon.Reading) []string {
	f := r.Readiness
	switch {
	case f.Met:
		return []string{w.phrase("sheet.met", nil)}
	case len(f.Days) == 0 || f.From.IsZero():
		return nil
	case f.To.IsZero():
		return []string{w.phrase("sheet.from", phrase.Args{"from": w.day(f.From), "chance": reckon.Percent(f.Chance)})}
	}
	var days []string
	for _, d := range f.Days {
		if !d.On.Before(f.From.AddDays(-1)) && !d.On.After(f.To.AddDays(1)) {
			days = append(days, fmt.Sprintf("%s %s %%", w.day(d.On), reckon.Percent(d.Both)))
		}
	}
	return []string{w.phrase("sheet.range", phrase.Args{"from": w.day(f.From), "to": w.day(f.To), "chance": reckon.Percent(f.Chance)}),
		w.phrase("sheet.by_day", phrase.Args{"days": strings.Join(days, ", ")})}
}

// day is a date with its weekday, short.
func (w Words) day(d civil.Date) string {
	if d.IsZero() {
		return "-"
	}
	return phrase.ShortWeekday(w.Lang, d.Weekday()) + " " + d.String()
}

// options are what can be chosen between; nothing is marked or put first.
func (w Words) options(s Sheet, l *LaidScans) {
	if len(s.Options.Evenings) == 0 {
		return
	}
	var again []string
	for _, d := range s.Options.Rescans {
		again = append(again, fmt.Sprintf("%s (%s %%)", w.day(d.On), reckon.Percent(d.Chance)))
	}
	l.Rescan = strings.Join(again, ", ")
	for _, e := range s.Options.Evenings {
		o := LaidEvening{On: w.day(e.On), Chance: reckon.Percent(e.Chance), Luteal: w.day(e.Luteal), Transfer: w.day(e.Transfer), First: w.day(e.First),
			Repeat: w.day(e.Repeat), Booked: fmt.Sprint(e.Booked), Room: fmt.Sprint(s.Room)}
		if e.Closed != "" {
			o.Closed = w.phrase("word."+e.Closed, nil)
		}
		l.Evenings = append(l.Evenings, o)
	}
	l.Sources = w.phrase("sheet.sources_scan", nil)
}

// settled is what the calendar counts from once a trigger was given or there was a
// surge.
func (w Words) settled(s Sheet, l *LaidScans) {
	if t := s.Trigger; t.Kind != "" {
		from, mean, to := reckon.Ovulation(t.At)
		l.Settled = append(l.Settled, w.phrase("sheet.ovulation", phrase.Args{"at": w.when(t.At), "state": w.phrase("word."+string(t.Kind), nil),
			"mean": w.when(mean), "from": w.when(from), "to": w.when(to)}))
	}
	if !s.Reading.Surge.IsZero() {
		l.Settled = append(l.Settled, w.phrase("sheet.surge", phrase.Args{"on": w.day(s.Reading.Surge)}))
	}
	for _, step := range s.Plan.Steps {
		if slices.Contains([]plan.StepName{plan.LutealProgesterone, plan.Transfer, plan.HCGFirst, plan.HCGRepeat}, step.Name) {
			l.Steps = append(l.Steps, w.Step(step))
		}
	}
	l.Sources = w.phrase("sheet.sources_count", nil)
}

// layHCG is the values of the blood tests and how they run.
func (w Words) layHCG(sheet Sheet) (l LaidHCG) {
	s := sheet.Series
	if len(s.Values) == 0 {
		return l
	}
	for _, v := range s.Values {
		row := fmt.Sprintf("%s: %s IU/L", w.when(v.At), v.Words())
		if v.Laboratory != "" {
			row += ", " + v.Laboratory
		}
		l.Values = append(l.Values, row)
	}
	for _, p := range s.Pairs {
		if p.Reckoned {
			l.Course = append(l.Course, w.Desk.Say(w.Lang, triage.Line{Key: "note.hcg_pair", Args: PairArgs(p)}))
		}
		l.Course = append(l.Course, w.weighed(p.Cautions)...)
	}
	l.Course = append(l.Course, w.phrase("course."+string(s.Course), nil))
	l.Course = append(l.Course, w.weighed(s.Cautions)...)
	for _, k := range sheet.Plan.Conflicts {
		if k.Step == plan.HCGFirst || k.Step == plan.HCGRepeat {
			l.Course = append(l.Course, w.phrase("sheet.weigh", phrase.Args{"why": w.Why(k.Why)}))
		}
	}
	l.Course = append(l.Course, w.curve(s)...)
	l.Sources = w.phrase("sheet.sources_hcg", nil)
	return l
}

// curve is where the published curves stand at the last of several values.
func (w Words) curve(s reckon.Series) []string {
	last := s.Values[len(s.Values)-1]
	k := s.CurveAt(last.Hours)
	if len(s.Values) < 2 || k.Hours <= 0 {
		return nil
	}
	return []string{w.phrase("sheet.curve", phrase.Args{"at": w.when(last.At.Round(time.Minute)), "minimum": fmt.Sprintf("%.0f", k.Minimum), "slowest": fmt.Sprintf("%.0f", k.Slowest),
		"median": fmt.Sprintf("%.0f", k.Median), "fastest": fmt.Sprintf("%.0f", k.Fastest)})}
}
