package desk

import (
	"encoding/json"
	"maps"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
)

// sort is what a field of a form takes.
type sort string

// The sorts.
const (
	aDay     sort = "day"
	aMinute  sort = "minute"
	aNumber  sort = "number"
	aCount   sort = "count" // a whole number
	aText    sort = "text"
	numbers  sort = "numbers" // several, as diameters
	clocks   sort = "clocks"  // times of day
	aChoice  sort = "choice"
	yesNo    sort = "yesno" // with room for neither
	anOrder  sort = "order" // one of those that run
	stopRule sort = "stop"
	// Of what the policy has.
	aProtocol sort = "protocol"
	anItem    sort = "item"
)

// field is one field of a form, by the name that the fact's own form has for it.
type field struct {
	name    string
	sort    sort
	must    bool
	unit    string
	choices []string // for a choice; each has its words under "desk.choice."
}

var (
	dayField        = field{name: "on", sort: aDay, must: true}
	minuteField     = field{name: "at", sort: aMinute, must: true}
	drugFields      = []field{{name: "drug", sort: aText, must: true}, {name: "dose", sort: aNumber, must: true}, {name: "unit", sort: aText, must: true}, {name: "route", sort: aText, must: true}, {name: "product", sort: aText, must: true}}
	byField         = field{name: "prescriber", sort: aText, must: true}
	ageField        = field{name: "embryo_day", sort: aChoice, choices: []string{"3", "5", "6"}}
	embryosField    = field{name: "embryos", sort: aCount}
	e2Field         = field{name: "estradiol_pg_ml", sort: aNumber, unit: "pg/mL"}
	p4Field         = field{name: "progesterone_ng_ml", sort: aNumber, unit: "ng/mL"}
	lhField         = field{name: "lh_iu_per_l", sort: aNumber, unit: "IU/L"}
	labField        = field{name: "laboratory", sort: aText}
	reasonField     = field{name: "reason", sort: aText}
	nightField      = field{name: "night_of", sort: aDay}
	prescriberField = field{name: "prescriber", sort: aText}
	sites           = []string{string(plan.Intrauterine), string(plan.Tubal), string(plan.Elsewhere), string(plan.NothingSeen), string(plan.SiteUnclear)}
	paths           = []string{string(plan.Ongoing), string(plan.Several), string(plan.RescanPath), string(plan.EquivocalPath), string(plan.SecondLook), string(plan.UnknownLocation), string(plan.FallingPath), string(plan.Loss), string(plan.Ectopic)}
	compulsory      = func(f field) field { f.must = true; return f }
	visits          = []string{string(plan.Baseline), string(plan.Monitoring), string(plan.Transfer), string(plan.HCGFirst), string(plan.HCGRepeat), string(plan.HCGDay4), string(plan.HCGDay7), string(plan.Call), string(plan.OBUltrasound), string(plan.FollowUp)}
	patterns        = []string{string(plan.Trilaminar), string(plan.Intermediate), string(plan.Homogeneous)}
)

// forms are the facts that can be entered, in the order of a cycle, with the fields
// of each.
var forms = []struct {
	kind   plan.FactKind
	fields []field
}{
	{plan.ProtocolChosen, []field{{name: "protocol", sort: aProtocol, must: true}, dayField}},
	{plan.PeriodDue, []field{dayField}},
	{plan.ProgestinEnd, []field{dayField}},
	{plan.Spotting, []field{minuteField}},
	{plan.PeriodStart, []field{minuteField}},
	{plan.Visit, []field{{name: "step", sort: aChoice, must: true, choices: visits}, minuteField, reasonField}},
	{plan.BaselineFound, []field{dayField, {name: "decision", sort: aChoice, must: true, choices: []string{"start", "rescan", "cancel"}},
		{name: "cyst_mm", sort: aNumber, unit: "mm"}, e2Field, p4Field, {name: "hcg_iu_per_l", sort: aNumber, unit: "IU/L"}}},
	{plan.OrderGiven, slices.Concat(drugFields, []field{{name: "times", sort: clocks, must: true}, {name: "from", sort: aDay, must: true}, {name: "stop", sort: stopRule, must: true}, byField, reasonField})},
	{plan.StopOrder, []field{{name: "order", sort: anOrder, must: true}, dayField}},
	{plan.Scan, []field{dayField, {name: "right_mm", sort: numbers, unit: "mm"}, {name: "left_mm", sort: numbers, unit: "mm"}, {name: "lining_mm", sort: aNumber, unit: "mm"},
		{name: "pattern", sort: aChoice, choices: patterns}, e2Field, lhField, p4Field}},
	{plan.Bloods, []field{dayField, e2Field, lhField, p4Field, labField}},
	{plan.LHSurge, []field{dayField}},
	{plan.HomeLH, []field{dayField}},
	{plan.TriggerOrder, slices.Concat([]field{minuteField}, drugFields, []field{byField, nightField, reasonField})},
	{plan.TriggerGiven, []field{minuteField, nightField}},
	{plan.Embryos, []field{compulsory(ageField), embryosField, {name: "stored", sort: aCount}, {name: "egg_age", sort: aCount}, {name: "euploid", sort: yesNo}, {name: "favourable", sort: yesNo},
		{name: "backup", sort: aChoice, choices: []string{string(plan.ThawNext), string(plan.CallOff), string(plan.AskHerThen)}}, reasonField}},
	{plan.Thawed, []field{dayField, compulsory(embryosField), {name: "survived", sort: aCount, must: true}, {name: "stored", sort: aCount}}},
	{plan.Transferred, []field{dayField, ageField, embryosField, reasonField}},
	{plan.HCGDrawn, []field{minuteField, labField}},
	{plan.HCG, []field{minuteField, {name: "iu_per_l", sort: aNumber, must: true, unit: "IU/L"}, {name: "reported", sort: aChoice, choices: []string{string(plan.BelowNumber), string(plan.AboveNumber)}}, labField}},
	{plan.Called, []field{minuteField}},
	{plan.OBScan, []field{dayField, {name: "viable", sort: yesNo}, {name: "site", sort: aChoice, choices: sites}, {name: "sacs", sort: aCount},
		{name: "crl_mm", sort: aNumber, unit: "mm"}, {name: "sac_mm", sort: aNumber, unit: "mm"}, {name: "heartbeat", sort: yesNo}}},
	{plan.Concluded, []field{dayField, {name: "path", sort: aChoice, must: true, choices: paths}, prescriberField, reasonField}},
	{plan.Methotrexate, []field{dayField, {name: "dose", sort: aNumber}, {name: "unit", sort: aText}, prescriberField}},
	{plan.HandoverItem, []field{{name: "item", sort: anItem, must: true}, dayField}},
	{plan.HandedOver, []field{dayField}},
	{plan.Rhesus, []field{dayField, {name: "rh", sort: aChoice, must: true, choices: []string{string(plan.RhNegative), string(plan.RhPositive)}}}},
	{plan.Allergy, []field{dayField, {name: "allergen", sort: aText, must: true}}},
	{plan.OnHand, []field{minuteField, {name: "drug", sort: aText, must: true}, {name: "units", sort: aNumber, must: true}, {name: "per_dose", sort: aNumber}}},
	{plan.Dispensed, []field{minuteField, {name: "drug", sort: aText, must: true}, {name: "units", sort: aNumber, must: true}, {name: "per_dose", sort: aNumber}, {name: "pharmacy", sort: aText}, {name: "product", sort: aText}}},
	{plan.Authorised, []field{dayField, {name: "drug", sort: aText, must: true}, {name: "until", sort: aDay, must: true}, {name: "pharmacy", sort: aText}}},
	{plan.AntiD, []field{dayField, prescriberField}},
	{plan.Cancelled, []field{dayField, {name: "reason", sort: aText, must: true}}},
	{plan.Retracted, []field{{name: "reason", sort: aText, must: true}}},
}

// fieldsFor are the fields of a kind of fact; false for one that has no form.
func fieldsFor(kind plan.FactKind) ([]field, bool) {
	for _, f := range forms {
		if f.kind == kind {
			return f.fields, true
		}
	}
	return nil, false
}

// longestField bounds what is taken of one field.
const longestField = 300

// factOf reads a form as the fact that it enters. It is strict: a field that is
// given twice, or cannot be what it should be, is refused by its name.
func factOf(kind plan.FactKind, fields []field, form url.Values, zone *time.Location) (plan.Fact, error) {
	raw := map[string]any{"fact": string(kind)}
	if old := form.Get("replaces"); old != "" {
		raw["replaces"] = old
	}
	for _, f := range fields {
		value, err := f.read(form)
		if err != nil {
			return plan.Fact{}, err
		}
		if value != nil {
			raw[f.name] = value
		}
	}
	if _, given := raw["viable"]; kind == plan.OBScan && !given && form.Get("viable") == "" {
		return plan.Fact{}, missing("viable")
	}
	b, err := json.Marshal(raw)
	if err != nil {
		return plan.Fact{}, err
	}
	return plan.ParseFact(b, zone)
}

func missing(name string) error { return triage.Refuse("field_missing", phrase.Args{"field": name}) }

// read is a field's value as the fact's own form wants it; nil for nothing.
func (f field) read(form url.Values) (any, error) {
	bad := func(value string) error {
		return triage.Refuse("field_bad", phrase.Args{"field": f.name, "value": value})
	}
	all := form[f.name]
	if len(all) > 1 {
		return nil, bad(all[1])
	}
	text := strings.TrimSpace(form.Get(f.name))
	switch {
	case text == "" && f.must:
		return nil, missing(f.name)
	case text == "":
		return nil, nil
	case len(text) > longestField:
		return nil, bad(text[:20] + "…")
	}
	value, ok := f.parse(text, form)
	if !ok {
		return nil, bad(text)
	}
	return value, nil
}

func (f field) parse(text string, form url.Values) (any, bool) {
	switch f.sort {
	case aNumber:
		return number(text)
	case aCount:
		n, err := strconv.Atoi(text)
		return n, err == nil
	case numbers:
		return numbersOf(text)
	case clocks:
		return clocksOf(text)
	case aChoice:
		if f.name == "embryo_day" {
			n, err := strconv.Atoi(text)
			return n, err == nil && slices.Contains(f.choices, text)
		}
		return text, slices.Contains(f.choices, text)
	case yesNo:
		if text == "unknown" {
			return nil, true
		}
		return text == "yes", text == "yes" || text == "no"
	case stopRule:
		return stopOf(text, strings.TrimSpace(form.Get("stop_count")))
	}
	return text, true
}

// number reads a number with a point or, as Spanish writes it, a comma.
func number(text string) (any, bool) {
	n, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	return n, err == nil && n >= 0 && n < 1e9
}

func numbersOf(text string) (any, bool) {
	var all []float64
	for _, word := range strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == ';' || r == '/' }) {
		n, ok := number(strings.TrimRight(word, ","))
		if !ok || len(all) == 40 {
			return nil, false
		}
		all = append(all, n.(float64))
	}
	return all, len(all) > 0
}

func clocksOf(text string) (any, bool) {
	var all []string
	for _, word := range strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == ';' || r == ',' }) {
		if len(word) == len("8:00") {
			word = "0" + word
		}
		t, err := civil.ParseTimeOfDay(word)
		if err != nil || len(all) == 12 {
			return nil, false
		}
		all = append(all, t.String())
	}
	return all, len(all) > 0
}

// stopOf is how an order ends, with its count where it has one.
func stopOf(rule, count string) (any, bool) {
	switch rule {
	case "trigger", "order":
		return rule, true
	case "after_days", "after_doses":
		n, err := strconv.Atoi(count)
		return map[string]int{rule: n}, err == nil && n > 0
	}
	return nil, false
}

// input is a field as a page shows it.
type input struct {
	Name, Sort, Unit, Value string
	Must                    bool
	Choices                 []choice
	Count                   string // beside a rule of ending
}

type choice struct {
	Value, Label string
	Chosen       bool
}

// inputs are the fields of a form with what has been written in them, or what they
// begin with.
func (v *visit) inputs(fields []field, values url.Values, orders []reminders.Recorded) (all []input) {
	for _, f := range fields {
		i := input{Name: f.name, Sort: string(f.sort), Unit: f.unit, Must: f.must, Value: values.Get(f.name), Count: values.Get("stop_count")}
		for _, c := range f.choices {
			i.Choices = append(i.Choices, choice{c, v.say("desk.choice."+f.name+"."+c, nil), c == i.Value})
		}
		for _, name := range v.offered(f.sort) {
			i.Choices = append(i.Choices, choice{name, v.item(name), name == i.Value})
		}
		if f.sort == anOrder {
			for _, o := range orders {
				i.Choices = append(i.Choices, choice{o.ID, v.words(orders).Fact(o.Fact), o.ID == i.Value})
			}
		}
		all = append(all, i)
	}
	return all
}

// offered are the names that the policy has for a field.
func (v *visit) offered(s sort) []string {
	switch s {
	case aProtocol:
		return v.site.policy().ProtocolNames()
	case anItem:
		return slices.Sorted(maps.Keys(v.site.policy().Handover))
	}
	return nil
}

// start are the values that an empty form begins with: today, or those of the fact
// that is corrected.
func (v *visit) start(fields []field, old *plan.Fact) url.Values {
	values := make(url.Values)
	if old != nil {
		values = valuesOf(*old, v.zone())
	}
	for _, f := range fields {
		if values.Get(f.name) == "" && f.name == "on" {
			values.Set(f.name, v.today().String())
		}
	}
	return values
}

// valuesOf are a fact's values as its form takes them.
func valuesOf(f plan.Fact, zone *time.Location) url.Values {
	values := make(url.Values)
	b, err := json.Marshal(f)
	var raw map[string]any
	if err != nil || json.Unmarshal(b, &raw) != nil {
		return values
	}
	for name, value := range raw {
		switch x := value.(type) {
		case string:
			values.Set(name, x)
		case float64:
			values.Set(name, strconv.FormatFloat(x, 'f', -1, 64))
		case bool:
			values.Set(name, map[bool]string{true: "yes", false: "no"}[x])
		case []any:
			values.Set(name, listed(x))
		case map[string]any:
			for rule, n := range x {
				values.Set("stop", rule)
				values.Set("stop_count", listed([]any{n}))
			}
		}
	}
	if !f.At.IsZero() {
		values.Set("at", f.At.In(zone).Format("2006-01-02T15:04"))
	}
	return values
}

func listed(all []any) string {
	var words []string
	for _, x := range all {
		if n, ok := x.(float64); ok {
			words = append(words, strconv.FormatFloat(n, 'f', -1, 64))
		} else if s, ok := x.(string); ok {
			words = append(words, s)
		}
	}
	return strings.Join(words, " ")
}
