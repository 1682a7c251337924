package reckon

import (
	"strconv"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

// The largest lead of the window that did as well as others: 13 to 22 mm, PMID
// 38609793.
const largestLead = 22

// collapse is by how many mm a leading follicle that shrinks between two scans has
// probably ruptured, or was another one: common practice, no source.
const collapse = 3

// caution notes what a clinician weighs beside the criteria.
func (r *Reading) caution(t plan.TriggerPolicy, facts []plan.Fact) {
	r.cautionLH(t, facts)
	r.cautionHome(facts)
	if p := r.criterion(Progesterone); p.State == NotMet {
		r.add(codeProgesterone, "value", num(*p.Got), "limit", num(p.Want), "on", p.On.String())
	}
	r.cautionFollicles(t)
	r.cautionLining(t)
	if r.Lead.Known() && !r.Readiness.Met && r.Readiness.To.IsZero() {
		r.add(codeNoForecast, "days", strconv.Itoa(horizon))
	}
}

func (r *Reading) add(code string, args ...string) {
	r.Cautions = append(r.Cautions, because(code, args...))
}

// cautionLH: an LH from the policy's figure on is a surge; one that has doubled
// since the last blood test is on its way there (common practice, no source).
// One that a person has judged to be none is said so; after the trigger it is the
// trigger's own doing.
func (r *Reading) cautionLH(t plan.TriggerPolicy, facts []plan.Fact) {
	var last, before *Look
	for i := range r.Looks {
		if r.Looks[i].LH != nil {
			before, last = last, &r.Looks[i]
		}
	}
	switch {
	case last == nil:
	case *last.LH >= t.LHSurge && r.Surge.IsZero():
		if r.judged(facts, last.On) {
			r.add(codeJudged, "value", num(*last.LH), "limit", num(t.LHSurge), "on", last.On.String())
		}
	case *last.LH >= t.LHSurge:
		r.add(codeSurge, "value", num(*last.LH), "limit", num(t.LHSurge), "on", last.On.String())
	case before != nil && *last.LH >= 2**before.LH:
		r.add(codeRising, "value", num(*last.LH), "before", num(*before.LH), "limit", num(t.LHSurge), "on", last.On.String())
	}
}

// judged reports whether a person has said that an LH up to a day is no surge.
func (r *Reading) judged(facts []plan.Fact, on civil.Date) bool {
	for _, f := range plan.Standing(facts) {
		if f.Kind == plan.LHSurge && f.Counts != nil && !*f.Counts && !on.After(f.On) {
			return true
		}
	}
	return false
}

// cautionHome: a positive test at home asks for blood and a scan, and moves
// nothing by itself.
func (r *Reading) cautionHome(facts []plan.Fact) {
	for _, f := range plan.Standing(facts) {
		if f.Kind == plan.HomeLH && !r.checkedSince(f.On) {
			r.add(codeHomeLH, "on", f.On.String())
		}
	}
}

// checkedSince reports whether LH was measured in her blood and follicles were
// looked at from a day on.
func (r *Reading) checkedSince(d civil.Date) bool {
	blood, scan := false, false
	for _, l := range r.Looks {
		if !l.On.Before(d) {
			blood, scan = blood || l.LH != nil, scan || l.Scanned
		}
	}
	return blood && scan
}

func (r *Reading) cautionFollicles(t plan.TriggerPolicy) {
	if !r.Lead.Known() {
		return
	}
	var last Look
	for _, l := range r.Looks {
		if l.Scanned {
			last = l
		}
	}
	if n := last.Count(t.Many.FromMM); n >= t.Many.Follicles {
		r.add(codeMany, "count", strconv.Itoa(n), "from", num(t.Many.FromMM), "on", last.On.String())
	}
	if lead := last.Lead(); lead > largestLead {
		r.add(codeLarge, "lead", num(lead), "top", num(largestLead))
	}
	if n := len(r.Lead.Points); n > 1 {
		if before := r.Lead.Points[n-2]; before.MM-r.Lead.Points[n-1].MM >= collapse {
			r.add(codeSmaller, "lead", num(r.Lead.Points[n-1].MM), "before", num(before.MM), "on", before.On.String())
		}
	}
}

// cautionLining: a lining under the published figure, and one that will probably
// still be so when the follicle is there, with the days that are left.
func (r *Reading) cautionLining(t plan.TriggerPolicy) {
	c := r.criterion(LiningSize)
	if c.Got == nil || c.reached() {
		return
	}
	r.add(codeThin, "lining", num(*c.Got), "want", num(c.Want))
	if !r.Lead.Known() {
		return
	}
	var by []float64
	for _, d := range r.Readiness.Days {
		by = append(by, d.Lead)
	}
	from, to, _ := likely(by, t.Likely)
	if to >= len(by) || r.Readiness.Days[to].Lining >= 0.5 {
		return
	}
	first, last := r.Readiness.Days[from].On, r.Readiness.Days[to].On
	r.add(codeLags, "lining", num(*c.Got), "want", num(c.Want), "from", first.String(), "to", last.String(),
		"days", strconv.Itoa(max(0, last.DaysSince(r.AsOf))), "chance", Percent(r.Readiness.Days[to].Lining))
}
