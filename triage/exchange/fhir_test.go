package exchange_test

import (
	"encoding/json"
	"regexp"
	"strings"
	"testing"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/triage/exchange"
)

// made is a cycle on its eleventh day: a visit that was moved and one that was called off,
// a value that was corrected and one that was taken back, an order that was stopped.
func made(t *testing.T) exchange.Cycle {
	t.Helper()
	at := func(day, hour int) time.Time { return time.Date(2026, 3, day, hour, 0, 0, 0, zone) }
	e2, wrong, mended := 38.0, 22.0, 2.2
	facts := []plan.Fact{
		{ID: "f1", Kind: plan.PeriodStart, At: at(1, 8)},
		{ID: "f2", Kind: plan.BaselineFound, On: civil.MustDate("2026-03-03"), Decision: plan.Start, Estradiol: &e2},
		{ID: "f3", Kind: plan.OrderGiven, Drug: "letrozole", Product: "tablets", Route: "oral", Dose: 2.5, Unit: "mg", Times: []civil.TimeOfDay{civil.MustTime("08:00")}, From: civil.MustDate("2026-03-03"), Stop: plan.Stop{AfterDays: 5}, Prescriber: "Dr. Petronel Ashgrove"},
		{ID: "f4", Kind: plan.Visit, Step: plan.Monitoring, At: at(12, 7)},
		{ID: "f5", Kind: plan.Visit, Step: plan.Monitoring, At: at(12, 9), Replaces: "f4"},
		{ID: "f6", Kind: plan.Bloods, On: civil.MustDate("2026-03-10"), LH: &wrong, Laboratory: "Invented Laboratory"},
		{ID: "f7", Kind: plan.Bloods, On: civil.MustDate("2026-03-10"), LH: &mended, Laboratory: "Invented Laboratory", Replaces: "f6"},
		{ID: "f8", Kind: plan.Bloods, On: civil.MustDate("2026-03-11"), LH: &wrong},
		{ID: "f9", Kind: plan.Retracted, Replaces: "f8", Reason: "another patient's"},
		{ID: "f10", Kind: plan.StopOrder, Order: "f3", On: civil.MustDate("2026-03-06")},
		{ID: "f11", Kind: plan.Visit, Step: plan.Transfer, At: at(20, 11)},
		{ID: "f12", Kind: plan.Retracted, Replaces: "f11", Reason: "too early"},
	}
	pl, err := plan.Build(plan.DefaultPolicy(), facts, at(11, 9))
	if err != nil {
		t.Fatal(err)
	}
	c := exchange.Cycle{Clinic: "Larkmoor", Zone: zone, Handle: "P-105", Name: "Citlali <Vern>", Language: "es", Number: 5, Opened: at(1, 7), Plan: pl}
	for i, f := range facts {
		c.Facts = append(c.Facts, exchange.Fact{Fact: f, Entered: at(11, 8).Add(time.Duration(i) * time.Minute)})
	}
	c.Letters = []exchange.Letter{{ID: "in-4", Hers: true, At: at(11, 8), Text: "me mareo \u2028 “mucho”\n\x07"}}
	c.Tasks = []exchange.Task{{Number: 9, What: "symptom", Urgency: "emergency", State: "taken", Holder: "Tamsin Orrel", Opened: at(11, 8), Changed: at(11, 8)}}
	return c
}

type written struct {
	ResourceType, ID, Status, Start, End string
	Identifier                           []struct{ System, Value string }
	ValueQuantity                        struct {
		Value        json.Number
		System, Code string
	}
	Activity []struct{ Reference, Detail json.RawMessage }
}

func resources(t *testing.T, b []byte) map[string]written {
	t.Helper()
	var bundle struct {
		Entry []struct{ Resource written }
	}
	if err := json.Unmarshal(b, &bundle); err != nil {
		t.Fatal(err)
	}
	all := make(map[string]written)
	for _, e := range bundle.Entry {
		all[e.Resource.ResourceType+"/"+e.Resource.ID] = e.Resource
	}
	return all
}

// What was corrected keeps its identity and says so, what was taken back is not gone but
// marked, and the specification's own rules hold that a validator of forms does not ask:
// FHIR R4 id (datatypes), cpl-3 (CarePlan), app-2 (Appointment).
func TestCorrectionsKeepTheirIdentity(t *testing.T) {
	t.Parallel()
	c := made(t)
	b, err := exchange.FHIR(c)
	if err != nil {
		t.Fatal(err)
	}
	again, _ := exchange.FHIR(c)
	if string(b) != string(again) {
		t.Error("the same cycle gives other bytes")
	}
	all := resources(t, b)
	for key, status := range map[string]string{
		"Appointment/appointment-f4": "booked", "Appointment/appointment-f11": "cancelled", "Observation/value-f6-lh": "corrected", "Observation/value-f8-lh": "entered-in-error",
		"Observation/value-f2-estradiol": "final", "MedicationRequest/order-f3": "stopped", "CarePlan/cycle-5": "active", "Task/case-9": "in-progress", "Communication/message-in-4": "completed",
	} {
		if got, there := all[key]; !there || got.Status != status {
			t.Errorf("%s: %v %q, want %q", key, there, got.Status, status)
		}
	}
	if got := all["Appointment/appointment-f4"]; got.Start != "2026-03-12T09:00:00-05:00" || got.End == "" {
		t.Errorf("moved: %+v", got)
	}
	if q := all["Observation/value-f6-lh"].ValueQuantity; q.Value != "2.2" || q.Code != "[IU]/L" || q.System != "http://unitsofmeasure.org" {
		t.Errorf("a value: %+v", q)
	}
	id := regexp.MustCompile(`^[A-Za-z0-9\-.]{1,64}$`)
	for key, r := range all {
		if !id.MatchString(r.ID) || len(r.Identifier) != 1 || r.Identifier[0].Value == "" {
			t.Errorf("%s: its identity is %+v", key, r.Identifier)
		}
		if (r.Start == "") != (r.End == "") {
			t.Errorf("%s: app-2", key)
		}
		for _, a := range r.Activity {
			if (a.Reference == nil) == (a.Detail == nil) {
				t.Errorf("%s: cpl-3", key)
			}
		}
	}
	if strings.Contains(string(b), `\u0007`) {
		t.Error("a string holds a control character")
	}
	if !strings.Contains(string(b), `"timestamp": "2026-03-11T08:11:00-05:00"`) {
		t.Error("the Bundle is not of the instant of the latest entry")
	}
}

// A LOINC code ends in a check digit, mod 10 as the LOINC Users' Guide has it (Luhn's
// rule): a slip of one digit in our table would show.
func TestCheckDigits(t *testing.T) {
	t.Parallel()
	codes := exchange.LOINC()
	if len(codes) < 12 {
		t.Fatalf("only %d codes", len(codes))
	}
	for _, code := range codes {
		digits, check, found := strings.Cut(code, "-")
		sum := 0
		for i := range digits {
			d := int(digits[len(digits)-1-i] - '0')
			if i%2 == 0 {
				d *= 2
			}
			sum += d/10 + d%10
		}
		if want := (10 - sum%10) % 10; !found || check != string(rune('0'+want)) {
			t.Errorf("%s should end in %d", code, want)
		}
	}
}
