package plan

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/emersion/go-ical"
	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"handrail.example/reminders/civil"
)

// readICS reads a calendar file with a parser that is not the writer's.
func readICS(t *testing.T, b []byte) map[string]ical.Event {
	t.Helper()
	cal, err := ical.NewDecoder(bytes.NewReader(b)).Decode()
	if err != nil {
		t.Fatalf("%v in\n%s", err, b)
	}
	out := map[string]ical.Event{}
	for _, e := range cal.Events() {
		uid, err := e.Props.Text(ical.PropUID)
		if err != nil || uid == "" {
			t.Fatalf("an event without UID: %v", err)
		}
		if _, twice := out[uid]; twice {
			t.Fatalf("two events with UID %s", uid)
		}
		out[uid] = e
	}
	return out
}

func calendarOf(t *testing.T, p Plan, o ICSOptions) []byte {
	t.Helper()
	b, err := ICS(p, o)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestCalendarFileReadsBack(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	got := built(t, p, "2026-03-13", "["+cycle+`,{"fact":"visit","step":"monitoring","at":"2026-03-12T07:40"}]`)
	events := readICS(t, calendarOf(t, got, ICSOptions{Cycle: "c7", Clinic: p.Clinic.Name}))
	rows := map[StepName]int{}
	for _, s := range got.Steps {
		rows[s.Name]++
		e, ok := events[fmt.Sprintf("%s-%d.c7@handrail", s.Name, rows[s.Name])]
		if ok == s.On.IsZero() {
			t.Errorf("%s: an event: %v, a day: %s", s.Key, ok, s.On)
			continue
		}
		start, err := e.DateTimeStart(p.Location())
		if err != nil {
			t.Fatal(err)
		}
		switch {
		case s.At.IsZero() && civil.DateOf(start) != s.On:
			t.Errorf("%s: got %s, want the day %s", s.Key, start, s.On)
		case !s.At.IsZero() && !start.Equal(s.At):
			t.Errorf("%s: got %s, want %s", s.Key, start, s.At)
		}
		status, err := e.Props.Text(ical.PropStatus)
		if want := (s.Status == Dropped); err != nil || (status == "CANCELLED") != want {
			t.Errorf("%s, %s: got status %s %v", s.Key, s.Status, status, err)
		}
	}
	if len(events) != len(got.Steps) {
		t.Errorf("got %d events of %d steps", len(events), len(got.Steps))
	}
}

// TestCalendarFileUpdates: when the plan moves an event keeps its UID and its
// SEQUENCE grows, and a cancelled cycle cancels the events.
func TestCalendarFileUpdates(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	was := readICS(t, calendarOf(t, built(t, p, "2026-03-13", "["+cycle+"]"), ICSOptions{}))
	later := `,{"fact":"trigger_order","id":"t2","replaces":"t","at":"2026-03-17T22:00","drug":"hCG","dose":10000,"unit":"IU"}`
	is := readICS(t, calendarOf(t, built(t, p, "2026-03-13", "["+cycle+later+"]"), ICSOptions{}))
	for uid, e := range is {
		old, ok := was[uid]
		if !ok {
			t.Errorf("%s is new", uid)
			continue
		}
		if sequence(t, e) <= sequence(t, old) {
			t.Errorf("%s: SEQUENCE %d after %d", uid, sequence(t, e), sequence(t, old))
		}
	}
	over := `,{"fact":"cancelled","on":"2026-03-13","reason":"thin lining"}`
	for uid, e := range readICS(t, calendarOf(t, built(t, p, "2026-03-13", "["+cycle+over+"]"), ICSOptions{})) {
		status, _ := e.Props.Text(ical.PropStatus)
		done := strings.HasPrefix(uid, "baseline") || strings.HasPrefix(uid, "stimulation")
		if (status == "CANCELLED") == done {
			t.Errorf("%s: got status %s after the cancellation", uid, status)
		}
	}
}

func sequence(t *testing.T, e ical.Event) int {
	t.Helper()
	n, err := e.Props.Get(ical.PropSequence).Int()
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// TestCalendarFileTellsStrangersNothing: the words on a locked screen.
func TestCalendarFileTellsStrangersNothing(t *testing.T) {
	t.Parallel()
	got := built(t, DefaultPolicy(), "2026-03-13", "["+cycle+"]")
	text := strings.ToLower(string(calendarOf(t, got, ICSOptions{})))
	for _, word := range []string{"letrozole", "hcg 10000", "embryo", "pregnan", "progest", "negative", "thin"} {
		for line := range strings.Lines(text) {
			if strings.Contains(line, word) && !strings.HasPrefix(line, "uid:") {
				t.Errorf("a line of the file says %q: %s", word, line)
			}
		}
	}
	keep := func(s Step) bool { return !ResultBound(s) }
	for uid := range readICS(t, calendarOf(t, got, ICSOptions{Keep: keep})) {
		for _, hint := range []string{"hcg-repeat", "hcg_repeat", "ob_ultrasound", "luteal_end", "follow_up"} {
			if strings.Contains(uid, hint) {
				t.Errorf("%s gives a result away", uid)
			}
		}
	}
	titled := calendarOf(t, got, ICSOptions{Title: func(s Step) string { return "Visita, " + string(s.Name) + "; ñandú" }})
	for _, e := range readICS(t, titled) {
		if title, err := e.Props.Text(ical.PropSummary); err != nil || !strings.HasSuffix(title, "; ñandú") {
			t.Errorf("got title %q, %v", title, err)
		}
	}
}

func TestCalendarFileIsTheSameTwice(t *testing.T) {
	t.Parallel()
	got := built(t, DefaultPolicy(), "2026-03-13", "["+cycle+"]")
	a, b := calendarOf(t, got, ICSOptions{}), calendarOf(t, got, ICSOptions{})
	if !bytes.Equal(a, b) {
		t.Error("two files of one plan differ")
	}
	if !bytes.Contains(a, []byte("\r\n")) || bytes.Contains(bytes.ReplaceAll(a, []byte("\r\n"), nil), []byte("\n")) {
		t.Error("lines do not end in CR LF (RFC 5545, section 3.1)")
	}
	if stamp := got.AsOf.UTC().Format("20060102T150405Z"); !bytes.Contains(a, []byte("DTSTAMP:"+stamp)) {
		t.Errorf("no DTSTAMP %s: the file knows another now", stamp)
	}
}

// diary is a calendar program that takes in one file after another as RFC 5545 has it:
// an event replaces the one of its UID when its SEQUENCE is not lower, and one that is
// CANCELLED is taken out.
type diary map[string]ical.Event

func (d diary) take(t *testing.T, file []byte) {
	t.Helper()
	if !bytes.Contains(file, []byte("METHOD:PUBLISH\r\n")) {
		t.Error("the file has no METHOD")
	}
	for uid, e := range readICS(t, file) {
		if old, known := d[uid]; known && sequence(t, e) < sequence(t, old) {
			t.Errorf("%s: SEQUENCE %d after %d", uid, sequence(t, e), sequence(t, old))
			continue
		}
		d[uid] = e
	}
}

// standing are the events that it shows, as "UID start title".
func (d diary) standing(t *testing.T) []string {
	t.Helper()
	var out []string
	for uid, e := range d {
		status, err := e.Props.Text(ical.PropStatus)
		if err != nil {
			t.Fatal(err)
		}
		if start := e.Props.Get(ical.PropDateTimeStart); status != "CANCELLED" {
			out = append(out, uid+" "+start.Value)
		}
	}
	slices.Sort(out)
	return out
}

// TestADiaryIsUpdatedTwice: a program that takes in three files of a cycle, one after
// the other, shows what it would show had it taken in the last alone: nothing doubled,
// nothing left over.
func TestADiaryIsUpdatedTwice(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	stages := []string{
		`{"fact":"period_start","id":"a","at":"2026-03-02T08:15"},{"fact":"baseline","id":"b","on":"2026-03-04","decision":"start"},
		 {"fact":"visit","id":"v","step":"monitoring","at":"2026-03-12T07:40"},{"fact":"visit","id":"v2","step":"monitoring","at":"2026-03-14T07:40"}`,
		`{"fact":"order","id":"o","drug":"letrozole","dose":5,"unit":"mg","times":["08:00"],"from":"2026-03-04","stop":{"after_days":5}},
		 {"fact":"retracted","id":"r","replaces":"v2","reason":"one scan is enough"}`,
		`{"fact":"visit","id":"v3","replaces":"v","step":"monitoring","at":"2026-03-13T08:10"},
		 {"fact":"order","id":"o2","replaces":"o","drug":"letrozole","dose":2.5,"unit":"mg","times":["09:00"],"from":"2026-03-05","stop":{"after_days":5}}`,
	}
	d, all := diary{}, ""
	for i, stage := range stages {
		all += stage
		facts := mustFacts(t, p, "["+all+"]")
		got, err := Build(p, facts, asOf(p, "2026-03-05"))
		if err != nil {
			t.Fatal(err)
		}
		o := ICSOptions{Gone: GoneEvents(p, facts, asOf(p, "2026-03-05"), func(p Plan) []Step { return p.Steps })}
		file := calendarOf(t, got, o)
		d.take(t, file)
		fresh := diary{}
		fresh.take(t, file)
		if diff := cmp.Diff(fresh.standing(t), d.standing(t)); diff != "" {
			t.Errorf("after file %d (-of it alone +of all):\n%s", i+1, diff)
		}
		all += ","
	}
	if n := len(d.standing(t)); n < 8 {
		t.Errorf("only %d events", n)
	}
}

// TestADiaryNeverHoldsMoreThanThePlan: the same for any cycle whose facts come one
// after another.
func TestADiaryNeverHoldsMoreThanThePlan(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	rapid.Check(t, func(rt *rapid.T) {
		facts, now := anyCycle(rt, p)
		d := diary{}
		steps := func(p Plan) []Step { return p.Steps }
		for i := range len(facts) + 1 {
			got, err := Build(p, facts[:i], now)
			if err != nil || len(got.Steps) == 0 {
				continue
			}
			file := calendarOf(t, got, ICSOptions{Gone: GoneEvents(p, facts[:i], now, steps)})
			d.take(t, file)
			fresh := diary{}
			fresh.take(t, file)
			if diff := cmp.Diff(fresh.standing(t), d.standing(t)); diff != "" {
				rt.Fatalf("after %d facts (-of the last file +of all):\n%s", i, diff)
			}
		}
	})
}
