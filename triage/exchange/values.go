package exchange

import (
	"fmt"
	"strings"

	"handrail.example/reminders/plan"
)

// medication is an order. Drugs are named as they were ordered: no code of a drug was
// looked up, and a wrong one would be worse than none.
func (w *writer) medication(t tip) {
	id := w.factID("order", t)
	m := medicationRequest{head: w.head("MedicationRequest", id, FactSystem, t.Root), Status: w.orderStatus(t), Intent: "order",
		Medication: concept{Text: t.Drug}, Subject: w.patient, AuthoredOn: w.when(t.Entered)}
	if t.Product != "" {
		m.Medication.Text += " (" + t.Product + ")"
	}
	if t.Prescriber != "" {
		m.Requester = &reference{Display: t.Prescriber}
	}
	d := dosage{Text: w.orderText(t), Timing: w.timing(t), Dose: []dose{{quantity{Value: number(t.Dose), Unit: t.Unit}}}}
	if code := doseUnits[t.Unit]; code != "" {
		d.Dose[0].Quantity.System, d.Dose[0].Quantity.Code = ucumSystem, code
	}
	if t.Route != "" {
		d.Route = words(t.Route)
	}
	m.Dosage = []dosage{d}
	w.add("MedicationRequest", id, m)
}

func (w *writer) orderStatus(t tip) string {
	if t.Back {
		return "cancelled"
	}
	for _, o := range w.tips {
		switch {
		case o.Back:
		case o.Kind == plan.StopOrder && (o.Order == t.Fact.ID || o.Order == t.Root):
			return "stopped"
		case o.Kind == plan.TriggerGiven && t.Kind == plan.TriggerOrder:
			return "completed"
		}
	}
	if t.Kind == plan.TriggerOrder {
		return "active"
	}
	for _, d := range w.Plan.Doses {
		if d.Order == t.Fact.ID && d.At.After(w.Plan.AsOf) {
			return "active"
		}
	}
	return "completed"
}

// orderText is the order in one line, for systems that show nothing else.
func (w *writer) orderText(t tip) string {
	text := strings.TrimSpace(fmt.Sprintf("%s %s %s", number(t.Dose), t.Unit, t.Route))
	if t.Kind == plan.TriggerOrder {
		return text + ", once, " + t.Fact.At.In(w.Zone).Format("2006-01-02 15:04")
	}
	var times []string
	for _, at := range t.Times {
		times = append(times, at.String())
	}
	text += ", daily at " + strings.Join(times, " and ") + ", from " + t.From.String()
	switch s := t.Stop; {
	case s.AfterDays > 0:
		return text + fmt.Sprintf(", for %d days", s.AfterDays)
	case s.AfterDoses > 0:
		return text + fmt.Sprintf(", for %d doses", s.AfterDoses)
	case s.AtTrigger:
		return text + ", until the trigger"
	}
	return text + ", until stopped"
}

func (w *writer) timing(t tip) *timing {
	if t.Kind == plan.TriggerOrder {
		return &timing{Event: []string{w.when(t.Fact.At)}}
	}
	r := &repeat{BoundsPeriod: &period{Start: t.From.String()}, Count: t.Stop.AfterDoses, Frequency: len(t.Times), Period: 1, PeriodUnit: "d"}
	if n := t.Stop.AfterDays; n > 0 {
		r.BoundsPeriod.End = t.From.AddDays(n - 1).String()
	}
	for _, at := range t.Times {
		r.TimeOfDay = append(r.TimeOfDay, at.String()+":00")
	}
	return &timing{Repeat: r}
}

// value is one thing that a fact says was found.
type value struct {
	part     string // names it beside the others of its fact
	name     name
	category string // of HL7's observation categories
	put      func(*observation)
}

const (
	laboratory = "laboratory"
	imaging    = "imaging"
	exam       = "exam"
	survey     = "survey"
)

func (w *writer) observations(t tip) {
	for _, v := range w.values(t) {
		id := idOf("value-" + t.Root + "-" + v.part)
		o := observation{head: w.head("Observation", id, FactSystem, t.Root+"/"+v.part), Status: statusOf(t),
			Category: []concept{{Coding: []coding{{categorySystem, v.category, ""}}}}, Code: v.name.concept(), Subject: &w.patient,
			Effective: w.effective(t), Issued: w.when(t.Entered)}
		if t.Laboratory != "" && v.category == laboratory {
			o.Performer = []reference{{Display: t.Laboratory}}
		}
		v.put(&o)
		if w.Untold && (t.Kind == plan.HCG || t.Kind == plan.OBScan) {
			o.Note = append(o.Note, annotation{"A result of hers waits to be told to her by a person; see the Task."})
		}
		w.add("Observation", id, o)
	}
}

func statusOf(t tip) string {
	switch {
	case t.Back:
		return "entered-in-error"
	case t.Mended:
		return "corrected"
	}
	return "final"
}

func (w *writer) effective(t tip) string {
	if !t.Fact.At.IsZero() {
		return w.when(t.Fact.At)
	}
	return t.Day().String()
}

// values are what a fact says was found; none for a fact that is no finding.
func (w *writer) values(t tip) (all []value) {
	f := t.Fact.Fact
	add := func(part string, n name, category string, put func(*observation)) {
		all = append(all, value{part, n, category, put})
	}
	number := func(part string, n name, category string, v *float64, u unit) {
		if v != nil {
			add(part, n, category, func(o *observation) { o.Quantity = measured(*v, u) })
		}
	}
	count := func(part string, n name, v int) {
		if v != 0 {
			add(part, n, exam, func(o *observation) { o.Integer = &v })
		}
	}
	number("estradiol", estradiolName, laboratory, f.Estradiol, pgPerML)
	number("progesterone", progesteroneName, laboratory, f.BloodProgesterone, ngPerML)
	number("lh", lhName, laboratory, f.LH, iuPerL)
	number("hcg", hcgName, laboratory, f.Beta, iuPerL)
	number("cyst", cystName, imaging, f.CystMM, mm)
	number("lining", liningName, imaging, f.LiningMM, mm)
	number("crl", crlName, imaging, f.CRLMM, mm)
	number("sac", sacName, imaging, f.SacMM, mm)
	word := func(part string, n name, category, text string) {
		if text != "" {
			add(part, n, category, func(o *observation) { o.Concept = words(spaced(text)) })
		}
	}
	word("pattern", patternName, imaging, string(f.Pattern))
	word("site", siteName, imaging, string(f.Site))
	word("rh", rhName, laboratory, string(f.Rh))
	truth := func(part string, n name, v *bool) {
		if v != nil {
			add(part, n, imaging, func(o *observation) { o.Boolean = v })
		}
	}
	truth("viable", viableName, f.Viable)
	truth("heartbeat", heartbeatName, f.Heartbeat)
	all = append(all, follicles("right", rightName, f.RightMM)...)
	all = append(all, follicles("left", leftName, f.LeftMM)...)
	count("sacs", sacsName, f.Sacs)
	return append(all, w.events(f)...)
}

// events are what happened, as far as it can be told as a finding.
func (w *writer) events(f plan.Fact) (all []value) {
	switch f.Kind {
	case plan.HCG:
		return []value{{"hcg", hcgName, laboratory, func(o *observation) {
			o.Quantity = measured(f.IUPerL, iuPerL)
			o.Quantity.Comparator = map[plan.Bound]string{plan.BelowNumber: "<", plan.AboveNumber: ">"}[f.Reported]
		}}}
	case plan.PeriodStart:
		return []value{{"period", periodName, survey, func(o *observation) { o.DateTime = w.when(f.At) }}}
	case plan.HomeLH:
		yes := true
		return []value{{"home-lh", homeLHName, survey, func(o *observation) { o.Boolean = &yes }}}
	case plan.Thawed:
		n, survived := f.Count, 0
		if f.Survived != nil {
			survived = *f.Survived
		}
		return []value{{"thawed", thawedName, exam, func(o *observation) { o.Integer = &n }},
			{"survived", survivedName, exam, func(o *observation) { o.Integer = &survived }}}
	case plan.Transferred:
		n, age := f.Count, f.EmbryoDay
		if n != 0 {
			all = append(all, value{"embryos", embryosName, exam, func(o *observation) { o.Integer = &n }})
		}
		if age != 0 {
			all = append(all, value{"embryo-day", embryoDayName, exam, func(o *observation) { o.Integer = &age }})
		}
	}
	return all
}

// follicles are those of one ovary, a component each, the largest first as they were
// entered.
func follicles(side string, n name, mms []float64) []value {
	if len(mms) == 0 {
		return nil
	}
	return []value{{"follicles-" + side, n, imaging, func(o *observation) {
		for _, d := range mms {
			o.Component = append(o.Component, component{Code: follicleName.concept(), Quantity: measured(d, mm)})
		}
	}}}
}

// due is the date that the pregnancy's age leads to, where there is one.
func (w *writer) due() {
	g := w.Plan.Gestation
	if g == nil {
		return
	}
	id := idOf(fmt.Sprintf("due-cycle-%d", w.Number))
	w.add("Observation", id, observation{head: w.head("Observation", id, cycleSystem, fmt.Sprintf("%d/due", w.Number)), Status: "final",
		Category: []concept{{Coding: []coding{{categorySystem, exam, ""}}}}, Code: dueName.concept(), Subject: &w.patient,
		Effective: w.when(w.latest()), DateTime: g.DueDate.String()})
}
