package dialog

import (
	"fmt"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/reckon"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// why is one of the calendar's reasons in her language.
func (c *colleague) why(r plan.Reason) string {
	return c.room.Service.Desk.Say(c.lang, triage.Line{Key: "why." + r.Code, Args: r.Args})
}

func (c *colleague) stepName(n plan.StepName) string {
	if n == "" {
		return c.phrase("word.period_start", nil)
	}
	return c.phrase("step."+string(n), nil)
}

// step is a row of the calendar: what, when, in which window, how it stands.
func (c *colleague) step(s plan.Step) string {
	on := c.phrase("staff.no_day", nil)
	switch {
	case !s.At.IsZero():
		on = c.when(s.At)
	case !s.On.IsZero():
		on = s.On.String()
	}
	text := c.phrase("staff.step", phrase.Args{"what": c.stepName(s.Name), "on": on, "status": c.phrase("status."+string(s.Status), nil)})
	if s.From != s.To && s.Status != plan.Done {
		text += " " + c.phrase("staff.window", phrase.Args{"from": s.From.String(), "to": s.To.String()})
	}
	return text
}

func (c *colleague) conflict(k plan.Conflict) string {
	text := c.phrase("staff.conflict", phrase.Args{"what": c.stepName(k.Step), "why": c.why(k.Why)})
	if len(k.Alternatives) == 0 {
		return text
	}
	var days []string
	for _, d := range k.Alternatives {
		days = append(days, d.String())
	}
	return text + " " + c.phrase("staff.alternatives", phrase.Args{"days": strings.Join(days, ", ")})
}

// preview says what an entry is and what it would move.
func (c *colleague) preview(v care.Preview) string {
	rows := []string{who(v.Patient) + " · " + c.fact(v.Fact)}
	if len(v.Changes) > 0 {
		rows = append(rows, c.phrase("staff.moves", nil))
	}
	for _, ch := range v.Changes {
		rows = append(rows, "· "+c.change(ch))
	}
	for _, k := range v.Conflicts {
		rows = append(rows, c.conflict(k))
	}
	rows = append(rows, c.cautions(v.Cautions)...)
	if len(v.Missing) > 0 {
		var items []string
		for _, i := range v.Missing {
			items = append(items, c.item(i))
		}
		rows = append(rows, c.phrase("note.missing", phrase.Args{"items": strings.Join(items, ", ")}))
	}
	return strings.Join(rows, "\n")
}

func (c *colleague) change(ch plan.Change) string {
	args := phrase.Args{"what": c.stepName(ch.Step), "was": c.momentOf(ch.Was), "is": c.momentOf(ch.Is)}
	return c.phrase("staff.change_"+string(ch.Move), args)
}

// momentOf is when a step is: its minute, else its day.
func (c *colleague) momentOf(s plan.Step) string {
	if s.At.IsZero() {
		return s.On.String()
	}
	return c.when(s.At)
}

// learn notes what a patient's orders are of, so that a stop order can be told by
// the drug.
func (c *colleague) learn(facts []reminders.Recorded) {
	c.drugs = make(map[string]string)
	for _, f := range facts {
		if f.Kind == plan.OrderGiven {
			c.drugs[f.ID] = f.Drug
		}
	}
}

// fact is what was entered, in one line of trade words.
func (c *colleague) fact(f plan.Fact) string {
	parts := []string{c.phrase("word."+string(f.Kind), nil)}
	add := func(format string, args ...any) { parts = append(parts, fmt.Sprintf(format, args...)) }
	switch {
	case !f.At.IsZero():
		add("%s", c.when(f.At))
	case !f.On.IsZero():
		add("%s", f.On)
	}
	if f.Protocol != "" {
		add("%s", f.Protocol)
	}
	if f.Step != "" {
		add("%s", c.stepName(f.Step))
	}
	c.values(f, add)
	if f.Drug != "" {
		c.medicine(f, add)
	}
	if drug := c.drugs[f.Order]; drug != "" {
		add("%s", drug)
	} else if f.Order != "" {
		add("%s", f.Order)
	}
	if f.Replaces != "" {
		add("%s", c.phrase("staff.instead_of", phrase.Args{"fact": f.Replaces}))
	}
	switch {
	case f.Reason == "":
	case f.Kind == plan.Cancelled || f.Kind == plan.Retracted || f.Kind == plan.StopOrder:
		add("%s", f.Reason)
	default:
		add("%s", c.phrase("staff.because", phrase.Args{"reason": f.Reason}))
	}
	return strings.Join(parts, ", ")
}

// values are the measured values and decisions of a fact.
func (c *colleague) values(f plan.Fact, add func(string, ...any)) {
	if f.Decision != "" {
		add("%s", c.phrase("decision."+string(f.Decision), nil))
	}
	for _, v := range []struct {
		name, unit string
		value      *float64
	}{{"cyst", "mm", f.CystMM}, {"e2", "pg/mL", f.Estradiol}, {"p4", "ng/mL", f.BloodProgesterone}, {"hcg", "IU/L", f.Beta}, {"lh", "IU/L", f.LH}, {"lining", "mm", f.LiningMM}} {
		if v.value != nil {
			add("%s %v %s", c.phrase("value."+v.name, nil), *v.value, v.unit)
		}
	}
	if f.Kind == plan.HCG {
		add("%s IU/L", reckon.Value{IUPerL: f.IUPerL, Reported: f.Reported}.Words())
	}
	if f.Kind == plan.Scan {
		add("%s %s", c.phrase("value.right", nil), diameters(f.RightMM))
		add("%s %s", c.phrase("value.left", nil), diameters(f.LeftMM))
	}
	if f.Pattern != "" {
		add("%s", c.phrase("pattern."+string(f.Pattern), nil))
	}
	if f.EmbryoDay != 0 {
		add("%s %d", c.phrase("value.embryo_day", nil), f.EmbryoDay)
	}
	if f.Count != 0 {
		add("%s %d", c.phrase("value.embryos", nil), f.Count)
	}
	c.known(f, add)
	for _, word := range f.Placed() {
		add("%s", c.word(word))
	}
	if f.Path != "" {
		add("%s", c.word(string(f.Path)))
	}
	if f.Kind == plan.Methotrexate && f.Dose != 0 {
		add("%v %s", f.Dose, f.Unit)
	}
	if f.Drug == "" && f.Prescriber != "" {
		add("%s", c.phrase("staff.prescribed", phrase.Args{"by": f.Prescriber}))
	}
	if f.Kind == plan.HandoverItem {
		add("%s", c.item(f.Item))
	}
	if f.Kind == plan.OBScan && (f.Site == "" || f.Viable != nil) {
		key := "uncertain"
		if f.Viable != nil {
			key = map[bool]string{true: "viable", false: "not_viable"}[*f.Viable]
		}
		add("%s", c.phrase("value."+key, nil))
	}
}

// known is what is known of embryos, and of a patient beyond one cycle.
func (c *colleague) known(f plan.Fact, add func(string, ...any)) {
	if f.Survived != nil {
		add("%s %d", c.phrase("value.survived", nil), *f.Survived)
	}
	if f.EggAge != 0 {
		add("%s %d", c.phrase("value.egg_age", nil), f.EggAge)
	}
	for _, v := range []struct {
		name string
		is   *bool
	}{{"euploid", f.Euploid}, {"favourable", f.Favourable}, {"counts", f.Counts}} {
		if v.is != nil {
			add("%s", c.phrase(map[bool]string{true: "value.", false: "value.not_"}[*v.is]+v.name, nil))
		}
	}
	if f.Stored != nil {
		add("%s %d", c.phrase("value.stored", nil), *f.Stored)
	}
	if f.Backup != "" {
		add("%s %s", c.phrase("value.backup", nil), c.phrase("word."+string(f.Backup), nil))
	}
	if !f.NightOf.IsZero() {
		add("%s", c.phrase("value.night", phrase.Args{"on": f.NightOf.String()}))
	}
	if f.Laboratory != "" {
		add("%s", f.Laboratory)
	}
	if f.Rh != "" {
		add("%s", c.phrase("value.rh_"+string(f.Rh), nil))
	}
	if f.Allergen != "" {
		add("%s", c.room.Service.Desk.Say(c.lang, triage.Line{Key: "value.allergen", Args: phrase.Args{"allergen": f.Allergen}}))
	}
}

// word is a word of the calendar in her language, where the phrasebook has it.
func (c *colleague) word(w string) string {
	if key := "word." + w; c.room.Service.Phrases.Has(key) {
		return c.phrase(key, nil)
	}
	return w
}

func diameters(mm []float64) string {
	if len(mm) == 0 {
		return "-"
	}
	var all []string
	for _, d := range mm {
		all = append(all, fmt.Sprint(d))
	}
	return strings.Join(all, " ") + " mm"
}

func (c *colleague) medicine(f plan.Fact, add func(string, ...any)) {
	add("%s", strings.TrimSpace(fmt.Sprintf("%s %v %s %s", f.Drug, f.Dose, f.Unit, f.Route)))
	if f.Product != "" {
		add("%s", f.Product)
	}
	if len(f.Times) > 0 {
		var times []string
		for _, t := range f.Times {
			times = append(times, t.String())
		}
		add("%s", strings.Join(times, " "))
	}
	if !f.From.IsZero() {
		add("%s", c.phrase("staff.from", phrase.Args{"day": f.From.String()}))
	}
	switch s := f.Stop; {
	case s.AfterDays > 0:
		add("%s", c.phrase("staff.for_days", phrase.Args{"count": fmt.Sprint(s.AfterDays)}))
	case s.AfterDoses > 0:
		add("%s", c.phrase("staff.for_doses", phrase.Args{"count": fmt.Sprint(s.AfterDoses)}))
	case s.AtTrigger:
		add("%s", c.phrase("staff.until_trigger", nil))
	case s.UntilOrder:
		add("%s", c.phrase("staff.until_stopped", nil))
	}
	if f.Prescriber != "" {
		add("%s", c.phrase("staff.prescribed", phrase.Args{"by": f.Prescriber}))
	}
	if f.CheckedBy != "" {
		add("%s", c.phrase("staff.checked_by", phrase.Args{"by": f.CheckedBy}))
	}
}
