package main

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strings"
	"testing"
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
	if out := p.run(t.Context(), "export", "--config", p.config, "--by", "coordinator", "--as", "csv", "--list", "load", "--on", "2026-03-02", "--out", file); out.code != 0 || out.stdout != "" {
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
	if rows, err := csv.NewReader(strings.NewReader(string(b))).ReadAll(); err != nil || len(rows) != 29 || rows[1][0] != "2026-03-02" {
		t.Errorf("%v: %q", err, rows)
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
