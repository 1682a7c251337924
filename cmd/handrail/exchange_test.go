package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"handrail.example/bot/loopback"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/care"
	"handrail.example/triage/exchange"
)

// judge reads the files that it is given and prints for each whether it is valid, with
// the resources in it, against the published definitions of HL7 FHIR R4, and every
// error. Warnings and information are left out: they say that the validator holds no
// copy of LOINC.
const judge = `
const { Fhir } = require("fhir");
const fs = require("fs");
for (const file of process.argv.slice(1)) {
  const r = new Fhir().validate(JSON.parse(fs.readFileSync(file)), { errorOnUnexpected: true });
  const all = r.messages.filter((m) => !["info", "warning"].includes(m.severity));
  console.log(JSON.stringify({ valid: r.valid, all: all.map((m) => ({ severity: m.severity, at: m.location, says: m.message })) }));
}`

// verdict is what the definitions say of one file.
type verdict struct {
	Valid bool
	All   []struct{ Severity, At, Says string }
}

// judged are the verdicts on some Bundles; it skips where nobody can judge.
func judged(t *testing.T, bundles ...[]byte) (all []verdict) {
	t.Helper()
	home, err := filepath.Abs("../../.ci/fhir")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(home, "node_modules", "fhir", "index.js")); err != nil {
		t.Skip("no validator in .ci/fhir/node_modules: exported cycles are not checked against FHIR's definitions (run npm install in .ci/fhir)")
	}
	args := []string{"-e", judge}
	for i, b := range bundles {
		file := filepath.Join(t.TempDir(), fmt.Sprintf("%d.json", i))
		if err := os.WriteFile(file, b, 0o600); err != nil {
			t.Fatal(err)
		}
		args = append(args, file)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, "node", args...)
	cmd.Dir = home
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("the validator: %v", err)
	}
	for dec := json.NewDecoder(bytes.NewReader(out)); dec.More(); {
		var v verdict
		if err := dec.Decode(&v); err != nil {
			t.Fatal(err)
		}
		all = append(all, v)
	}
	if len(all) != len(bundles) {
		t.Fatalf("%d verdicts on %d files", len(all), len(bundles))
	}
	return all
}

// scene is the invented clinic of the demo at its first minute, without its loops.
func scene(t *testing.T) *demo {
	t.Helper()
	d := startDemo(t, t.TempDir())
	return d
}

// as runs f as one of the clinic's staff.
func (d *demo) as(t *testing.T, handle string, f func(ctx context.Context, tx *store.Tx, who triage.Staff) error) {
	t.Helper()
	if err := d.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		who, err := d.desk.StaffByHandle(ctx, tx, handle)
		if err != nil {
			return err
		}
		return f(ctx, tx, who)
	}); err != nil {
		t.Fatal(err)
	}
}

// exported is a patient's cycle as another system reads it.
func (d *demo) exported(t *testing.T, handle string) (b []byte) {
	t.Helper()
	d.as(t, "orrel", func(ctx context.Context, tx *store.Tx, who triage.Staff) error {
		p, err := d.care.Find(ctx, tx, who, handle)
		if err == nil {
			b, err = d.care.Exports(ctx, tx, who, p.ID)
		}
		return err
	})
	return b
}

// Every cycle of the demo, some days on, and some that took another turn, against the
// definitions that HL7 has published, as the npm package fhir holds them.
func TestCyclesAreSoundFHIR(t *testing.T) {
	t.Parallel()
	d := scene(t)
	enter := func(handle string, facts ...plan.Fact) {
		d.as(t, "orrel", func(ctx context.Context, tx *store.Tx, who triage.Staff) error {
			p, err := d.care.Find(ctx, tx, who, handle)
			for _, f := range facts {
				if err == nil {
					_, err = d.care.Enter(ctx, tx, who, p.ID, f, 0)
				}
			}
			return err
		})
	}
	if err := d.forward(t.Context(), 30*time.Hour); err != nil {
		t.Fatal(err)
	}
	zone := d.policy.Location()
	day := civil.DateOf(d.time.Now().In(zone))
	yes, crl, dose := true, 4.2, 0.4
	enter("P-104", plan.Fact{Kind: plan.Cancelled, On: day, Reason: "she is ill"})
	enter("P-108", plan.Fact{Kind: plan.HCG, At: d.time.Now().In(zone).Add(-time.Hour), IUPerL: 2, Reported: plan.BelowNumber, Laboratory: "Invented Laboratory"})
	enter("P-105", plan.Fact{Kind: plan.Bloods, On: day, BloodProgesterone: &dose, Laboratory: "Invented Laboratory"})
	enter("P-109", plan.Fact{Kind: plan.Rhesus, On: day, Rh: plan.RhNegative})
	enter("P-112", plan.Fact{Kind: plan.OBScan, On: day, Viable: &yes, Site: "intrauterine", Sacs: 1, CRLMM: &crl, Heartbeat: &yes})
	var bundles [][]byte
	var handles []string
	seen := make(map[string]int)
	for n := 101; n <= 112; n++ {
		handle := fmt.Sprintf("P-%d", n)
		b := d.exported(t, handle)
		if again := d.exported(t, handle); !bytes.Equal(b, again) {
			t.Errorf("%s: a second export is not the same bytes", handle)
		}
		for _, kind := range []string{"Patient", "CarePlan", "Appointment", "MedicationRequest", "Observation", "Communication", "Task"} {
			seen[kind] += strings.Count(string(b), `"resourceType": "`+kind+`"`)
		}
		bundles, handles = append(bundles, b), append(handles, handle)
	}
	for kind, n := range map[string]int{"Patient": 12, "CarePlan": 12, "Appointment": 6, "MedicationRequest": 6, "Observation": 20, "Communication": 5, "Task": 5} {
		if seen[kind] < n {
			t.Errorf("%d of %s, want %d at least", seen[kind], kind, n)
		}
	}
	for i, v := range judged(t, bundles...) {
		if !v.Valid {
			t.Errorf("%s is not valid: %+v", handles[i], v.All)
		}
	}
	refersToWhatIsThere(t, bundles)
}

// refersToWhatIsThere follows every reference of a Bundle.
func refersToWhatIsThere(t *testing.T, bundles [][]byte) {
	t.Helper()
	for _, b := range bundles {
		var all struct {
			Entry []struct{ FullURL string }
		}
		if err := json.Unmarshal(b, &all); err != nil {
			t.Fatal(err)
		}
		there := make(map[string]bool)
		for _, e := range all.Entry {
			if there[e.FullURL] {
				t.Errorf("%s is there twice", e.FullURL)
			}
			there[e.FullURL] = true
		}
		for _, line := range strings.Split(string(b), "\n") {
			if _, to, found := strings.Cut(line, `"reference": "`); found {
				if to = strings.Trim(to, `",`); !there["https://handrail.example/fhir/"+to] {
					t.Errorf("%s leads nowhere", to)
				}
			}
		}
	}
}

// What is not valid is said to be so: the judge can fail.
func TestTheJudgeOfFHIRCanFail(t *testing.T) {
	t.Parallel()
	for _, v := range judged(t,
		[]byte(`{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"resourceType":"Task","id":"x","intent":"order","status":"half done"}}]}`),
		[]byte(`{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"resourceType":"Appointment","id":"x","status":"booked"}}]}`),
		[]byte(`{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"resourceType":"Observation","id":"x","status":"final","code":{"text":"x"},"colour":"red"}}]}`)) {
		if v.Valid {
			t.Error("what is not valid was taken")
		}
	}
}

// Something from a laboratory that names nobody for certain is matched in the chat: the
// list, both sides, the button. The patient hears nothing of it.
func TestWhatArrivedIsMatchedInTheChat(t *testing.T) {
	t.Parallel()
	d := scene(t)
	const orrel, citlali = 201, 105
	lh := 21.5
	d.as(t, "orrel", func(ctx context.Context, tx *store.Tx, who triage.Staff) error {
		_, err := d.care.TakeIn(ctx, tx, who, exchange.Item{Kind: exchange.Result, Source: "L-1", Number: "L-1", Content: []byte("1"), Says: "LH 21.5 [IU]/L", Claim: exchange.Claim{Names: []string{"Citlali Vern"}},
			Fact: plan.Fact{Kind: plan.Bloods, On: civil.DateOf(tx.Now.In(d.policy.Location())), LH: &lh, Laboratory: "Invented Laboratory"}})
		return err
	})
	last := func() loopback.Message {
		if err := d.forward(t.Context(), 2*time.Second); err != nil {
			t.Fatal(err)
		}
		all := d.server.Messages(orrel)
		return all[len(all)-1]
	}
	writes := func(text string, wants ...string) loopback.Message {
		t.Helper()
		if _, err := d.server.Write(orrel, text); err != nil {
			t.Fatal(err)
		}
		m := last()
		for _, want := range wants {
			if !strings.Contains(m.Text, want) {
				t.Fatalf("%q is answered with %q, want %q", text, m.Text, want)
			}
		}
		return m
	}
	writes("arrived", "1 wait", "LH 21.5", "Citlali Vern")
	writes("arrived 1", "It does not name just one patient", "May be: P-105 Citlali Vern")
	writes("llegado 7", "Nothing that arrived waits under the number 7")
	writes("arrived x", "arrived 3 P-105")
	before := len(d.server.Messages(citlali))
	m := writes("arrived 1 P-105", "Our patient: P-105 Citlali Vern", "LH 21.5 IU/L")
	if _, err := d.server.Press(orrel, m.ID, 0, 0); err != nil {
		t.Fatal(err)
	}
	if m := last(); !strings.Contains(m.Text, "Arrival 1 is saved for P-105 Citlali Vern") {
		t.Fatalf("%q", m.Text)
	}
	writes("arrived", "Nothing that arrived waits")
	for _, m := range d.server.Messages(citlali)[before:] {
		if strings.Contains(m.Text, "21.5") || strings.Contains(m.Text, "LH") {
			t.Errorf("the patient was told: %q", m.Text)
		}
	}
}

// What was taken out here and is handed in again changes nothing, whichever cycle it is.
func TestOwnExportsChangeNothing(t *testing.T) {
	t.Parallel()
	d := scene(t)
	for n := 101; n <= 112; n++ {
		handle := fmt.Sprintf("P-%d", n)
		b := d.exported(t, handle)
		in, err := exchange.Read(b, d.policy.Location())
		if err != nil {
			t.Fatalf("%s: %v", handle, err)
		}
		sum, err := d.takeIn(t.Context(), "orrel", in)
		if err != nil || sum.fates[care.SavedNow]+sum.fates[care.Waits] > 0 {
			t.Errorf("%s: %v %+v", handle, err, sum.fates)
		}
		if again := d.exported(t, handle); !bytes.Equal(b, again) {
			t.Errorf("%s: handing it in changed it", handle)
		}
	}
}

// What one clinic takes out, another that has the same patient takes in: her visits that
// lie ahead and her values; all that lies in the past or does not fit goes to a person.
func TestAnotherClinicsExport(t *testing.T) {
	t.Parallel()
	here, there := scene(t), scene(t)
	b := bytes.ReplaceAll(here.exported(t, "P-109"), []byte(here.policy.Clinic.Name), []byte("Another Clinic"))
	in, err := exchange.Read(b, there.policy.Location())
	if err != nil {
		t.Fatal(err)
	}
	sum, err := there.takeIn(t.Context(), "orrel", in)
	if err != nil || sum.fates[care.SavedNow] == 0 || len(in.Items) != sum.fates[care.SavedNow]+sum.fates[care.Waits] {
		t.Fatalf("%v %+v of %d", err, sum.fates, len(in.Items))
	}
	before := there.exported(t, "P-109")
	again, err := there.takeIn(t.Context(), "orrel", in)
	if err != nil || again.fates[care.Unchanged] != len(in.Items) {
		t.Errorf("the second time: %v %+v", err, again.fates)
	}
	if !bytes.Equal(before, there.exported(t, "P-109")) {
		t.Error("the second time changed something")
	}
}
