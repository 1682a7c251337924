package records

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"handrail.example/dialog/phrase"
)

// schema is the newest dump: its tables with their columns and what they refer to.
func schema(t *testing.T) map[string]string {
	names, err := filepath.Glob("../../../testdata/schemas/*.sql")
	if err != nil || len(names) == 0 {
		t.Fatal("no dumps of the schema", err)
	}
	b, err := os.ReadFile(slices.Max(names))
	if err != nil {
		t.Fatal(err)
	}
	all := make(map[string]string)
	for _, part := range strings.Split(string(b), "CREATE TABLE ")[1:] {
		name, rest, _ := strings.Cut(part, "(")
		all[strings.Trim(strings.TrimSpace(name), `"`)] = inside(rest)
	}
	if len(all) < 20 {
		t.Fatalf("only %d tables found", len(all))
	}
	return all
}

// faults compares the tables here with a schema.
func faults(schema map[string]string, tables []table, others map[string]string) (all []string) {
	known := make(map[string]table)
	for _, t := range tables {
		known[t.name] = t
	}
	for name, body := range schema {
		t, hers := known[name]
		if !hers && others[name] == "" {
			all = append(all, name+" is neither among a patient's tables nor among the others")
		}
		refers := regexp.MustCompile(`REFERENCES (people|patients|cycles|facts|outbox|cases|inbox)\b`).FindString(body)
		if !hers && refers != "" && name != "staff" && name != "closed_days" {
			all = append(all, name+" refers to a patient ("+refers+") and is not shown to her")
		}
		if hers {
			all = append(all, columnFaults(name, body, t)...)
		}
	}
	for name := range known {
		if schema[name] == "" {
			all = append(all, name+" is no table")
		}
	}
	return all
}

func columnFaults(name, body string, t table) (all []string) {
	for _, line := range strings.Split(depthless(body), ",") {
		words := strings.Fields(strings.Trim(strings.TrimSpace(line), `"`))
		if len(words) < 2 || slices.Contains([]string{"CHECK", "UNIQUE", "PRIMARY", "FOREIGN", "CONSTRAINT"}, words[0]) {
			continue
		}
		it := strings.Trim(words[0], `"`)
		shown := slices.ContainsFunc(t.columns, func(c column) bool { return c.name == it })
		if !shown && t.left[it] == "" {
			all = append(all, name+"."+it+" is neither shown nor left out for a reason")
		}
	}
	return all
}

// inside is what stands before the parenthesis that closes what was opened.
func inside(s string) string {
	depth := 1
	for i, r := range s {
		switch r {
		case '(':
			depth++
		case ')':
			if depth--; depth == 0 {
				return s[:i]
			}
		}
	}
	return s
}

// depthless takes away what stands in parentheses, so that commas part columns only.
func depthless(s string) string {
	var b strings.Builder
	depth := 0
	for _, r := range s {
		switch {
		case r == '(':
			depth++
		case r == ')':
			depth--
		case depth == 0:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// Everything that could hold something about a patient is shown to her, or left out for
// a reason that is written down: a new table or column fails this until it is.
func TestEveryTableIsShown(t *testing.T) {
	t.Parallel()
	for _, f := range faults(schema(t), tables, others) {
		t.Error(f)
	}
	book := phrase.MustLoad()
	for _, x := range tables {
		if !book.Has("records." + x.name) {
			t.Errorf("records.%s is not in the phrasebook", x.name)
		}
		for _, c := range x.columns {
			if !book.Has("records.of." + c.name) {
				t.Errorf("records.of.%s is not in the phrasebook", c.name)
			}
		}
	}
}

func TestEveryTableCanFail(t *testing.T) {
	t.Parallel()
	s := schema(t)
	s["supply"] = "id INTEGER PRIMARY KEY, patient_id INTEGER REFERENCES patients (id)"
	s["facts"] += ", mood TEXT"
	got := faults(s, tables, others)
	if len(got) != 3 {
		t.Errorf("a new table and a new column give %q", got)
	}
	if got := faults(s, tables, map[string]string{"supply": "nothing"}); len(got) < 2 {
		t.Errorf("a table that refers to a patient and is called another's gives %q", got)
	}
}
