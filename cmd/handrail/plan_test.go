package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/emersion/go-ical"
)

// said is what a command line printed and its exit code.
type said struct {
	out, err string
	code     int
}

// handrail runs one command line in the process.
func handrail(t *testing.T, stdin string, args ...string) said {
	t.Helper()
	var out, errs bytes.Buffer
	err := run(context.Background(), args, func(string) string { return "" }, strings.NewReader(stdin), &out, &errs)
	code := exitCode(err, &errs)
	return said{out.String(), errs.String(), code}
}

func file(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// printed is the JSON of a plan, read as another program would.
type printed struct {
	CycleDayOne string `json:"cycle_day_one"`
	Steps       []struct {
		Step, From, To, On, At, Status string
		Reasons                        []string
	}
	Conflicts []struct {
		Step, Why    string
		Alternatives []string
	}
	Gestation *struct {
		DueDate     string `json:"due_date"`
		Weeks, Days int
	}
	HCG *struct {
		IntervalH  *float64 `json:"interval_h"`
		Rise48hPct *float64 `json:"rise_48h_pct"`
		MinimumPct *float64 `json:"minimum_pct"`
		Verdict    string
	}
}

func planJSON(t *testing.T, facts, asOf string, more ...string) printed {
	t.Helper()
	got := handrail(t, facts, append([]string{"plan", "--facts", "-", "--as-of", asOf, "--json"}, more...)...)
	if got.code != 0 || got.err != "" {
		t.Fatalf("exit %d: %s", got.code, got.err)
	}
	dec := json.NewDecoder(strings.NewReader(got.out))
	dec.DisallowUnknownFields()
	var p printed
	if err := dec.Decode(&p); err != nil {
		t.Fatalf("%v in\n%s", err, got.out)
	}
	return p
}

// thanksgiving is a whole cycle; its transfer, tests and due date are the
// published chain of testdata/checks/cycles.yaml.
const thanksgiving = `[
{"fact":"period_start","at":"2026-10-28T08:15"},
{"fact":"baseline","on":"2026-10-30","decision":"start","cyst_mm":8,"estradiol_pg_ml":38},
{"fact":"order","id":"let","drug":"letrozole","dose":5,"unit":"mg","times":["20:00"],"from":"2026-10-30","stop":{"after_doses":5}},
{"fact":"scan","on":"2026-11-07","right_mm":[18,12],"left_mm":[9],"lining_mm":8.1,"pattern":"trilaminar"},
{"fact":"trigger_order","at":"2026-11-09T22:00","drug":"hCG","dose":10000,"unit":"IU"},
{"fact":"trigger","at":"2026-11-09T22:00"},
{"fact":"order","id":"prog","drug":"progesterone","dose":200,"unit":"mg","times":["08:00","20:00"],"from":"2026-11-11","stop":"order"},
{"fact":"transfer","on":"2026-11-16","embryo_day":5,"embryos":1},
{"fact":"hcg","at":"2026-11-25T08:00","iu_per_l":120},
{"fact":"hcg","at":"2026-11-27T08:00","iu_per_l":300}]`

func TestPlanAsJSON(t *testing.T) {
	t.Parallel()
	p := planJSON(t, thanksgiving, "2026-11-28")
	var rows []string
	for _, s := range p.Steps {
		rows = append(rows, strings.Join([]string{s.Step, s.From, s.To, s.On, s.At, s.Status}, " "))
		if len(s.Reasons) == 0 {
			t.Errorf("%s has no reasons", s.Step)
		}
	}
	want := []string{
		"baseline 2026-10-29 2026-10-31 2026-10-30  done",
		"stimulation 2026-10-30 2026-11-03 2026-10-30 2026-10-30T20:00:00-05:00 done",
		"monitoring 2026-11-06 2026-11-08 2026-11-07  done",
		"trigger 2026-11-09 2026-11-09 2026-11-09 2026-11-09T22:00:00-06:00 done",
		"luteal_progesterone 2026-11-11 2027-01-06 2026-11-11 2026-11-11T08:00:00-06:00 due",
		"transfer 2026-11-16 2026-11-16 2026-11-16  done",
		"hcg_first 2026-11-25 2026-11-30 2026-11-25 2026-11-25T08:00:00-06:00 done",
		"hcg_repeat 2026-11-27 2026-11-29 2026-11-27 2026-11-27T08:00:00-06:00 done",
		"ob_ultrasound 2026-12-09 2026-12-16 2026-12-09  projected",
		"luteal_end 2026-12-23 2027-01-06 2026-12-23  projected",
	}
	if !slices.Equal(rows, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(rows, "\n"), strings.Join(want, "\n"))
	}
	if p.CycleDayOne != "2026-10-28" || len(p.Conflicts) != 0 {
		t.Errorf("got day one %s and conflicts %v", p.CycleDayOne, p.Conflicts)
	}
	if g := p.Gestation; g == nil || g.DueDate != "2027-08-04" || g.Weeks != 4 || g.Days != 3 {
		t.Errorf("got gestation %+v", g)
	}
	if h := p.HCG; h == nil || *h.IntervalH != 48 || *h.Rise48hPct != 150 || *h.MinimumPct != 49 || h.Verdict != "at_or_above_minimum" {
		t.Errorf("got hCG %+v", h)
	}
}

func TestEmptyPlanHasItsLists(t *testing.T) {
	t.Parallel()
	got := handrail(t, "[]", "plan", "--json")
	for _, want := range []string{`"steps": []`, `"conflicts": []`} {
		if !strings.Contains(got.out, want) {
			t.Errorf("got %s, want %s", got.out, want)
		}
	}
}

func TestConflictAsJSON(t *testing.T) {
	t.Parallel()
	p := planJSON(t, `[{"fact":"period_start","at":"2026-03-02T08:15"},{"fact":"trigger_order","at":"2026-03-15T22:00","drug":"hCG","dose":10000,"unit":"IU"}]`, "2026-03-13")
	if len(p.Conflicts) != 1 || p.Conflicts[0].Step != "transfer" ||
		!slices.Equal(p.Conflicts[0].Alternatives, []string{"2026-03-13", "2026-03-16", "2026-03-17", "2026-03-18"}) {
		t.Errorf("got %+v", p.Conflicts)
	}
	for _, s := range p.Steps {
		if s.Step == "transfer" && (s.On != "" || s.From != "2026-03-22" || s.To != "2026-03-22") {
			t.Errorf("got %+v, want no day and the window kept", s)
		}
	}
}

// TestRefusedInput: nothing on standard output, one line on standard error, and
// the exit code 2.
func TestRefusedInput(t *testing.T) {
	t.Parallel()
	oneFault := file(t, "one.yaml", "clinic: {zone: Mars/Olympus}")
	faults := file(t, "many.yaml", "clinic: {zone: Mars/Olympus, colour: red}")
	for _, c := range []struct {
		name, stdin, want string
		args              []string
	}{
		{"transfer before trigger", `[{"fact":"trigger","at":"2026-03-16T22:00"},{"fact":"transfer","id":"x1","on":"2026-03-14","embryo_day":5,"embryos":1}]`, "fact 2 (transfer, id x1)", []string{"plan", "--as-of", "2026-04-01"}},
		{"transfer before trigger, JSON", `[{"fact":"trigger","at":"2026-03-16T22:00"},{"fact":"transfer","on":"2026-03-14"}]`, "transfer", []string{"plan", "--json", "--as-of", "2026-04-01"}},
		{"transfer before trigger, calendar file", `[{"fact":"trigger","at":"2026-03-16T22:00"},{"fact":"transfer","on":"2026-03-14"}]`, "transfer", []string{"plan", "--ics", "--as-of", "2026-04-01"}},
		{"no JSON", `facts`, "not a JSON list of facts", []string{"plan"}},
		{"nothing", ``, "not a JSON list of facts", []string{"plan", "--facts", "-"}},
		{"no such facts", ``, "no such file", []string{"plan", "--facts", "/nowhere/facts.json"}},
		{"no such policy", `[]`, "no such file", []string{"plan", "--policy", "/nowhere/policy.yaml"}},
		{"policy with a fault", `[]`, "clinic.zone", []string{"plan", "--policy", oneFault}},
		{"policy with faults", `[]`, "1 more", []string{"plan", "--policy", faults}},
		{"as of nothing", `[]`, "--as-of", []string{"plan", "--as-of", "today"}},
		{"two forms", `[]`, "exclude each other", []string{"plan", "--json", "--ics"}},
		{"unknown flag", `[]`, "colour", []string{"plan", "--colour"}},
		{"a word too many", `[]`, "not understood", []string{"plan", "please"}},
		{"unknown command", ``, "is not a command", []string{"dance"}},
		{"policy with arguments", ``, "takes no arguments", []string{"policy", "mine"}},
		{"check of nothing", ``, "--policy or --config", []string{"check"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			got := handrail(t, c.stdin, c.args...)
			if got.code != 2 || got.out != "" || !strings.Contains(got.err, c.want) || strings.Count(got.err, "\n") != 1 {
				t.Errorf("got exit %d, output %q, error %q; want 2 and one line with %q", got.code, got.out, got.err, c.want)
			}
		})
	}
}

func TestNoArguments(t *testing.T) {
	t.Parallel()
	got := handrail(t, "")
	if got.code != 2 || got.out != "" || !strings.Contains(got.err, "handrail plan") {
		t.Errorf("got %+v", got)
	}
	if got := handrail(t, "", "help"); got.code != 0 || !strings.Contains(got.out, "handrail policy") {
		t.Errorf("help: got %+v", got)
	}
}

func TestAsOfADayOrAMinute(t *testing.T) {
	t.Parallel()
	facts := `[{"fact":"hcg","at":"2026-03-02T23:30","iu_per_l":3}]`
	for _, c := range []struct {
		asOf string
		code int
	}{
		{"2026-03-02", 0}, {"2026-03-02T23:30", 0}, {"2026-03-02T23:29", 2}, {"2026-03-03T05:30:00Z", 0}, {"2026-03-03T05:29:00Z", 2}, {"2026-03-01", 2},
	} {
		if got := handrail(t, facts, "plan", "--as-of", c.asOf); got.code != c.code {
			t.Errorf("as of %s: got exit %d (%s), want %d", c.asOf, got.code, got.err, c.code)
		}
	}
	if got := handrail(t, `[{"fact":"hcg","at":"2100-01-01T08:00","iu_per_l":3}]`, "plan"); got.code != 2 {
		t.Errorf("a result after the present: got exit %d", got.code)
	}
}

func TestPlanInWords(t *testing.T) {
	t.Parallel()
	facts := file(t, "facts.json", `[{"fact":"period_start","at":"2026-03-06T07:30"},{"fact":"visit","step":"monitoring","at":"2026-03-15T08:00"}]`)
	got := handrail(t, "", "plan", "--facts", facts, "--as-of", "2026-03-08")
	for _, want := range []string{
		"cycle day one  Fri 2026-03-06",
		"cycle day 3 is Sunday, clinic closed; day 2 is the nearest open day in the window 2 to 4",
		"conflict: monitoring: 2026-03-15 is Sunday, clinic closed",
		"to settle, since Sat 2026-03-07 16:00: baseline: planned for 2026-03-07 and not on record",
	} {
		if !strings.Contains(got.out, want) {
			t.Errorf("%q is not in\n%s", want, got.out)
		}
	}
	after := handrail(t, thanksgiving, "plan", "--as-of", "2026-11-28")
	for _, want := range []string{"at or above the published minimum; does not exclude an ectopic pregnancy", "gestation 4w3d, due date Wed 2027-08-04 (not to be told before a viable scan)"} {
		if !strings.Contains(after.out, want) {
			t.Errorf("%q is not in\n%s", want, after.out)
		}
	}
}

func TestPlanAsCalendarFile(t *testing.T) {
	t.Parallel()
	got := handrail(t, thanksgiving, "plan", "--as-of", "2026-11-28", "--ics")
	cal, err := ical.NewDecoder(strings.NewReader(got.out)).Decode()
	if err != nil || got.code != 0 {
		t.Fatalf("exit %d: %v", got.code, err)
	}
	if n := len(cal.Events()); n != 10 {
		t.Errorf("got %d events, want 10", n)
	}
}

// TestPrintedPolicyIsAPolicy: what handrail policy prints is sound, can be used,
// and a change in it counts.
func TestPrintedPolicyIsAPolicy(t *testing.T) {
	t.Parallel()
	text := handrail(t, "", "policy").out
	same := file(t, "policy.yaml", text)
	if got := handrail(t, "", "check", "--policy", same); got.code != 0 || got.err != "" || !strings.Contains(got.out, "sound") {
		t.Errorf("got %+v", got)
	}
	facts := `[{"fact":"period_start","at":"2026-03-06T16:30"}]`
	if p := planJSON(t, facts, "2026-03-06", "--policy", same); p.CycleDayOne != "2026-03-06" {
		t.Errorf("got day one %s", p.CycleDayOne)
	}
	changed := file(t, "changed.yaml", strings.Replace(text, `period_cut_off: "17:00"`, `period_cut_off: "16:00"`, 1))
	if p := planJSON(t, facts, "2026-03-06", "--policy", changed); p.CycleDayOne != "2026-03-07" {
		t.Errorf("with another cut-off: got day one %s", p.CycleDayOne)
	}
}

func TestCheckNamesEveryFault(t *testing.T) {
	t.Parallel()
	bad := file(t, "bad.yaml", "clinic: {zone: Mars/Olympus, colour: red}\nopening: {days: [funday]}\nlab: {transfers_per_day: 0}\n")
	got := handrail(t, "", "check", "--policy", bad)
	if got.code != 2 || got.out != "" {
		t.Errorf("got exit %d and %q", got.code, got.out)
	}
	for _, want := range []string{"4 faults", "clinic.zone: Mars/Olympus: must be", "clinic.colour: unknown key: known here", "opening.days[0]: funday: must be one of mon", "lab.transfers_per_day: 0: must be 1 to 100"} {
		if !strings.Contains(got.err, want) {
			t.Errorf("%q is not in\n%s", want, got.err)
		}
	}
	if got := handrail(t, "", "check", "--policy", "/nowhere/p.yaml"); got.code != 2 || !strings.Contains(got.err, "no such file") {
		t.Errorf("got %+v", got)
	}
}

func TestOtherZone(t *testing.T) {
	t.Parallel()
	policy := file(t, "madrid.yaml", "clinic: {zone: Europe/Madrid, emergency_number: \"112\"}\n")
	p := planJSON(t, `[{"fact":"trigger","at":"2026-03-28T22:00"}]`, "2026-03-29", "--policy", policy)
	for _, s := range p.Steps {
		if s.Step == "trigger" && s.At != "2026-03-28T22:00:00+01:00" {
			t.Errorf("got %s", s.At)
		}
		if s.Step == "transfer" && s.From != "2026-04-04" {
			t.Errorf("over the change of the clocks: got the transfer on %s", s.From)
		}
	}
}
