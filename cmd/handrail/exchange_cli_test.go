package main

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"handrail.example/reminders/civil"
)

// atDesk is a clinic with one coordinator, one administrator and one patient, by the
// commands alone.
func atDesk(t *testing.T) *premises {
	t.Helper()
	p := newPremises(t, polling)
	for _, role := range []string{"coordinator", "administrator"} {
		if out := p.run(t.Context(), "staff", "add", "--config", p.config, "--handle", role, "--name", "Invented", "--role", role); out.code != 0 {
			t.Fatal(out)
		}
	}
	return p
}

func TestExportByCommand(t *testing.T) {
	t.Parallel()
	p := atDesk(t)
	file := filepath.Join(p.folder, "load.csv")
	if out := p.run(t.Context(), "export", "--config", p.config, "--by", "coordinator", "--as", "csv", "--list", "load", "--out", file); out.code != 0 || out.stdout != "" {
		t.Fatal(out)
	}
	info, err := os.Stat(file)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the file: %v %v", info.Mode(), err)
	}
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if rows, err := csv.NewReader(strings.NewReader(string(b))).ReadAll(); err != nil || len(rows) != 29 {
		t.Errorf("%v: %q", err, rows)
	} else if first := civil.MustDate(rows[1][0]); first.AddDays(27) != civil.MustDate(rows[28][0]) {
		t.Errorf("not four weeks: %q", rows)
	}
	for name, k := range map[string]struct {
		args  []string
		words string
	}{
		"nobody takes it out":      {[]string{"--as", "csv", "--list", "day"}, "--by"},
		"an administrator":         {[]string{"--by", "administrator", "--as", "csv", "--list", "day"}, "administrator"},
		"somebody who is no staff": {[]string{"--by", "nobody", "--as", "csv", "--list", "day"}, ""},
		"no list":                  {[]string{"--by", "coordinator", "--as", "csv", "--list", "secrets"}, "day, tonight"},
		"no day":                   {[]string{"--by", "coordinator", "--as", "csv", "--list", "day", "--on", "soon"}, "2026-03-02"},
		"the load of a day":        {[]string{"--by", "coordinator", "--as", "csv", "--list", "load", "--on", "2026-03-02"}, "today"},
		"no patient":               {[]string{"--by", "coordinator", "--as", "fhir", "--of", "P-999"}, "P-999"},
		"a list of somebody":       {[]string{"--by", "coordinator", "--as", "csv", "--of", "P-101", "--list", "day"}, "--list"},
		"an unknown form":          {[]string{"--by", "coordinator", "--as", "pdf", "--of", "P-101"}, "--as fhir"},
	} {
		out := p.run(t.Context(), append([]string{"export", "--config", p.config}, k.args...)...)
		p.refusedOutcome(out, 2, k.words)
		if out.stdout != "" {
			t.Errorf("%s: something came out: %s", name, out.stdout)
		}
	}
}

// labBundle is a Bundle as a laboratory sends it, about somebody.
const labBundle = `{"resourceType":"Bundle","type":"collection","entry":[
 {"fullUrl":"urn:uuid:1","resource":{"resourceType":"Patient","identifier":[{"system":"https://handrail.example/patient-handle","value":"P-101"}],"name":[{"text":"NAME"}]}},
 {"resource":{"resourceType":"Observation","identifier":[{"system":"urn:oid:1.2.3","value":"L-1"}],"status":"final","code":{"coding":[{"system":"http://loinc.org","code":"10501-5"}]},
  "subject":{"reference":"urn:uuid:1"},"effectiveDateTime":"2026-03-02","performer":[{"display":"Invented Laboratory"}],
  "valueQuantity":{"value":7.5,"system":"http://unitsofmeasure.org","code":"m[IU]/mL"}}},
 {"resource":{"resourceType":"Device","id":"x"}}]}`

func TestImportByCommand(t *testing.T) {
	t.Parallel()
	p := atDesk(t)
	file := filepath.Join(p.folder, "lab.json")
	p.write(file, strings.Replace(labBundle, "NAME", "Citlali Vern", 1))
	take := func(args ...string) outcome {
		return p.run(t.Context(), append([]string{"import", "--config", p.config}, args...)...)
	}
	first := take("--by", "coordinator", "--as", "fhir", file)
	if first.code != 0 || !strings.HasPrefix(first.stdout, "0 saved, 1 to be matched by a person") || !strings.Contains(first.stdout, "1 resources of other kinds") {
		t.Fatal(first)
	}
	if again := take("--by", "coordinator", "--as", "fhir", file); again.code != 0 || !strings.HasPrefix(again.stdout, "0 saved, 0 to be matched") || !strings.Contains(again.stdout, "1 known already") {
		t.Error(again)
	}
	bad := filepath.Join(p.folder, "bad.json")
	p.write(bad, strings.Replace(labBundle, `"value":"L-1"`, `"value":""`, 1))
	for name, k := range map[string]struct {
		args  []string
		words string
	}{
		"an administrator":        {[]string{"--by", "administrator", "--as", "fhir", file}, "administrator"},
		"nobody":                  {[]string{"--as", "fhir", file}, "--by"},
		"no file":                 {[]string{"--by", "coordinator", "--as", "fhir"}, "FILE"},
		"a file that is not":      {[]string{"--by", "coordinator", "--as", "fhir", filepath.Join(p.folder, "other.json")}, "readable"},
		"another form":            {[]string{"--by", "coordinator", "--as", "csv", file}, "fhir"},
		"one without identifiers": {[]string{"--by", "coordinator", "--as", "fhir", bad}, "nothing of it was taken in"},
		"no Bundle":               {[]string{"--by", "coordinator", "--as", "fhir", p.config}, "Bundle"},
		"nothing on the input":    {[]string{"--by", "coordinator", "--as", "fhir", "-"}, "Bundle"},
	} {
		out := take(k.args...)
		p.refusedOutcome(out, 2, k.words)
		for _, canary := range []string{"Citlali", "Vern", "7.5"} {
			if strings.Contains(out.stderr+out.stdout, canary) {
				t.Errorf("%s: %q stands in what it said: %s", name, canary, out.stderr)
			}
		}
	}
}
