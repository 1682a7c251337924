package exchange

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

func (it *Item) doubt(d Doubt) {
	if !slices.Contains(it.Doubts, d) {
		it.Doubts = append(it.Doubts, d)
	}
}

// settled checks a fact as it will be read back from the record. What could not be true
// is no fact.
func (it *Item) settled(f plan.Fact, zone *time.Location) {
	b, err := json.Marshal(f)
	if err == nil {
		it.Fact, err = plan.ParseFact(b, zone)
	}
	if err != nil {
		it.Fact = plan.Fact{}
		it.doubt(Implausible)
	}
}

// instant reads a FHIR instant or dateTime with a time in it, to the minute.
func (r *reader) instant(s string) (time.Time, bool) {
	t, err := time.Parse(time.RFC3339Nano, s)
	return t.In(r.zone).Truncate(time.Minute), err == nil
}

// day reads a FHIR dateTime as a day at the clinic.
func (r *reader) day(s string) (civil.Date, bool) {
	if t, timed := r.instant(s); timed {
		return civil.DateOf(t), true
	}
	d, err := civil.ParseDate(s)
	return d, err == nil
}

// coming are the states in which an appointment is to be kept, calledOff those in which
// it is not (HL7 FHIR R4, value set appointmentstatus).
var (
	coming    = []string{"booked", "arrived", "checked-in", "fulfilled"}
	calledOff = []string{"cancelled", "entered-in-error"}
)

func (r *reader) appointment(raw json.RawMessage) (Item, error) {
	var a appointment
	if err := json.Unmarshal(raw, &a); err != nil {
		return Item{}, err
	}
	it := Item{Kind: Appointment, Gone: slices.Contains(calledOff, a.Status)}
	var who []reference
	for _, p := range a.Participant {
		if p.Actor != nil && (r.people[p.Actor.Reference] != nil || strings.Contains(p.Actor.Reference, "Patient/") || p.Actor.Identifier != nil && p.Actor.Identifier.System == HandleSystem) {
			who = append(who, *p.Actor)
		}
	}
	var several bool
	if it.Claim, several = r.who(who...); several {
		it.doubt(SeveralWho)
	}
	step, text := purpose(a)
	it.Says = clip(strings.TrimSpace(text + " " + a.Start + " " + a.Status))
	if it.Gone {
		return it, nil
	}
	at, timed := r.instant(a.Start)
	switch {
	case !slices.Contains(coming, a.Status):
		it.doubt(NotFinal)
	case !timed:
		it.doubt(NoTime)
	case step == "":
		it.doubt(NoPurpose)
		it.Fact = plan.Fact{Kind: plan.Visit, At: at}
	default:
		it.settled(plan.Fact{Kind: plan.Visit, Step: step, At: at}, r.zone)
	}
	return it, nil
}

// purpose is the step that an appointment is for, where it says so in our words, and
// what it says in its own.
func purpose(a appointment) (step plan.StepName, text string) {
	text = a.Description
	for _, c := range a.ServiceType {
		for _, k := range c.Coding {
			if k.System == StepSystem {
				step = plan.StepName(k.Code)
			}
			if text == "" {
				text = k.Display
			}
		}
		if text == "" {
			text = c.Text
		}
	}
	return step, text
}

// test is what a laboratory measures and we keep.
type test struct {
	// units are the UCUM codes in which its number is ours, whatever they are called.
	units []string
	put   func(*plan.Fact, *float64)
}

// In all of these the number is the same: 1 mIU/mL is 1 IU/L, 1 ng/L is 1 pg/mL, 1 ug/L
// is 1 ng/mL. A molar unit would have to be reckoned with, and goes to a person.
var tests = map[string]test{
	hcgName.code:          {[]string{"m[IU]/mL", "[IU]/L", "m[iU]/mL", "[iU]/L"}, nil},
	lhName.code:           {[]string{"m[IU]/mL", "[IU]/L", "m[iU]/mL", "[iU]/L"}, func(f *plan.Fact, v *float64) { f.LH = v }},
	estradiolName.code:    {[]string{"pg/mL", "ng/L"}, func(f *plan.Fact, v *float64) { f.Estradiol = v }},
	progesteroneName.code: {[]string{"ng/mL", "ug/L"}, func(f *plan.Fact, v *float64) { f.BloodProgesterone = v }},
}

// near are tests of the same substance by another name in LOINC: total hCG, the beta
// subunit by another assay, estradiol by immunoassay or by amount of substance. Each was
// seen with this meaning in a laboratory's directory or a published mapping.
var near = []string{"19080-1", "45194-8", "83096-8", "14715-7"}

// result reads an Observation; false for one that is no test of ours.
func (r *reader) result(raw json.RawMessage) (Item, bool, error) {
	var o observation
	if err := json.Unmarshal(raw, &o); err != nil {
		return Item{}, false, err
	}
	code, known := "", false
	for _, c := range o.Code.Coding {
		if _, ours := tests[c.Code]; c.System == loincSystem && (ours || slices.Contains(near, c.Code)) {
			if known && c.Code != code {
				code = near[0] // it claims to be two tests
				continue
			}
			code, known = c.Code, true
		}
	}
	if !known {
		return Item{}, false, nil
	}
	it := Item{Kind: Result, Gone: o.Status == "cancelled" || o.Status == "entered-in-error"}
	var several bool
	if o.Subject != nil {
		if it.Claim, several = r.who(*o.Subject); several {
			it.doubt(SeveralWho)
		}
	}
	it.Says = says(code, o)
	if !it.Gone {
		r.measured(&it, code, o)
	}
	return it, true, nil
}

// says is an Observation in a few words.
func says(code string, o observation) string {
	text := o.Code.Text
	if text == "" && len(o.Code.Coding) > 0 {
		text = o.Code.Coding[0].Display
	}
	all := []string{text, "(LOINC " + code + ")"}
	if q := o.Quantity; q != nil {
		u := q.Code
		if u == "" {
			u = q.Unit
		}
		all = append(all, q.Comparator+q.Value.String()+" "+u)
	}
	return clip(strings.TrimSpace(strings.Join(append(all, o.Effective, o.Status), " ")))
}

// measured makes the fact of an Observation, or says why it cannot.
func (r *reader) measured(it *Item, code string, o observation) {
	t, ours := tests[code]
	v, bound, known := number64(o.Quantity)
	switch {
	case o.Status != "final" && o.Status != "amended" && o.Status != "corrected":
		it.doubt(NotFinal)
		return
	case !ours:
		it.doubt(OtherTest)
		return
	case !known || bound != "" && code != hcgName.code:
		it.doubt(NoValue)
		return
	case o.Quantity.System != ucumSystem || !slices.Contains(t.units, o.Quantity.Code):
		it.doubt(OtherUnit)
		return
	}
	lab := r.laboratory(o)
	if lab == "" {
		it.doubt(NoLab)
	}
	if code == hcgName.code {
		at, timed := r.instant(o.Effective)
		if !timed {
			it.doubt(NoTime)
			return
		}
		it.settled(plan.Fact{Kind: plan.HCG, At: at, IUPerL: v, Reported: bound, Laboratory: lab}, r.zone)
		return
	}
	on, dated := r.day(o.Effective)
	if !dated {
		it.doubt(NoTime)
		return
	}
	f := plan.Fact{Kind: plan.Bloods, On: on, Laboratory: lab}
	t.put(&f, &v)
	it.settled(f, r.zone)
}

// number64 is the number of a quantity and on which side of it the value lies; false
// where there is none that we can keep.
func number64(q *quantity) (v float64, b plan.Bound, known bool) {
	if q == nil {
		return 0, "", false
	}
	switch q.Comparator {
	case "":
	case "<":
		b = plan.BelowNumber
	case ">":
		b = plan.AboveNumber
	default:
		return 0, "", false
	}
	v, err := strconv.ParseFloat(q.Value.String(), 64)
	return v, b, err == nil
}

// longestLab is the longest name of a laboratory that a fact keeps, in bytes.
const longestLab = 80

// laboratory is who measured it, "" where nobody or several are named.
func (r *reader) laboratory(o observation) string {
	var all []string
	for _, p := range o.Performer {
		name := p.Display
		if name == "" {
			name = r.names[p.Reference]
		}
		if name = strings.Join(strings.Fields(name), " "); name != "" && len(name) <= longestLab {
			all = append(all, name)
		}
	}
	if len(all) != 1 {
		return ""
	}
	return all[0]
}

// String says a claim in one line, for a person.
func (c Claim) String() string {
	all := slices.Concat(c.Handles, c.Names)
	if c.Born != "" {
		all = append(all, fmt.Sprintf("* %s", c.Born))
	}
	all = append(all, c.Others...)
	for i := range all {
		all[i] = clip(strings.Join(strings.Fields(all[i]), " "))
	}
	return strings.Join(all, " · ")
}
