package exchange_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"handrail.example/reminders/plan"
	"handrail.example/triage/exchange"
)

var zone = plan.DefaultPolicy().Location()

// lab is a Bundle with one patient and one Observation, as a laboratory sends it; change
// is a JSON merge of its fields.
func lab(change string) string { return around(observation(change)) }

func around(resources ...string) string {
	entries := []string{`{"fullUrl":"urn:uuid:1","resource":{"resourceType":"Patient","id":"x","birthDate":"1990-02-03",
		"identifier":[{"system":"https://handrail.example/patient-handle","value":"P-105"},{"system":"urn:oid:1.2","value":"mrn-7"}],"name":[{"given":["Citlali"],"family":"Vern"}]}}`}
	for _, r := range resources {
		entries = append(entries, `{"resource":`+r+`}`)
	}
	return `{"resourceType":"Bundle","type":"collection","entry":[` + strings.Join(entries, ",") + `]}`
}

func observation(change string) string {
	return merged(`{"resourceType":"Observation","identifier":[{"system":"urn:oid:1.2.3","value":"L-1"}],"status":"final","code":{"coding":[{"system":"http://loinc.org","code":"21198-7"}]},
		"subject":{"reference":"urn:uuid:1"},"effectiveDateTime":"2026-03-11T08:00:00-05:00","performer":[{"display":"Invented Laboratory"}],
		"valueQuantity":{"value":86.5,"unit":"mIU/mL","system":"http://unitsofmeasure.org","code":"m[IU]/mL"}}`, change)
}

func visit(change string) string {
	return merged(`{"resourceType":"Appointment","identifier":[{"system":"urn:oid:1.2.3","value":"A-1"}],"status":"booked","start":"2026-03-12T07:40:00-05:00","end":"2026-03-12T08:00:00-05:00",
		"serviceType":[{"coding":[{"system":"https://handrail.example/step","code":"monitoring"}]}],"participant":[{"actor":{"reference":"urn:uuid:1"},"status":"accepted"},{"actor":{"reference":"Practitioner/9"},"status":"accepted"}]}`, change)
}

func merged(resource, change string) string {
	var all map[string]any
	if err := json.Unmarshal([]byte(resource), &all); err != nil {
		panic(err)
	}
	if change != "" {
		if err := json.Unmarshal([]byte(change), &all); err != nil {
			panic(err)
		}
	}
	b, _ := json.Marshal(all)
	return string(b)
}

func one(t *testing.T, bundle string) exchange.Item {
	t.Helper()
	in, err := exchange.Read([]byte(bundle), zone)
	if err != nil || len(in.Items) != 1 {
		t.Fatalf("%d items, %v", len(in.Items), err)
	}
	return in.Items[0]
}

// The conversions are identities of UCUM units: 1 m[IU]/mL is 1 [IU]/L, 1 ng/L is 1
// pg/mL, 1 ug/L is 1 ng/mL.
func TestReadsResults(t *testing.T) {
	t.Parallel()
	it := one(t, lab(""))
	at := time.Date(2026, 3, 11, 8, 0, 0, 0, zone)
	if f := it.Fact; f.Kind != plan.HCG || f.IUPerL != 86.5 || !f.At.Equal(at) || f.Laboratory != "Invented Laboratory" || len(it.Doubts) > 0 {
		t.Errorf("hCG: %+v %v", f, it.Doubts)
	}
	if k := it.Claim; !slices.Equal(k.Handles, []string{"P-105"}) || !slices.Equal(k.Names, []string{"Citlali Vern"}) || k.Born != "1990-02-03" || !slices.Equal(k.Others, []string{"urn:oid:1.2 mrn-7"}) {
		t.Errorf("the claim: %+v", k)
	}
	for name, k := range map[string]struct {
		code, value, unit string
		get               func(plan.Fact) *float64
		want              float64
	}{
		"LH":                {"10501-5", "22", "[IU]/L", func(f plan.Fact) *float64 { return f.LH }, 22},
		"estradiol":         {"2243-4", "200", "pg/mL", func(f plan.Fact) *float64 { return f.Estradiol }, 200},
		"estradiol in ng/L": {"2243-4", "200", "ng/L", func(f plan.Fact) *float64 { return f.Estradiol }, 200},
		"progesterone":      {"2839-9", "1.5", "ug/L", func(f plan.Fact) *float64 { return f.BloodProgesterone }, 1.5},
	} {
		it := one(t, lab(fmt.Sprintf(`{"effectiveDateTime":"2026-03-11","code":{"coding":[{"system":"http://loinc.org","code":%q}]},"valueQuantity":{"value":%s,"system":"http://unitsofmeasure.org","code":%q}}`, k.code, k.value, k.unit)))
		if v := k.get(it.Fact); it.Fact.Kind != plan.Bloods || v == nil || *v != k.want || it.Fact.On.String() != "2026-03-11" || len(it.Doubts) > 0 {
			t.Errorf("%s: %+v %v", name, it.Fact, it.Doubts)
		}
	}
	if f := one(t, lab(`{"valueQuantity":{"value":2,"comparator":"<","system":"http://unitsofmeasure.org","code":"[IU]/L"}}`)).Fact; f.Reported != plan.BelowNumber || f.IUPerL != 2 {
		t.Errorf("a bound: %+v", f)
	}
}

// What is not certain says why, and is no fact where its value is what is uncertain.
func TestDoubts(t *testing.T) {
	t.Parallel()
	for name, k := range map[string]struct {
		change string
		want   exchange.Doubt
		fact   bool
	}{
		"a molar unit":               {`{"code":{"coding":[{"system":"http://loinc.org","code":"2243-4"}]},"valueQuantity":{"value":700,"system":"http://unitsofmeasure.org","code":"pmol/L"}}`, exchange.OtherUnit, false},
		"a unit that is no UCUM":     {`{"valueQuantity":{"value":86,"unit":"mIU/mL"}}`, exchange.OtherUnit, false},
		"a unit a thousandfold":      {`{"valueQuantity":{"value":86,"system":"http://unitsofmeasure.org","code":"[IU]/mL"}}`, exchange.OtherUnit, false},
		"no value":                   {`{"valueQuantity":null}`, exchange.NoValue, false},
		"another bound":              {`{"valueQuantity":{"value":86,"comparator":">=","system":"http://unitsofmeasure.org","code":"[IU]/L"}}`, exchange.NoValue, false},
		"a negative value":           {`{"valueQuantity":{"value":-5,"system":"http://unitsofmeasure.org","code":"[IU]/L"}}`, exchange.Implausible, false},
		"a value beyond all":         {`{"valueQuantity":{"value":1e300,"system":"http://unitsofmeasure.org","code":"[IU]/L"}}`, exchange.Implausible, false},
		"a day without its hour":     {`{"effectiveDateTime":"2026-03-11"}`, exchange.NoTime, false},
		"a preliminary value":        {`{"status":"preliminary"}`, exchange.NotFinal, false},
		"nobody measured it":         {`{"performer":[]}`, exchange.NoLab, true},
		"a modifying extension":      {`{"modifierExtension":[{"url":"https://elsewhere.example/refuted","valueBoolean":true}]}`, exchange.Modified, false},
		"implicit rules":             {`{"implicitRules":"https://elsewhere.example/rules"}`, exchange.Modified, false},
		"total hCG":                  {`{"code":{"coding":[{"system":"http://loinc.org","code":"19080-1"}]}}`, exchange.OtherTest, false},
		"two tests at once":          {`{"code":{"coding":[{"system":"http://loinc.org","code":"21198-7"},{"system":"http://loinc.org","code":"10501-5"}]}}`, exchange.OtherTest, false},
		"a year that is implausible": {`{"effectiveDateTime":"1926-03-11T08:00:00-05:00"}`, exchange.Implausible, false},
	} {
		if it := one(t, lab(k.change)); !slices.Contains(it.Doubts, k.want) || (it.Fact.Kind != "") != k.fact {
			t.Errorf("%s: %v, %+v", name, it.Doubts, it.Fact)
		}
	}
	for name, k := range map[string]struct {
		change string
		want   exchange.Doubt
		fact   bool
	}{
		"no purpose":         {`{"serviceType":[],"description":"scan"}`, exchange.NoPurpose, true},
		"an unknown purpose": {`{"serviceType":[{"coding":[{"system":"https://handrail.example/step","code":"haircut"}]}]}`, exchange.Implausible, false},
		"proposed":           {`{"status":"proposed"}`, exchange.NotFinal, false},
		"no start":           {`{"start":"tomorrow"}`, exchange.NoTime, false},
		"two people":         {`{"participant":[{"actor":{"reference":"urn:uuid:1"},"status":"accepted"},{"actor":{"reference":"Patient/2"},"status":"accepted"}]}`, exchange.SeveralWho, true},
	} {
		if it := one(t, around(visit(k.change))); !slices.Contains(it.Doubts, k.want) || (it.Fact.Kind != "") != k.fact {
			t.Errorf("%s: %v, %+v", name, it.Doubts, it.Fact)
		}
	}
	if it := one(t, around(visit(`{"status":"cancelled"}`))); !it.Gone || it.Fact.Kind != "" {
		t.Errorf("called off: %+v", it)
	}
	if k := one(t, lab(`{"subject":{"reference":"https://elsewhere.example/Patient/1","display":"Somebody"}}`)).Claim; len(k.Handles)+len(k.Names) > 0 || !slices.Equal(k.Others, []string{"Somebody"}) {
		t.Errorf("a reference that leads elsewhere: %+v", k)
	}
}

// A file that is not sound is refused as a whole, in words that quote nobody.
func TestMalformed(t *testing.T) {
	t.Parallel()
	for name, bundle := range map[string]string{
		"empty":                       ``,
		"no JSON":                     `<Bundle/>`,
		"no Bundle":                   `{"resourceType":"Patient","name":[{"text":"Citlali Vern"}]}`,
		"something behind it":         around() + "{}",
		"an entry without a resource": `{"resourceType":"Bundle","type":"collection","entry":[{}]}`,
		"a value of the wrong kind":   lab(`{"valueQuantity":"Citlali Vern"}`),
		"no identifier":               lab(`{"identifier":[]}`),
		"an identifier of nobody":     lab(`{"identifier":[{"value":"Citlali Vern"}]}`),
		"the same one twice":          around(observation(""), observation(`{"valueQuantity":{"value":1,"system":"http://unitsofmeasure.org","code":"[IU]/L"}}`)),
		"a name in two cases":         lab(`{"STATUS":"preliminary"}`),
		"too many":                    around(slices.Repeat([]string{observation("")}, 1001)...),
		"too large":                   around() + strings.Repeat(" ", exchange.MostBytes),
		"a patient of the wrong kind": `{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Patient","name":"Citlali Vern"}}]}`,
	} {
		in, err := exchange.Read([]byte(bundle), zone)
		if m := (*exchange.Malformed)(nil); !errors.As(err, &m) || len(in.Items) > 0 {
			t.Errorf("%s: %v", name, err)
		} else if strings.Contains(err.Error(), "Citlali") || strings.Contains(err.Error(), "{") {
			t.Errorf("%s quotes: %v", name, err)
		}
	}
	in, err := exchange.Read([]byte(around(observation(""), observation(""), `{"resourceType":"Device","id":"x"}`, `{"resourceType":"Observation","code":{"text":"mood"},"status":"final"}`)), zone)
	if err != nil || len(in.Items) != 1 || in.Other != 2 {
		t.Errorf("%d items, %d others, %v", len(in.Items), in.Other, err)
	}
}

// What counts as a change: the value, and whom it is about; not the copy's own marks.
func TestContent(t *testing.T) {
	t.Parallel()
	first := one(t, lab(""))
	same := one(t, lab(`{"meta":{"versionId":"2"},"text":{"status":"generated","div":"<div/>"}}`))
	other := one(t, lab(`{"status":"corrected"}`))
	somebody := one(t, strings.ReplaceAll(lab(""), "P-105", "P-106"))
	if string(first.Content) != string(same.Content) || string(first.Content) == string(other.Content) || string(first.Content) == string(somebody.Content) || first.Source != somebody.Source {
		t.Error("a change is not seen, or seen where there is none")
	}
}

func FuzzRead(f *testing.F) {
	for _, s := range []string{lab(""), around(visit("")), strings.Replace(lab(""), "86.5", "1e400", 1), around(visit(`{"participant":[null,{}]}`)), `{"resourceType":"Bundle","entry":[{"resource":null}]}`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		in, err := exchange.Read(b, zone)
		if m := (*exchange.Malformed)(nil); err != nil && !errors.As(err, &m) {
			t.Fatal(err)
		}
		for _, it := range in.Items {
			if it.Source == "" || len(it.Content) == 0 || it.Fact.Kind == "" && len(it.Doubts) == 0 && !it.Gone {
				t.Fatalf("%+v", it)
			}
			if it.Fact.Kind != "" && it.Fact.Kind != plan.HCG && it.Fact.Kind != plan.Bloods && it.Fact.Kind != plan.Visit {
				t.Fatalf("a %s", it.Fact.Kind)
			}
		}
	})
}
