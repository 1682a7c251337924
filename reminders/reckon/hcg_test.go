package reckon

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

type hcgRow struct {
	Name            string
	From, To, Hours float64
	First, Second   string
	Rise, Minimum   float64
	Verdict         plan.Verdict
	Flagged         bool
	Doubling        float64
	NICE            NICE `yaml:"nice"`
	Not             plan.Verdict
}

type hcgTable struct {
	Cases  []hcgRow
	Single []struct {
		Name    string
		Value   float64
		Verdict plan.Verdict
	}
	Curve []struct {
		Hours, Factor float64
		Factor48      float64 `yaml:"factor48"`
	}
	Wrong []hcgRow
}

func drawn(at time.Time, value float64) plan.Fact {
	return plan.Fact{Kind: plan.HCG, ID: at.Format(time.RFC3339), At: at, IUPerL: value}
}

func (c hcgRow) values(t *testing.T) []plan.Fact {
	t.Helper()
	first := time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC)
	second := first.Add(time.Duration(c.Hours * float64(time.Hour)))
	if c.First != "" {
		for text, into := range map[string]*time.Time{c.First: &first, c.Second: &second} {
			at, err := time.Parse(time.RFC3339, text)
			if err != nil {
				t.Fatal(err)
			}
			*into = at
		}
	}
	return []plan.Fact{drawn(first, c.From), drawn(second, c.To)}
}

// courses are the courses that agree with a verdict of the calendar.
var courses = map[plan.Verdict][]Course{
	plan.AtOrAbove: {Rising}, plan.Below: {Slow, Plateau}, plan.Falling: {FallingCourse, Plateau},
	plan.Negative: {NegativeValue}, plan.Equivocal: {EquivocalOne},
}

func TestHCGSeriesAgainstPublishedValues(t *testing.T) {
	t.Parallel()
	var table hcgTable
	checkTable(t, "hcg.yaml", &table)
	p, now := plan.DefaultPolicy(), time.Date(2027, 4, 1, 0, 0, 0, 0, time.UTC)
	for _, c := range table.Cases {
		s := HCG(p, c.values(t), now)
		r := s.Pairs[0]
		agrees := false
		for _, k := range courses[c.Verdict] {
			agrees = agrees || s.Course == k
		}
		if !agrees || math.Abs(r.Hours-c.Hours) > 1e-9 {
			t.Errorf("%s: got %s after %v h, want %s", c.Name, s.Course, r.Hours, c.Verdict)
		}
		if r.Reckoned != (c.Minimum != 0) {
			t.Errorf("%s: reckoned %v", c.Name, r.Reckoned)
		}
		if !r.Reckoned {
			continue
		}
		if math.Abs(r.Rise48Pct-c.Rise) > 0.005 || r.MinimumPct != c.Minimum || has(r.Cautions, codeInterval) != c.Flagged {
			t.Errorf("%s: got %+v", c.Name, r)
		}
		if c.Doubling != 0 && math.Abs(r.DoublingH-c.Doubling) > 0.06 {
			t.Errorf("%s: doubling time %.2f h, want %.2f", c.Name, r.DoublingH, c.Doubling)
		}
		if c.NICE != "" && r.NICE != c.NICE {
			t.Errorf("%s: NICE %s, want %s", c.Name, r.NICE, c.NICE)
		}
	}
	for _, c := range table.Wrong {
		if got := HCG(p, c.values(t), now).Course; got == Slow {
			t.Errorf("%s: got the superseded reading %s", c.Name, got)
		}
	}
	if r := HCG(p, hcgRow{From: 250, To: 250, Hours: 48}.values(t), now); !math.IsInf(r.Pairs[0].DoublingH, 1) || r.Course != Plateau {
		t.Errorf("no change: %+v", r)
	}
}

// The published factors lie on the curves that are drawn, and the minimum follows
// its bands.
func TestHCGCurves(t *testing.T) {
	t.Parallel()
	at := time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC)
	s := HCG(plan.DefaultPolicy(), []plan.Fact{drawn(at, 100)}, at.AddDate(0, 1, 0))
	for hours, want := range map[float64][3]float64{24: {124, 150, 181}, 48: {153, 224, 328}, 96: {234, 500, 1076}} {
		c := s.CurveAt(hours)
		for i, got := range []float64{c.Slowest, c.Median, c.Fastest} {
			if math.Abs(got/want[i]-1) > 0.01 {
				t.Errorf("%v h: got %.1f, want %v (Barnhart 2004, Obstet Gynecol 104:50)", hours, got, want[i])
			}
		}
	}
	for _, c := range []struct{ from, hours, want float64 }{
		{100, 48, 149}, {1500, 48, 2100}, {3000, 48, 3990}, {3001, 48, 3991.33},
		{1500 / 1.49, 96, 2100}, {3000 / 1.4, 96, 3990},
	} {
		if got := minimumLine(c.from, c.hours); math.Abs(got-c.want) > 0.01 {
			t.Errorf("from %v in %v h: got %v, want %v", c.from, c.hours, got, c.want)
		}
	}
}

func TestHCGCautions(t *testing.T) {
	t.Parallel()
	p := plan.DefaultPolicy()
	first := civil.MustDate("2026-03-30").At(450, p.Location())
	lab := func(f plan.Fact, name string) plan.Fact { f.Laboratory = name; return f }
	bound := func(f plan.Fact, b plan.Bound) plan.Fact { f.Reported = b; return f }
	transfer := plan.Fact{Kind: plan.Transferred, On: civil.MustDate("2026-03-20")}
	for name, c := range map[string]struct {
		facts []plan.Fact
		enter plan.Fact
		want  string
	}{
		"fits":              {[]plan.Fact{drawn(first, 84)}, drawn(first.Add(48*time.Hour), 190), ""},
		"another lab":       {[]plan.Fact{lab(drawn(first, 84), "Tarn Vale")}, lab(drawn(first.Add(48*time.Hour), 190), "Ostrey"), codeOtherLab},
		"the same lab":      {[]plan.Fact{lab(drawn(first, 84), "Tarn Vale")}, lab(drawn(first.Add(48*time.Hour), 190), "tarn vale"), ""},
		"ten times":         {[]plan.Fact{drawn(first, 84)}, drawn(first.Add(48*time.Hour), 1900), codeTooFast},
		"a tenth of it":     {[]plan.Fact{drawn(first, 840)}, drawn(first.Add(48*time.Hour), 30), codeTooSteep},
		"out of order":      {[]plan.Fact{drawn(first.Add(48*time.Hour), 190)}, drawn(first, 84), codeOutOfOrder},
		"very high":         {[]plan.Fact{transfer}, drawn(first, 86000), codeHighEarly},
		"a bound compares":  {[]plan.Fact{drawn(first, 84)}, bound(drawn(first.Add(48*time.Hour), 5), plan.BelowNumber), ""},
		"before a transfer": {[]plan.Fact{transfer}, drawn(first.AddDate(0, 0, -20), 90000), ""},
	} {
		got := AskBack(p, c.facts, c.enter, first.AddDate(0, 0, 10))
		if c.want == "" && len(got) > 0 || c.want != "" && !has(got, c.want) {
			t.Errorf("%s: got %v, want %q", name, got, c.want)
		}
	}
	if got := HCG(p, []plan.Fact{bound(drawn(first, 5), plan.BelowNumber)}, first.AddDate(0, 0, 1)); got.Course != NegativeValue {
		t.Errorf("<5: got %s", got.Course)
	}
}

// TestALaterValueNeverChangesThePast: pairs that were reckoned stay as they were.
func TestALaterValueNeverChangesThePast(t *testing.T) {
	t.Parallel()
	p := plan.DefaultPolicy()
	first := civil.MustDate("2026-10-20").At(450, p.Location())
	rapid.Check(t, func(t *rapid.T) {
		var facts []plan.Fact
		at := first
		for i := range rapid.IntRange(2, 6).Draw(t, "values") {
			at = at.Add(time.Duration(rapid.IntRange(12, 120).Draw(t, "hours")) * time.Hour)
			f := drawn(at, rapid.Float64Range(0, 9000).Draw(t, "value"))
			f.ID = fmt.Sprintf("h%d", i)
			facts = append(facts, f)
		}
		n := rapid.IntRange(1, len(facts)).Draw(t, "known")
		known := HCG(p, facts[:n], facts[n-1].At)
		again := HCG(p, facts, facts[n-1].At)
		if d := cmp.Diff(known, again); d != "" {
			t.Fatalf("the past changed:\n%s", d)
		}
		whole := HCG(p, facts, at)
		if d := cmp.Diff(known.Pairs, whole.Pairs[:len(known.Pairs)], cmpopts.EquateEmpty()); d != "" {
			t.Fatalf("earlier pairs changed:\n%s", d)
		}
	})
}
