package forecast

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"pgregory.net/rapid"
)

var today = civil.MustDate("2026-03-11")

func noon(p plan.Policy, d civil.Date) time.Time { return d.At(civil.MustTime("12:00"), p.Location()) }

func planOf(t interface{ Fatal(...any) }, p plan.Policy, facts ...plan.Fact) plan.Plan {
	pl, err := plan.Build(p, facts, noon(p, today))
	if err != nil {
		t.Fatal(err)
	}
	return pl
}

func due(d civil.Date) plan.Fact { return plan.Fact{ID: "f1", Kind: plan.PeriodDue, On: d} }

func began(p plan.Policy, d civil.Date) plan.Fact {
	return plan.Fact{ID: "f2", Kind: plan.PeriodStart, At: d.At(civil.MustTime("08:00"), p.Location())}
}

// TestPeriodSpread: 95 % of cycles had 22 to 36 days about 28.9 (Fehring 2006, J Obstet
// Gynecol Neonatal Nurs 35:376); the normal distribution of the same spread is held
// against it.
func TestPeriodSpread(t *testing.T) {
	t.Parallel()
	all, mean, square, within := periodDays(today, today.AddDays(-30)), 0.0, 0.0, 0.0
	for _, c := range all {
		n := float64(c.on.DaysSince(today))
		mean, square = mean+n*c.p, square+n*n*c.p
		if math.Abs(n) <= 7 {
			within += c.p
		}
	}
	near(t, "mean", mean, 0, 1e-12)
	near(t, "spread", math.Sqrt(square), CycleSD, 0.06)
	near(t, "within 7 days", within, 0.95, 0.03)
}

func TestPeriodNotYetCome(t *testing.T) {
	t.Parallel()
	free, left := periodDays(today, today.AddDays(-30)), periodDays(today, today.AddDays(2))
	if len(left) == 0 || left[0].on != today.AddDays(2) {
		t.Fatalf("begins %+v", left)
	}
	sum := 0.0
	for _, c := range left {
		sum += c.p
	}
	near(t, "sum", sum, 1, 1e-12)
	// Among the days that are left the odds stay as they were.
	near(t, "odds", left[1].p/left[0].p, free[periodReach+3].p/free[periodReach+2].p, 1e-9)
	if late := periodDays(today, today.AddDays(periodReach+1)); len(late) != 0 {
		t.Errorf("long overdue, still expected: %+v", late)
	}
}

// TestChances are properties of one patient's course: chances are chances, she has
// one transfer at most, on open days of the laboratory, and never a baseline and a
// transfer on one day.
func TestChances(t *testing.T) {
	t.Parallel()
	p := plan.DefaultPolicy()
	rapid.Check(t, func(t *rapid.T) {
		p := p
		p.Calendar.Protocol = rapid.SampledFrom([]string{"stimulated", "natural", "programmed"}).Draw(t, "protocol")
		fact := due(today.AddDays(rapid.IntRange(-20, 40).Draw(t, "due")))
		if rapid.Bool().Draw(t, "begun") {
			fact = began(p, today.AddDays(-rapid.IntRange(0, 25).Draw(t, "cycle day")))
		}
		m := New(p, noon(p, today), 90)
		c, err := m.courseOf(planOf(t, p, fact), []plan.Fact{fact})
		if err != nil {
			t.Fatal(err)
		}
		for s := range c {
			for d, chance := range c[s] {
				if !(chance > 0 && chance <= 1) || d.Before(today) {
					t.Fatalf("sort %d on %v: %v", s, d, chance)
				}
				if sort(s) == transfer && !p.OpenLab(d) || sort(s) != transfer && !p.OpenClinic(d) {
					t.Fatalf("sort %d falls on %v, which is closed", s, d)
				}
			}
		}
		for _, s := range []sort{transfer, blood, baseline} {
			sum := 0.0
			for _, chance := range c[s] {
				sum += chance
			}
			if sum > 1+1e-9 {
				t.Fatalf("sort %d has %v in all", s, sum)
			}
		}
	})
}

// TestCertain: what is booked, or counts from a trigger that is ordered, is certain.
func TestCertain(t *testing.T) {
	t.Parallel()
	p := plan.DefaultPolicy()
	order := plan.Fact{ID: "f3", Kind: plan.TriggerOrder, At: today.At(civil.MustTime("21:00"), p.Location()), Drug: "hCG", Dose: 10000, Unit: "IU"}
	facts := []plan.Fact{began(p, today.AddDays(-12)), order}
	m := New(p, noon(p, today), 28)
	if err := m.Add(planOf(t, p, facts...), facts); err != nil {
		t.Fatal(err)
	}
	for n, d := range m.Days(Limits{Transfers: 1}) {
		if want := map[bool]float64{true: 1}[n == 7]; d.Transfers.Mean != want {
			t.Errorf("%v: %v transfers, want %v", d.On, d.Transfers.Mean, want)
		}
		// Nine days after a Wednesday is a Friday, whose repeat fell on a Sunday.
		if want := map[bool]float64{true: 1}[n == 17]; d.Bloods.Mean != want {
			t.Errorf("%v: %v blood tests, want %v", d.On, d.Bloods.Mean, want)
		}
	}
}

// TestAgainstSimulation draws whole clinics: a period day for everybody who waits for
// one, the planner's baseline and scan from it, scans every other open day until the
// day on which she is ready, the evening that leads to an open laboratory.
func TestAgainstSimulation(t *testing.T) {
	t.Parallel()
	p, limits := plan.DefaultPolicy(), Limits{Mornings: 17, Transfers: 4}
	const patients, runs = 120, 2000
	m, expected := New(p, noon(p, today), 28), make([]civil.Date, patients)
	for i := range patients {
		expected[i] = today.AddDays(i%31 - 5)
		f := due(expected[i])
		if err := m.Add(planOf(t, p, f), []plan.Fact{f}); err != nil {
			t.Fatal(err)
		}
	}
	s := simulation{t: t, p: p, r: rand.New(rand.NewPCG(8, 28)), plans: make(map[civil.Date]plan.Plan)}
	over := make([][2]int, 28)
	sums := make([][2]int, 28)
	for range runs {
		var day [28][2]int
		for _, d := range expected {
			s.patient(d, &day)
		}
		for n, c := range day {
			for k, limit := range []int{limits.Mornings, limits.Transfers} {
				sums[n][k] += c[k]
				if c[k] > limit {
					over[n][k]++
				}
			}
		}
	}
	seen := 0
	for n, d := range m.Days(limits) {
		for k, c := range []Count{d.Mornings, d.Transfers} {
			// Five standard errors: of a binomial share, and of a mean of sums.
			q := c.Overflow
			near(t, d.On.String()+" overflow", float64(over[n][k])/runs, q, 5*math.Sqrt(q*(1-q)/runs)+1e-3)
			near(t, d.On.String()+" mean", float64(sums[n][k])/runs, c.Mean, 5*math.Sqrt(c.Mean/runs)+1e-3)
			if q > 0.05 && q < 0.95 {
				seen++
			}
		}
	}
	if seen < 5 {
		t.Errorf("only %d days were in doubt: the check shows little", seen)
	}
}

type simulation struct {
	t     *testing.T
	p     plan.Policy
	r     *rand.Rand
	plans map[civil.Date]plan.Plan
}

func (s *simulation) patient(expected civil.Date, day *[28][2]int) {
	came := expected.AddDays(-100)
	for came.Before(today) || came.DaysSince(expected) > 14 || came.DaysSince(expected) < -14 {
		came = expected.AddDays(int(math.Round(s.r.NormFloat64() * 3.4)))
	}
	pl, made := s.plans[came]
	if !made {
		var err error
		at := came.At(civil.MustTime("08:00"), s.p.Location())
		if pl, err = plan.Build(s.p, []plan.Fact{{Kind: plan.PeriodStart, At: at}}, at); err != nil {
			s.t.Fatal(err)
		}
		s.plans[came] = pl
	}
	count := func(d civil.Date, k int) {
		if n := d.DaysSince(today); n >= 0 && n < 28 {
			day[n][k]++
		}
	}
	var look, ready civil.Date
	var window plan.Step
	for _, step := range pl.Steps {
		switch step.Name {
		case plan.Baseline:
			count(step.On, 0)
		case plan.Monitoring:
			look = step.On
		case plan.Trigger:
			window, ready = step, s.triangle(step)
		}
	}
	for ; look.Before(ready); look = s.open(look.AddDays(2)) {
		count(look, 0)
	}
	count(look, 0)
	for n := 0; n <= 3; n++ {
		for _, evening := range []civil.Date{look.AddDays(-n), look.AddDays(n)} {
			if s.p.OpenLab(evening.AddDays(7)) && !evening.Before(window.From) {
				count(evening.AddDays(7), 1)
				return
			}
		}
	}
}

// triangle draws a day of a window by its triangle, by rejection.
func (s *simulation) triangle(w plan.Step) civil.Date {
	for {
		d := w.From.AddDays(s.r.IntN(w.To.DaysSince(w.From) + 1))
		up := float64(d.DaysSince(w.From)+1) / float64(w.On.DaysSince(w.From)+1)
		down := float64(w.To.DaysSince(d)+1) / float64(w.To.DaysSince(w.On)+1)
		if s.r.Float64() < min(up, down) {
			return d
		}
	}
}

func (s *simulation) open(d civil.Date) civil.Date {
	for !s.p.OpenClinic(d) {
		d = d.AddDays(1)
	}
	return d
}

// TestBloodDay is where the planner itself puts the first blood test after transfers
// on every day of four weeks.
func TestBloodDay(t *testing.T) {
	t.Parallel()
	p := plan.DefaultPolicy()
	m := New(p, noon(p, today), 28)
	for n := range 28 {
		d := today.AddDays(n)
		facts := []plan.Fact{began(p, d.AddDays(-20)), {ID: "f3", Kind: plan.Transferred, On: d, EmbryoDay: 5}}
		pl, err := plan.Build(p, facts, noon(p, d))
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range pl.Steps {
			if s.Name == plan.HCGFirst && s.On != m.bloodDay(d) {
				t.Errorf("transfer on %v: %v, the planner says %v", d, m.bloodDay(d), s.On)
			}
		}
	}
}
