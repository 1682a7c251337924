package reckon

import (
	"slices"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

// Look is what was seen and measured on one day: a scan, a blood test, or both.
// What was not measured is nil or empty.
type Look struct {
	On civil.Date
	// Right and Left are the follicles of each ovary, Lining its thickness, mm.
	Right, Left []float64
	Lining      *float64
	Pattern     plan.Pattern
	// Estradiol in pg/mL, LH in IU/L, Progesterone in ng/mL.
	Estradiol, LH, Progesterone *float64
	// Scanned: follicles were looked for on that day.
	Scanned bool
}

// Lead is the largest follicle, mm; 0 where none was seen.
func (l Look) Lead() float64 { return largest(slices.Concat(l.Right, l.Left)) }

func largest(mm []float64) float64 {
	if len(mm) == 0 {
		return 0
	}
	return slices.Max(mm)
}

// Count is how many follicles measure at least so many mm.
func (l Look) Count(from float64) int {
	n := 0
	for _, mm := range slices.Concat(l.Right, l.Left) {
		if mm >= from {
			n++
		}
	}
	return n
}

// looks gathers scans and blood tests by day, up to a day, the latest last. Of
// two entries of one day the values of the later stand; a value that it lacks
// keeps the earlier one's.
func looks(facts []plan.Fact, until civil.Date) []Look {
	byDay := map[civil.Date]*Look{}
	var days []civil.Date
	for _, f := range plan.Standing(facts) {
		if f.Kind != plan.Scan && f.Kind != plan.Bloods || f.On.After(until) {
			continue
		}
		l, seen := byDay[f.On]
		if !seen {
			l = &Look{On: f.On}
			byDay[f.On] = l
			days = append(days, f.On)
		}
		l.take(f)
	}
	slices.SortFunc(days, civil.Date.Compare)
	all := make([]Look, len(days))
	for i, d := range days {
		all[i] = *byDay[d]
	}
	return all
}

func (l *Look) take(f plan.Fact) {
	if f.RightMM != nil || f.LeftMM != nil {
		l.Right, l.Left, l.Scanned = f.RightMM, f.LeftMM, true
	}
	if f.Pattern != "" {
		l.Pattern = f.Pattern
	}
	for _, v := range []struct {
		from *float64
		into **float64
	}{{f.LiningMM, &l.Lining}, {f.Estradiol, &l.Estradiol}, {f.LH, &l.LH}, {f.BloodProgesterone, &l.Progesterone}} {
		if v.from != nil {
			*v.into = v.from
		}
	}
}

// pointsOf are the measurements of something that each look may have; 0 for none.
func pointsOf(all []Look, what func(Look) float64) []Point {
	var out []Point
	for _, l := range all {
		if mm := what(l); mm > 0 {
			out = append(out, Point{l.On, mm})
		}
	}
	return out
}

// dayOf is the day of t at the clinic.
func dayOf(p plan.Policy, t time.Time) civil.Date { return civil.DateOf(t.In(p.Location())) }
