package plan

import (
	"fmt"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"handrail.example/reminders/civil"
)

func weeks(days int) string { return fmt.Sprintf("%dw%dd", days/7, days%7) }

func TestDueDateAndGestationalAge(t *testing.T) {
	t.Parallel()
	var table struct {
		Cases []struct {
			Name, Transfer, Due, LMP string
			Age                      int
			AtTransfer               string `yaml:"at_transfer"`
		}
		Ages []struct {
			Name, Transfer, On, Is string
			Age                    int
		}
		Wrong []struct {
			Name, Transfer, On, Not string
			Age                     int
		}
	}
	checkTable(t, "due_dates.yaml", &table)
	for _, c := range table.Cases {
		transfer := civil.MustDate(c.Transfer)
		if got := DueDate(transfer, c.Age).String(); got != c.Due {
			t.Errorf("%s: due date: got %s, want %s", c.Name, got, c.Due)
		}
		if got := EquivalentLMP(transfer, c.Age).String(); got != c.LMP {
			t.Errorf("%s: equivalent last period: got %s, want %s", c.Name, got, c.LMP)
		}
		if got := weeks(GestationalDays(transfer, c.Age, transfer)); got != c.AtTransfer {
			t.Errorf("%s: age at transfer: got %s, want %s", c.Name, got, c.AtTransfer)
		}
	}
	for _, c := range table.Ages {
		if got := weeks(GestationalDays(civil.MustDate(c.Transfer), c.Age, civil.MustDate(c.On))); got != c.Is {
			t.Errorf("%s: got %s, want %s", c.Name, got, c.Is)
		}
	}
	for _, c := range table.Wrong {
		if got := weeks(GestationalDays(civil.MustDate(c.Transfer), c.Age, civil.MustDate(c.On))); got == c.Not {
			t.Errorf("%s: got the wrong value %s", c.Name, got)
		}
	}
}

// TestGestationInPlan: the same values as the plan tells them, from the transfer
// on and never before.
func TestGestationInPlan(t *testing.T) {
	t.Parallel()
	var table struct {
		Cases []struct {
			Name, Transfer, Due, LMP string
			Age                      int
			AtTransfer               string `yaml:"at_transfer"`
		}
		Ages, Wrong any
	}
	checkTable(t, "due_dates.yaml", &table)
	p := DefaultPolicy()
	for _, c := range table.Cases {
		if c.Age == 0 {
			continue // no embryo is transferred on its first day
		}
		got := built(t, p, c.Transfer, fmt.Sprintf(`[{"fact":"transfer","on":%q,"embryo_day":%d,"embryos":1}]`, c.Transfer, c.Age))
		g := got.Gestation
		if g == nil || g.DueDate.String() != c.Due || fmt.Sprintf("%dw%dd", g.Weeks, g.Days) != c.AtTransfer {
			t.Errorf("%s: got %+v, want %s at %s", c.Name, g, c.Due, c.AtTransfer)
		}
	}
	if got := built(t, p, "2026-03-20", `[{"fact":"period_start","at":"2026-03-02T08:15"}]`); got.Gestation != nil {
		t.Errorf("without a transfer: got gestation %+v", got.Gestation)
	}
}

// TestEquivalentLastPeriod: whatever the embryo's age, the due date lies 280 days
// after the equivalent last period (ACOG Committee Opinion 700).
func TestEquivalentLastPeriod(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		transfer := civil.MustDate("2020-01-01").AddDays(rapid.IntRange(0, 10000).Draw(t, "transfer"))
		age := rapid.IntRange(2, 7).Draw(t, "age")
		if got := DueDate(transfer, age).DaysSince(EquivalentLMP(transfer, age)); got != 280 {
			t.Fatalf("%s, day %d: got %d days", transfer, age, got)
		}
		if got := GestationalDays(transfer, age, DueDate(transfer, age)); got != 280 {
			t.Fatalf("%s, day %d: %d days of gestation on the due date", transfer, age, got)
		}
	})
}

type hcgRow struct {
	Name          string
	From, To      float64
	Hours         float64
	First, Second string
	Rise          float64
	Minimum       float64
	Verdict       Verdict
	Flagged       bool
	Doubling      float64
	NICE          string `yaml:"nice"`
	Not           Verdict
}

func (c hcgRow) facts() string {
	if c.First == "" {
		first := time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC)
		c.First = first.Format(time.RFC3339)
		c.Second = first.Add(time.Duration(c.Hours * float64(time.Hour))).Format(time.RFC3339)
	}
	return fmt.Sprintf(`[{"fact":"hcg","at":%q,"iu_per_l":%v},{"fact":"hcg","at":%q,"iu_per_l":%v}]`, c.First, c.From, c.Second, c.To)
}

type hcgTable struct {
	Cases  []hcgRow
	Single []struct {
		Name    string
		Value   float64
		Verdict Verdict
	}
	Curve []struct {
		Hours, Factor float64
		Factor48      float64 `yaml:"factor48"`
	}
	Wrong []hcgRow
}

func TestRiseOfHCG(t *testing.T) {
	t.Parallel()
	var table hcgTable
	checkTable(t, "hcg.yaml", &table)
	p := DefaultPolicy()
	for _, c := range table.Cases {
		got := built(t, p, "2027-04-01", c.facts())
		r := got.HCG
		if r == nil || r.Verdict != c.Verdict || math.Abs(r.IntervalH-c.Hours) > 1e-9 {
			t.Errorf("%s: got %+v, want %s after %v h", c.Name, r, c.Verdict, c.Hours)
			continue
		}
		if c.Minimum == 0 {
			if !math.IsNaN(r.Rise48hPct) || !math.IsNaN(r.MinimumPct) {
				t.Errorf("%s: got a rise of %v from a value too low to reckon with", c.Name, r.Rise48hPct)
			}
			continue
		}
		if math.Abs(r.Rise48hPct-c.Rise) > 0.005 || r.MinimumPct != c.Minimum {
			t.Errorf("%s: got %.3f %% of %v %%, want %.2f of %v", c.Name, r.Rise48hPct, r.MinimumPct, c.Rise, c.Minimum)
		}
		if flagged := hasWhy(got, "interval_unusual"); flagged != c.Flagged {
			t.Errorf("%s: interval flagged: got %v, want %v", c.Name, flagged, c.Flagged)
		}
	}
	for _, c := range table.Wrong {
		if got := built(t, p, "2027-04-01", c.facts()).HCG.Verdict; got == c.Not {
			t.Errorf("%s: got the superseded verdict %s", c.Name, got)
		}
	}
}

func TestSingleHCG(t *testing.T) {
	t.Parallel()
	var table hcgTable
	checkTable(t, "hcg.yaml", &table)
	for _, c := range table.Single {
		got := built(t, DefaultPolicy(), "2026-06-10", fmt.Sprintf(`[{"fact":"transfer","on":"2026-05-20"},{"fact":"hcg","at":"2026-06-01T08:00","iu_per_l":%v}]`, c.Value))
		switch {
		case c.Verdict == "" && got.HCG != nil:
			t.Errorf("%s: got %+v, want none", c.Name, got.HCG)
		case c.Verdict != "" && (got.HCG == nil || got.HCG.Verdict != c.Verdict):
			t.Errorf("%s: got %+v, want %s", c.Name, got.HCG, c.Verdict)
		}
	}
}

func TestHCGCurveAgreesWithItself(t *testing.T) {
	t.Parallel()
	var table hcgTable
	checkTable(t, "hcg.yaml", &table)
	for _, c := range table.Curve {
		got := Factor48(100, 100*c.Factor, time.Duration(c.Hours*float64(time.Hour)))
		if math.Abs(got-c.Factor48) > 0.015 {
			t.Errorf("x%v in %v h: got x%.3f in 48 h, want x%v", c.Factor, c.Hours, got, c.Factor48)
		}
	}
}

func hasWhy(p Plan, code string) bool {
	for _, c := range p.Conflicts {
		if c.Why.Code == code {
			return true
		}
	}
	return false
}

func TestTransferDay(t *testing.T) {
	t.Parallel()
	var table struct {
		Cases []struct {
			Name, Trigger, Surge, Zone string
			Blastocyst                 string
			Day3                       string `yaml:"day_3"`
		}
	}
	checkTable(t, "transfers.yaml", &table)
	for _, c := range table.Cases {
		p := alwaysOpen(t, c.Zone)
		for age, want := range map[int]string{3: c.Day3, 5: c.Blastocyst, 6: c.Blastocyst} {
			facts := fmt.Sprintf(`[{"fact":"trigger","at":%q},{"fact":"embryos","embryo_day":%d}`, c.Trigger, age)
			if c.Surge != "" {
				facts += fmt.Sprintf(`,{"fact":"lh_surge","on":%q}`, c.Surge)
			}
			s := onlyStep(t, built(t, p, "2028-12-31", facts+"]"), Transfer)
			if s.On.String() != want || s.From != s.On || s.To != s.On {
				t.Errorf("%s, day-%d embryo: got %s (%s to %s), want %s", c.Name, age, s.On, s.From, s.To, want)
			}
		}
	}
}

func TestCycleDays(t *testing.T) {
	t.Parallel()
	var table struct {
		Days []struct {
			One, On string
			Day     int
		}
		Chains any
	}
	checkTable(t, "cycles.yaml", &table)
	for _, c := range table.Days {
		p := Plan{CycleDayOne: civil.MustDate(c.One)}
		if got := p.CycleDay(civil.MustDate(c.On)); got != c.Day {
			t.Errorf("%s from %s: got cycle day %d, want %d", c.On, c.One, got, c.Day)
		}
	}
	if got := (Plan{CycleDayOne: civil.MustDate("2026-10-28")}).CycleDay(civil.MustDate("2026-10-27")); got != 0 {
		t.Errorf("the day before day one: got %d, want 0", got)
	}
}

func TestWholeChains(t *testing.T) {
	t.Parallel()
	var table struct {
		Days   any
		Chains []struct {
			Name, Period, Trigger, Transfer string
			Baseline                        []string
			Stimulation                     []string
			Monitoring                      []string
			LutealProgesterone              string `yaml:"luteal_progesterone"`
			HCGFirst                        string `yaml:"hcg_first"`
			HCGRepeat                       string `yaml:"hcg_repeat"`
			OBUltrasound                    string `yaml:"ob_ultrasound"`
			LutealEnd                       string `yaml:"luteal_end"`
			Due                             string
			LMPEqualsDayOne                 bool `yaml:"lmp_equals_day_one"`
		}
	}
	checkTable(t, "cycles.yaml", &table)
	p := DefaultPolicy()
	for _, c := range table.Chains {
		facts := fmt.Sprintf(`[{"fact":"period_start","at":%q},{"fact":"trigger_order","at":%q,"drug":"hCG","dose":10000,"unit":"IU"}`, c.Period, c.Trigger)
		early := built(t, p, c.Period[:10], facts+"]")
		for name, want := range map[StepName][]string{Baseline: c.Baseline, Stimulation: c.Stimulation, Monitoring: c.Monitoring} {
			if s := onlyStep(t, early, name); want != nil && (s.From.String() != want[0] || s.To.String() != want[1]) {
				t.Errorf("%s: %s: got %s to %s, want %v", c.Name, name, s.From, s.To, want)
			}
		}
		for name, want := range map[StepName]string{LutealProgesterone: c.LutealProgesterone, Transfer: c.Transfer,
			HCGFirst: c.HCGFirst, HCGRepeat: c.HCGRepeat, OBUltrasound: c.OBUltrasound, LutealEnd: c.LutealEnd} {
			if s := onlyStep(t, early, name); want != "" && s.On.String() != want {
				t.Errorf("%s: %s: got %s, want %s", c.Name, name, s.On, want)
			}
		}
		late := built(t, p, "2029-01-01", facts+fmt.Sprintf(`,{"fact":"transfer","on":%q,"embryo_day":5}]`, c.Transfer))
		if got := late.Gestation.DueDate.String(); got != c.Due {
			t.Errorf("%s: due date: got %s, want %s", c.Name, got, c.Due)
		}
		if got := late.Gestation.EquivalentLMP == late.CycleDayOne; got != c.LMPEqualsDayOne {
			t.Errorf("%s: the equivalent last period is day one: got %v, want %v", c.Name, got, c.LMPEqualsDayOne)
		}
	}
}
