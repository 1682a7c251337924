package care

import (
	"fmt"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/reckon"
	"handrail.example/triage"
)

// Words says to staff, in one language, what stands in a calendar and in the facts.
type Words struct {
	Desk *triage.Desk
	Lang string
	Zone *time.Location
	// Drugs are what the orders of the patient who is spoken of are for, by fact, so
	// that a stop order can be told by the drug. DrugsOf makes it.
	Drugs map[string]string
}

// DrugsOf are what orders are for, by the fact that gives them.
func DrugsOf(facts []reminders.Recorded) map[string]string {
	drugs := make(map[string]string)
	for _, f := range facts {
		if f.Kind == plan.OrderGiven {
			drugs[f.ID] = f.Drug
		}
	}
	return drugs
}

func (w Words) phrase(key string, args phrase.Args) string {
	return w.Desk.Phrases.Say(w.Lang, key, args)
}

func (w Words) when(t time.Time) string { return t.In(w.Zone).Format("2006-01-02 15:04") }

// Why is one of the calendar's reasons in her language.
func (w Words) Why(r plan.Reason) string {
	return w.Desk.Say(w.Lang, triage.Line{Key: "why." + r.Code, Args: r.Args})
}

func (w Words) StepName(n plan.StepName) string {
	if n == "" {
		return w.phrase("word.period_start", nil)
	}
	return w.phrase("step."+string(n), nil)
}

// Step is a row of the calendar: what, when, in which window, how it stands.
func (w Words) Step(s plan.Step) string {
	on := w.phrase("staff.no_day", nil)
	switch {
	case !s.At.IsZero():
		on = w.when(s.At)
	case !s.On.IsZero():
		on = s.On.String()
	}
	text := w.phrase("staff.step", phrase.Args{"what": w.StepName(s.Name), "on": on, "status": w.phrase("status."+string(s.Status), nil)})
	if s.From != s.To && s.Status != plan.Done {
		text += " " + w.phrase("staff.window", phrase.Args{"from": s.From.String(), "to": s.To.String()})
	}
	return text
}

func (w Words) Conflict(k plan.Conflict) string {
	text := w.phrase("staff.conflict", phrase.Args{"what": w.StepName(k.Step), "why": w.Why(k.Why)})
	if len(k.Alternatives) == 0 {
		return text
	}
	var days []string
	for _, d := range k.Alternatives {
		days = append(days, d.String())
	}
	return text + " " + w.phrase("staff.alternatives", phrase.Args{"days": strings.Join(days, ", ")})
}

func (w Words) Change(ch plan.Change) string {
	args := phrase.Args{"what": w.StepName(ch.Step), "was": w.moment(ch.Was), "is": w.moment(ch.Is)}
	return w.phrase("staff.change_"+string(ch.Move), args)
}

// moment is when a step is: its minute, else its day.
func (w Words) moment(s plan.Step) string {
	if s.At.IsZero() {
		return s.On.String()
	}
	return w.when(s.At)
}

// Fact is what was entered, in one line of trade words.
func (w Words) Fact(f plan.Fact) string {
	parts := []string{w.phrase("word."+string(f.Kind), nil)}
	add := func(format string, args ...any) { parts = append(parts, fmt.Sprintf(format, args...)) }
	switch {
	case !f.At.IsZero():
		add("%s", w.when(f.At))
	case !f.On.IsZero():
		add("%s", f.On)
	}
	if f.Protocol != "" {
		add("%s", f.Protocol)
	}
	if f.Step != "" {
		add("%s", w.StepName(f.Step))
	}
	w.values(f, add)
	switch {
	case f.Kind == plan.OnHand || f.Kind == plan.Dispensed || f.Kind == plan.Authorised:
		w.supplied(f, add)
	case f.Drug != "":
		w.medicine(f, add)
	}
	if drug := w.Drugs[f.Order]; drug != "" {
		add("%s", drug)
	} else if f.Order != "" {
		add("%s", f.Order)
	}
	if f.Replaces != "" {
		add("%s", w.phrase("staff.instead_of", phrase.Args{"fact": f.Replaces}))
	}
	switch {
	case f.Reason == "":
	case f.Kind == plan.Cancelled || f.Kind == plan.Retracted || f.Kind == plan.StopOrder:
		add("%s", f.Reason)
	default:
		add("%s", w.phrase("staff.because", phrase.Args{"reason": f.Reason}))
	}
	return strings.Join(parts, ", ")
}

// values are the measured values and decisions of a fact.
func (w Words) values(f plan.Fact, add func(string, ...any)) {
	if f.Decision != "" {
		add("%s", w.phrase("decision."+string(f.Decision), nil))
	}
	for _, v := range []struct {
		name, unit string
		value      *float64
	}{{"cyst", "mm", f.CystMM}, {"e2", "pg/mL", f.Estradiol}, {"p4", "ng/mL", f.BloodProgesterone}, {"hcg", "IU/L", f.Beta}, {"lh", "IU/L", f.LH}, {"lining", "mm", f.LiningMM}} {
		if v.value != nil {
			add("%s %v %s", w.phrase("value."+v.name, nil), *v.value, v.unit)
		}
	}
	if f.Kind == plan.HCG {
		add("%s IU/L", reckon.Value{IUPerL: f.IUPerL, Reported: f.Reported}.Words())
	}
	if f.Kind == plan.Scan {
		add("%s %s", w.phrase("value.right", nil), Diameters(f.RightMM))
		add("%s %s", w.phrase("value.left", nil), Diameters(f.LeftMM))
	}
	if f.Pattern != "" {
		add("%s", w.phrase("pattern."+string(f.Pattern), nil))
	}
	if f.EmbryoDay != 0 {
		add("%s %d", w.phrase("value.embryo_day", nil), f.EmbryoDay)
	}
	if f.Count != 0 {
		add("%s %d", w.phrase("value.embryos", nil), f.Count)
	}
	w.known(f, add)
	for _, word := range f.Placed() {
		add("%s", w.word(word))
	}
	if f.Path != "" {
		add("%s", w.word(string(f.Path)))
	}
	if f.Kind == plan.Methotrexate && f.Dose != 0 {
		add("%v %s", f.Dose, f.Unit)
	}
	if f.Drug == "" && f.Prescriber != "" {
		add("%s", w.phrase("staff.prescribed", phrase.Args{"by": f.Prescriber}))
	}
	if f.Kind == plan.HandoverItem {
		add("%s", w.Item(f.Item))
	}
	if f.Kind == plan.OBScan && (f.Site == "" || f.Viable != nil) {
		key := "uncertain"
		if f.Viable != nil {
			key = map[bool]string{true: "viable", false: "not_viable"}[*f.Viable]
		}
		add("%s", w.phrase("value."+key, nil))
	}
}

// known is what is known of embryos, and of a patient beyond one cycle.
func (w Words) known(f plan.Fact, add func(string, ...any)) {
	if f.Survived != nil {
		add("%s %d", w.phrase("value.survived", nil), *f.Survived)
	}
	if f.EggAge != 0 {
		add("%s %d", w.phrase("value.egg_age", nil), f.EggAge)
	}
	for _, v := range []struct {
		name string
		is   *bool
	}{{"euploid", f.Euploid}, {"favourable", f.Favourable}, {"counts", f.Counts}} {
		if v.is != nil {
			add("%s", w.phrase(map[bool]string{true: "value.", false: "value.not_"}[*v.is]+v.name, nil))
		}
	}
	if f.Stored != nil {
		add("%s %d", w.phrase("value.stored", nil), *f.Stored)
	}
	if f.Backup != "" {
		add("%s %s", w.phrase("value.backup", nil), w.phrase("word."+string(f.Backup), nil))
	}
	if !f.NightOf.IsZero() {
		add("%s", w.phrase("value.night", phrase.Args{"on": f.NightOf.String()}))
	}
	if f.Laboratory != "" {
		add("%s", f.Laboratory)
	}
	if f.Rh != "" {
		add("%s", w.phrase("value.rh_"+string(f.Rh), nil))
	}
	if f.Allergen != "" {
		add("%s", w.Desk.Say(w.Lang, triage.Line{Key: "value.allergen", Args: phrase.Args{"allergen": f.Allergen}}))
	}
}

// word is a word of the calendar in her language, where the phrasebook has it.
func (w Words) word(name string) string {
	if key := "word." + name; w.Desk.Phrases.Has(key) {
		return w.phrase(key, nil)
	}
	return name
}

// Item is an item of the checklist, beside the word that it is entered by.
func (w Words) Item(word string) string {
	if key := "word." + word; w.Desk.Phrases.Has(key) {
		return w.phrase(key, nil) + " (" + word + ")"
	}
	return word
}

// Caution is something that somebody weighs before she saves, with its source.
func (w Words) Caution(k reckon.Caution) string {
	key := "sheet.weigh"
	if k.Check {
		key = "sheet.check"
	}
	said := w.phrase(key, phrase.Args{"why": w.Why(k.Why)})
	if k.Source != "" {
		said += " [" + k.Source + "]"
	}
	return said
}

// Diameters are those of follicles, "-" for none.
func Diameters(mm []float64) string {
	if len(mm) == 0 {
		return "-"
	}
	var all []string
	for _, d := range mm {
		all = append(all, fmt.Sprint(d))
	}
	return strings.Join(all, " ") + " mm"
}

func (w Words) medicine(f plan.Fact, add func(string, ...any)) {
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
		add("%s", w.phrase("staff.from", phrase.Args{"day": f.From.String()}))
	}
	switch s := f.Stop; {
	case s.AfterDays > 0:
		add("%s", w.phrase("staff.for_days", phrase.Args{"count": fmt.Sprint(s.AfterDays)}))
	case s.AfterDoses > 0:
		add("%s", w.phrase("staff.for_doses", phrase.Args{"count": fmt.Sprint(s.AfterDoses)}))
	case s.AtTrigger:
		add("%s", w.phrase("staff.until_trigger", nil))
	case s.UntilOrder:
		add("%s", w.phrase("staff.until_stopped", nil))
	}
	if f.Prescriber != "" {
		add("%s", w.phrase("staff.prescribed", phrase.Args{"by": f.Prescriber}))
	}
	if f.CheckedBy != "" {
		add("%s", w.phrase("staff.checked_by", phrase.Args{"by": f.CheckedBy}))
	}
}
