package plan

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/goccy/go-yaml"

	"handrail.example/reminders/civil"
)

// checkTable reads a table of published values from testdata/checks.
func checkTable(t *testing.T, name string, into any) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "checks", name))
	if err != nil {
		t.Fatal(err)
	}
	if err := yaml.UnmarshalWithOptions(b, into, yaml.Strict()); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
}

// policyWith is the default policy with some YAML laid over it.
func policyWith(t testing.TB, text string) Policy {
	t.Helper()
	p, err := ParsePolicy([]byte(text))
	if err != nil {
		t.Fatalf("policy: %v", err)
	}
	return p
}

// alwaysOpen is a clinic and laboratory that never close, in a zone.
func alwaysOpen(t testing.TB, zone string) Policy {
	t.Helper()
	return policyWith(t, `
clinic: {zone: `+zone+`}
opening: {days: [mon, tue, wed, thu, fri, sat, sun], calendar: {of: ""}, holidays: []}
lab: {days: [mon, tue, wed, thu, fri, sat, sun]}`)
}

func mustFacts(t testing.TB, p Policy, text string) []Fact {
	t.Helper()
	facts, err := ParseFacts([]byte(text), p.Location())
	if err != nil {
		t.Fatalf("facts: %v", err)
	}
	return facts
}

// built is the plan of facts given as JSON, as of the end of a day.
func built(t testing.TB, p Policy, day, facts string) Plan {
	t.Helper()
	out, err := Build(p, mustFacts(t, p, facts), asOf(p, day))
	if err != nil {
		t.Fatalf("build: %v", err)
	}
	return out
}

func asOf(p Policy, day string) time.Time {
	return civil.MustDate(day).At(civil.MustTime("23:59"), p.Location())
}

func onlyStep(t testing.TB, p Plan, name StepName) Step {
	t.Helper()
	rows := p.StepsOf(name)
	if len(rows) != 1 {
		t.Fatalf("got %d rows of %s, want 1: %s", len(rows), name, show(rows))
	}
	return rows[0]
}

func show(v any) string {
	b, err := json.MarshalIndent(v, "", " ")
	if err != nil {
		return err.Error()
	}
	return string(b)
}

func conflictsOf(p Plan, name StepName) []Conflict {
	var out []Conflict
	for _, c := range p.Conflicts {
		if c.Step == name {
			out = append(out, c)
		}
	}
	return out
}

// flaw says how a plan breaks what must hold of every plan, "" when it does not.
// It knows the rules only from the outside: open days by the policy's lists.
func flaw(p Policy, got Plan) string {
	keys := map[string]bool{}
	for _, s := range got.Steps {
		if keys[s.Key] {
			return "two rows have the key " + s.Key
		}
		keys[s.Key] = true
		if f := stepFlaw(p, got, s); f != "" {
			return s.Key + ": " + f
		}
	}
	if !slices.IsSortedFunc(got.Doses, func(x, y Dose) int { return x.At.Compare(y.At) }) {
		return "doses are not in order of time"
	}
	for _, c := range got.Conflicts {
		if _, known := words[c.Why.Code]; !known {
			return "no words for " + c.Why.Code
		}
	}
	for _, o := range got.Open {
		if _, known := words[o.Why.Code]; !known || o.Due.IsZero() || o.Key == "" {
			return "an open end without words, time or key: " + o.Key
		}
	}
	return ""
}

func stepFlaw(p Policy, got Plan, s Step) string {
	inConflict := slices.ContainsFunc(got.Conflicts, func(c Conflict) bool { return c.Key == s.Key })
	if s.From.IsZero() || s.To.IsZero() || s.To.Before(s.From) {
		return fmt.Sprintf("window %s to %s", s.From, s.To)
	}
	for _, r := range s.Reasons {
		if _, known := words[r.Code]; !known {
			return "no words for " + r.Code
		}
		if w := r.Words(); slices.Contains([]rune(w), '{') {
			return "a reason with a gap: " + w
		}
	}
	if s.Status == Dropped || inConflict {
		return ""
	}
	if s.On.IsZero() {
		return "no day and no conflict"
	}
	if s.On.Before(s.From) || s.On.After(s.To) {
		return fmt.Sprintf("%s outside %s to %s and no conflict", s.On, s.From, s.To)
	}
	if why := shut(p, s); why != "" {
		return why + " and no conflict"
	}
	return ""
}

func shut(p Policy, s Step) string {
	days, closed := p.Opening.Days, slices.Concat(p.Opening.Holidays, listedHolidays)
	switch s.Name {
	case Transfer:
		days, closed = p.Lab.Days, slices.Concat(closed, p.Lab.Holidays)
		if slices.Contains(p.Lab.Full, s.On) && s.Status != Done {
			return "laboratory full on " + s.On.String()
		}
	case Baseline, Monitoring, HCGFirst, HCGRepeat, OBUltrasound, FollowUp:
	default:
		return ""
	}
	if !slices.Contains(days, Weekday(s.On.Weekday())) {
		return "closed on " + s.On.Weekday().String()
	}
	if slices.ContainsFunc(closed, func(h Holiday) bool { return h.On == s.On }) {
		return "a holiday on " + s.On.String()
	}
	return ""
}
