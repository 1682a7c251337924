package reckon

import (
	"math"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

func round(v, parts float64) float64 { return math.Round(v*parts) / parts }

// State is how a criterion stands.
type State string

// The states of a criterion.
const (
	Met      State = "met"
	NotMet   State = "not_met"
	Unknown  State = "unknown" // not measured
	Obsolete State = "old"     // measured, but not on the last day of a scan
)

// CriterionName names one of the things that the clinic looks for.
type CriterionName string

// The criteria.
const (
	LeadSize     CriterionName = "lead"
	LiningSize   CriterionName = "lining"
	Progesterone CriterionName = "progesterone"
	LH           CriterionName = "lh"
)

// Criterion is one thing that the clinic looks for before the trigger, and how it
// stands by the last measurement.
type Criterion struct {
	Name CriterionName
	// Want is the policy's figure and Unit its unit; lead and lining must reach it,
	// progesterone and LH stay under it.
	Want float64
	Unit string
	// Got is the last measurement and On its day; nil and zero without one.
	Got   *float64
	On    civil.Date
	State State
	// Source is where the figure comes from.
	Source string
}

// Day is what is expected of one day.
type Day struct {
	On       civil.Date
	CycleDay int // 0 where the cycle has no day one
	// Lead and Lining are the probabilities that each has reached its size by
	// that day, Both that both have. Lining is 1 where it was never measured.
	Lead, Lining, Both float64
}

// Readiness is when the criteria for the trigger are likely to be met.
type Readiness struct {
	// Met: every criterion that was measured is met by the last measurements.
	Met bool
	// Days begin with the day of the last scan; empty without one.
	Days []Day
	// From and To are the days between which both sizes are reached with the
	// probability Chance. To is zero where that is not to be expected within the
	// days at hand; Chance is then the probability that it is not before From.
	From, To civil.Date
	Chance   float64
}

// horizon is how many days ahead are looked at.
const horizon = 21

// Reading is what her scans and blood tests say as of one day.
type Reading struct {
	AsOf civil.Date
	// Looks are the scans and blood tests at hand, in order.
	Looks []Look
	// Lead is the growth of the largest follicle of both ovaries, Right and Left
	// of each, Lining that of the lining.
	Lead, Right, Left, Lining Growth
	Criteria                  []Criterion
	Readiness                 Readiness
	// Cautions are for a clinician to weigh.
	Cautions []plan.Reason
	// Surge is the day of an LH surge that the calendar counts from, zero without
	// one.
	Surge civil.Date
}

// fromSelection is the size from which a follicle that has been selected grows in a
// straight line, mm: Baerwald 2009, Fertil Steril 91:440, from memory.
const fromSelection = 10

// Read reckons what scans and blood tests say as of now. Values dated later do not
// exist for it. An error means that the facts cannot all be true.
func Read(p plan.Policy, facts []plan.Fact, now time.Time) (Reading, error) {
	today := dayOf(p, now)
	past := until(facts, today)
	pl, err := plan.Build(p, past, now)
	if err != nil {
		return Reading{}, err
	}
	r := Reading{AsOf: today, Looks: looks(past, today), Surge: pl.Surge}
	r.grow(p.Trigger, stimulated(past))
	r.Criteria = criteria(p.Trigger, r.Looks)
	r.forecast(p.Trigger, pl)
	r.caution(p.Trigger, past)
	return r, nil
}

// until are the facts that stand without what happened after a day; what was
// ordered or booked for later was decided before, and stays.
func until(facts []plan.Fact, today civil.Date) []plan.Fact {
	var out []plan.Fact
	for _, f := range plan.Standing(facts) {
		if !f.Happened() || !f.Day().After(today) {
			f.Replaces = ""
			out = append(out, f)
		}
	}
	return out
}

// stimulated reports whether tablets or injections are ordered.
func stimulated(facts []plan.Fact) bool {
	for _, f := range plan.Standing(facts) {
		if c := plan.ClassOf(f.Drug); f.Kind == plan.OrderGiven && (c == plan.Tablet || c == plan.Injection) {
			return true
		}
	}
	return false
}

func (r *Reading) grow(t plan.TriggerPolicy, stimulated bool) {
	prior := t.Growth.Natural
	if stimulated {
		prior = t.Growth.Stimulated
	}
	follicle := func(what func(Look) float64) Growth {
		return fit(pointsOf(r.Looks, what), fromSelection, prior, t.Measuring.Follicle)
	}
	r.Lead = follicle(Look.Lead)
	r.Right = follicle(func(l Look) float64 { return largest(l.Right) })
	r.Left = follicle(func(l Look) float64 { return largest(l.Left) })
	r.Lining = fit(pointsOf(r.Looks, func(l Look) float64 { return value(l.Lining) }), 0, t.Growth.Lining, t.Measuring.Lining)
}

func value(v *float64) float64 {
	if v == nil {
		return 0
	}
	return *v
}

// criteria are what is met and what is not by the last measurement of each.
func criteria(t plan.TriggerPolicy, all []Look) []Criterion {
	out := []Criterion{
		{Name: LeadSize, Want: t.LeadMM, Unit: "mm", Source: "Andersen 1995, Hum Reprod 10:3202; PMID 38609793"},
		{Name: LiningSize, Want: t.LiningMM, Unit: "mm", Source: "Liu 2018, Hum Reprod 33:1883"},
		{Name: Progesterone, Want: t.ProgesteroneBelow, Unit: "ng/mL", Source: "PMID 38609793"},
		{Name: LH, Want: t.LHSurge, Unit: "IU/L", Source: "PMC7822991"},
	}
	for i := range out {
		out[i].measure(all)
	}
	return out
}

func (c *Criterion) measure(all []Look) {
	c.State = Unknown
	for _, l := range all {
		lead := l.Lead()
		v := map[CriterionName]*float64{LiningSize: l.Lining, Progesterone: l.Progesterone, LH: l.LH}[c.Name]
		if c.Name == LeadSize && l.Scanned {
			v = &lead
		}
		if v != nil {
			c.Got, c.On = v, l.On
		}
	}
	if c.Got == nil {
		return
	}
	reached, under := *c.Got >= c.Want, *c.Got < c.Want
	met := reached
	if c.Name == Progesterone || c.Name == LH {
		met = under
	}
	switch {
	case !met:
		c.State = NotMet
	case c.On != all[len(all)-1].On:
		c.State = Obsolete
	default:
		c.State = Met
	}
}

// criterion is the criterion of a name.
func (r Reading) criterion(n CriterionName) Criterion {
	for _, c := range r.Criteria {
		if c.Name == n {
			return c
		}
	}
	return Criterion{}
}

// reached reports whether a size was measured that meets its criterion.
func (c Criterion) reached() bool { return c.Got != nil && *c.Got >= c.Want }

func (r *Reading) forecast(t plan.TriggerPolicy, pl plan.Plan) {
	if !r.Lead.Known() {
		return
	}
	lead, lining := r.criterion(LeadSize), r.criterion(LiningSize)
	f := &r.Readiness
	f.Met = lead.reached() && lining.reached() && r.criterion(Progesterone).State != NotMet && r.criterion(LH).State != NotMet
	var sum []float64
	for n := 0; n <= horizon; n++ {
		d := Day{On: r.Lead.At.AddDays(n), Lead: 1, Lining: 1}
		d.CycleDay = pl.CycleDay(d.On)
		if !lead.reached() {
			d.Lead = r.Lead.reachedBy(t.LeadMM, d.On)
		}
		if lining.Got != nil && !lining.reached() {
			d.Lining = r.Lining.reachedBy(t.LiningMM, d.On)
		}
		d.Both = d.Lead * d.Lining
		f.Days = append(f.Days, d)
		sum = append(sum, d.Both)
	}
	from, to, chance := likely(sum, t.Likely)
	f.Chance = chance
	if from < len(sum) {
		f.From = f.Days[from].On
	}
	if to < len(sum) {
		f.To = f.Days[to].On
	}
}

// likely finds the days between which something happens with a probability of at
// least share, as much of the rest before as after them, by the probabilities that
// it has happened by each day. An index past the end means no such day.
func likely(by []float64, share float64) (from, to int, chance float64) {
	tail := (1 - share) / 2
	for from = 0; from < len(by) && by[from] <= tail; from++ {
	}
	for to = from; to < len(by) && by[to] < 1-tail; to++ {
	}
	upper := 1.0
	if to < len(by) {
		upper = by[to]
	}
	if from > 0 {
		upper -= by[from-1]
	}
	return from, to, upper
}

// ChanceBy is the probability that both sizes are reached by a day; 1 where the
// criteria are met.
func (f Readiness) ChanceBy(d civil.Date) float64 {
	if f.Met {
		return 1
	}
	best := 0.0
	for _, day := range f.Days {
		if !day.On.After(d) {
			best = day.Both
		}
	}
	return best
}
