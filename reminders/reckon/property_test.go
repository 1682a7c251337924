package reckon

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

// simulated is a patient whose leading follicle grows in a straight line and is
// measured with an error.
type simulated struct {
	start, rate float64 // mm on day 0, mm a day
}

func (s simulated) on(day int) float64 { return s.start + s.rate*float64(day) }

// reaches is the first day from day from on which the true size is there.
func (s simulated) reaches(target float64, from int) int {
	for d := from; ; d++ {
		if s.on(d) >= target {
			return d
		}
	}
}

// tally counts, after a number of scans, how often the range held the true day, how
// often it said that it would, and how wide it was.
type tally struct{ n, held, stated, width float64 }

// run simulates patients with scans every second day until the criterion is met.
func run(t *testing.T, patients int, draw func(*rand.Rand) simulated) [3]tally {
	t.Helper()
	p, one := plan.DefaultPolicy(), civil.MustDate("2026-03-01")
	rng := rand.New(rand.NewPCG(7, 11))
	var out [3]tally
	for range patients {
		who := draw(rng)
		var points []Point
		for k := range out {
			day := 2 * k
			seen := who.on(day) + rng.NormFloat64()*p.Trigger.Measuring.Follicle
			points = append(points, Point{one.AddDays(day), max(seen, 1)})
			if seen >= p.Trigger.LeadMM {
				break
			}
			r := Reading{Lead: fit(points, fromSelection, p.Trigger.Growth.Stimulated, p.Trigger.Measuring.Follicle),
				Criteria: []Criterion{{Name: LeadSize, Want: p.Trigger.LeadMM, Got: &seen}}}
			r.forecast(p.Trigger, plan.Plan{CycleDayOne: one})
			f := r.Readiness
			to := f.To
			if to.IsZero() {
				to = f.Days[len(f.Days)-1].On
			}
			truth := one.AddDays(who.reaches(p.Trigger.LeadMM, day))
			out[k].n++
			out[k].stated += f.Chance
			out[k].width += float64(to.DaysSince(f.From))
			if !truth.Before(f.From) && !truth.After(to) {
				out[k].held++
			}
		}
	}
	return out
}

// TestReadinessHoldsTheTrueDay: over 10,000 simulated patients the range holds the
// true day as often as it says, and at least as often as the policy asks; with each
// scan it narrows on average.
func TestReadinessHoldsTheTrueDay(t *testing.T) {
	t.Parallel()
	prior := plan.DefaultPolicy().Trigger.Growth.Stimulated
	all := run(t, 10000, func(rng *rand.Rand) simulated {
		return simulated{start: 9 + 3*rng.Float64(), rate: max(0.4, prior.Mean+prior.SD*rng.NormFloat64())}
	})
	last := math.Inf(1)
	for k, a := range all {
		held, stated, width := a.held/a.n, a.stated/a.n, a.width/a.n
		t.Logf("after %d scans, %.0f patients: stated %.3f, held %.3f, width %.2f days", k+1, a.n, stated, held, width)
		if a.n < 1000 {
			t.Errorf("after %d scans only %.0f patients", k+1, a.n)
		}
		if math.Abs(held-stated) > 0.025 || held < plan.DefaultPolicy().Trigger.Likely {
			t.Errorf("after %d scans: stated %.3f, held %.3f", k+1, stated, held)
		}
		if width >= last {
			t.Errorf("after %d scans the range is %.2f days wide, before it was %.2f", k+1, width, last)
		}
		last = width
	}
}

// Patients who do not grow as the prior expects, at each published rate: the range
// still holds the day as often as the policy asks once there are two scans.
func TestReadinessAtThePublishedRates(t *testing.T) {
	t.Parallel()
	for _, rate := range []float64{1.42, 1.5, 1.69, 2} {
		all := run(t, 3000, func(rng *rand.Rand) simulated { return simulated{start: 9 + 3*rng.Float64(), rate: rate} })
		for k, a := range all {
			if held := a.held / a.n; held < plan.DefaultPolicy().Trigger.Likely {
				t.Errorf("%v mm a day, after %d scans: held %.3f", rate, k+1, held)
			}
		}
	}
}

var exactly = cmp.Options{cmp.AllowUnexported(Growth{}), cmpopts.EquateNaNs()}

// anyScans draws scans and blood tests of a cycle, each on a day of its own.
func anyScans(t *rapid.T, one civil.Date) []plan.Fact {
	var out []plan.Fact
	for i := range rapid.IntRange(1, 5).Draw(t, "looks") {
		f := scanOn(one.AddDays(8+i), rapid.Float64Range(1, 14).Draw(t, "lining"), rapid.SliceOfN(rapid.Float64Range(1, 30), 0, 5).Draw(t, "mm")...)
		if rapid.Bool().Draw(t, "bloods") {
			f.LH, f.BloodProgesterone = mm(rapid.Float64Range(0, 80).Draw(t, "lh")), mm(rapid.Float64Range(0, 20).Draw(t, "p4"))
		}
		out = append(out, f)
	}
	return out
}

// TestALaterScanNeverChangesThePast: what was reckoned as of a day is the same when
// later scans are on record.
func TestALaterScanNeverChangesThePast(t *testing.T) {
	t.Parallel()
	p, one := plan.DefaultPolicy(), civil.MustDate("2026-03-01")
	rapid.Check(t, func(t *rapid.T) {
		scans := anyScans(t, one)
		n := rapid.IntRange(1, len(scans)).Draw(t, "known")
		day := scans[n-1].On
		before, err := Read(p, cycle(p, one, scans[:n]...), night(p, day))
		if err != nil {
			t.Fatal(err)
		}
		after, err := Read(p, cycle(p, one, scans...), night(p, day))
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(before, after, exactly); d != "" {
			t.Fatalf("the past changed:\n%s", d)
		}
	})
}

// TestReadingsAreSound: probabilities are probabilities, never fall from one day to
// the next, and the range says what it holds.
func TestReadingsAreSound(t *testing.T) {
	t.Parallel()
	p, one := plan.DefaultPolicy(), civil.MustDate("2026-03-01")
	rapid.Check(t, func(t *rapid.T) {
		scans := anyScans(t, one)
		r, err := Read(p, cycle(p, one, scans...), night(p, scans[len(scans)-1].On))
		if err != nil {
			t.Fatal(err)
		}
		last := 0.0
		for _, d := range r.Readiness.Days {
			if !(d.Both >= last && d.Both <= 1 && d.Lead >= 0 && d.Lead <= 1 && d.Lining >= 0 && d.Lining <= 1) {
				t.Fatalf("%+v after %v", d, last)
			}
			last = d.Both
		}
		f := r.Readiness
		if len(f.Days) > 0 && (f.Chance < 0 || f.Chance > 1 || !f.To.IsZero() && f.To.Before(f.From)) {
			t.Fatalf("%+v", f)
		}
		if g := r.Lead; g.Known() && !(g.RateSD > 0 && g.RateSD <= g.Prior.SD+1e-9 && g.LevelSD > 0) {
			t.Fatalf("%+v", g)
		}
		if _, err := Weigh(p, cycle(p, one, scans...), r, night(p, r.AsOf), nil); err != nil {
			t.Fatal(err)
		}
	})
}
