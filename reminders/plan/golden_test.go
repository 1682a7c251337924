package plan

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"handrail.example/reminders/civil"
)

var update = flag.Bool("update", false, "write the golden plans anew")

// TestGoldenPlans compares whole plans with what a person has looked at. The
// facts are in testdata/plans/NAME.json, the plan in NAME.golden; run with
// -update after a change and read the difference.
func TestGoldenPlans(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob(filepath.Join("..", "..", "testdata", "plans", "*.json"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no fact files: %v", err)
	}
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".json")
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p, got := planOf(t, file)
			if why := flaw(p, got); why != "" {
				t.Fatal(why)
			}
			compareGolden(t, strings.TrimSuffix(file, ".json")+".golden", dump(got))
		})
	}
}

func planOf(t *testing.T, file string) (Policy, Plan) {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var c struct {
		What   string          `json:"what"`
		AsOf   string          `json:"as_of"`
		Policy string          `json:"policy"`
		Facts  json.RawMessage `json:"facts"`
	}
	if err := strictJSON(b, &c); err != nil {
		t.Fatal(err)
	}
	p := DefaultPolicy()
	if c.Policy != "" {
		p = policyWith(t, c.Policy)
	}
	now := civil.MustDate(c.AsOf[:10]).At(civil.MustTime("23:59"), p.Location())
	if len(c.AsOf) > 10 {
		if now, err = ParseInstant(c.AsOf, p.Location()); err != nil {
			t.Fatal(err)
		}
	}
	got, err := Build(p, mustFacts(t, p, string(c.Facts)), now)
	if err != nil {
		t.Fatal(err)
	}
	return p, got
}

func compareGolden(t *testing.T, file, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatalf("%v; make it with -update", err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("the plan changed (-golden +got):\n%s", d)
	}
}

// dump writes everything that a plan says.
func dump(p Plan) string {
	var b strings.Builder
	fmt.Fprintf(&b, "day one %s, %s\n", p.CycleDayOne, p.Phase())
	for _, s := range p.Steps {
		when := s.On.String()
		if when == "" {
			when = "no day"
		}
		if !s.At.IsZero() {
			when = s.At.Format("2006-01-02T15:04Z07:00")
		}
		fmt.Fprintf(&b, "\n%s  %s  [%s, %s]  %s\n", s.Key, when, s.From, s.To, s.Status)
		for _, r := range s.Reasons {
			fmt.Fprintf(&b, "    %s\n", r.Words())
		}
	}
	section(&b, "conflicts", len(p.Conflicts), func(i int) string {
		c := p.Conflicts[i]
		return fmt.Sprintf("%s: %s %v", c.Step, c.Why.Words(), c.Alternatives)
	})
	section(&b, "to settle", len(p.Open), func(i int) string {
		o := p.Open[i]
		return fmt.Sprintf("%s by %s: %s", o.Key, o.Due.Format(time.DateTime), o.Why.Words())
	})
	section(&b, "doses", len(p.Doses), func(i int) string {
		d := p.Doses[i]
		return fmt.Sprintf("%s  %s  %s %v %s", d.At.Format("2006-01-02T15:04Z07:00"), d.Key, d.Drug, d.Amount, d.Unit)
	})
	if p.HCG != nil {
		fmt.Fprintf(&b, "\nhCG: %s\n", p.HCG.Words())
	}
	if g := p.Gestation; g != nil {
		fmt.Fprintf(&b, "\ngestation %dw%dd, due %s, tellable %v\n", g.Weeks, g.Days, g.DueDate, g.Tellable)
	}
	return b.String()
}

// section writes a list; of a long one the first three and the last.
func section(b *strings.Builder, title string, n int, line func(int) string) {
	if n == 0 {
		return
	}
	fmt.Fprintf(b, "\n%s: %d\n", title, n)
	for i := range n {
		switch {
		case n <= 8 || i < 3 || i == n-1:
			fmt.Fprintf(b, "    %s\n", line(i))
		case i == 3:
			b.WriteString("    ...\n")
		}
	}
}
