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

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// judge reads the files that it is given and prints for each whether it is valid
// against the published definitions of HL7 FHIR R4, with every error. Warnings and
// information are left out: they say that the validator holds no copy of LOINC.
const judge = `
const { Fhir } = require("fhir");
const fs = require("fs");
for (const file of process.argv.slice(1)) {
  const all = [];
  const look = (what, resource) => {
    const r = new Fhir().validate(resource, { errorOnUnexpected: true });
    for (const m of r.messages) if (!["info", "warning"].includes(m.severity)) all.push({ what, severity: m.severity, at: m.location, says: m.message });
    return r.valid;
  };
  const bundle = JSON.parse(fs.readFileSync(file));
  let valid = look("Bundle", bundle);
  for (const e of bundle.entry || []) valid = look(e.resource.resourceType + "/" + e.resource.id, e.resource) && valid;
  console.log(JSON.stringify({ valid, all }));
}`

// verdict is what the definitions say of one file.
type verdict struct {
	Valid bool
	All   []struct{ What, Severity, At, Says string }
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
