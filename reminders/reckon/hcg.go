package reckon

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

// Value is one hCG value.
type Value struct {
	ID     string
	At     time.Time
	IUPerL float64
	// Reported is set where the laboratory gave a bound and no number.
	Reported   plan.Bound
	Laboratory string
	// Hours is the real time since the first value.
	Hours float64
}

// Course is how the values run, by the last two.
type Course string

// The courses.
const (
	NoValue       Course = "none"
	Single        Course = "single"
	Rising        Course = "rising"  // at or above the published minimum
	Slow          Course = "slow"    // rising, under it
	Plateau       Course = "plateau" // neither up nor down by more than a measurement's error
	FallingCourse Course = "falling"
	NegativeValue Course = "negative"
	EquivocalOne  Course = "equivocal"
	NotReckoned   Course = "not_reckoned" // a bound, or a value too low
)

// NICE is the reading of a change over 48 hours in NICE guideline NG126 (2019), for
// a pregnancy of unknown location.
type NICE string

// The readings. The guideline is for samples as near to 48 hours apart as can be,
// but not earlier.
const (
	NICERise     NICE = "rise"      // more than 63 %: scan in 7 to 14 days
	NICEBetween  NICE = "between"   // review within 24 hours
	NICEFall     NICE = "fall"      // more than 50 % down: urine test after 14 days
	NICETooShort NICE = "too_short" // drawn less than 48 hours apart
)

// Place is where a rise lies beside the published curves.
type Place string

// The places.
const (
	UnderSlowest Place = "under_slowest"
	WithinCurves Place = "within"
	OverFastest  Place = "over_fastest"
)

// Pair compares two values that follow one another.
type Pair struct {
	From, To Value
	// Hours lie between them in real time: two days across a change of the clocks
	// are 47 or 49.
	Hours float64
	// Reckoned is false where no rise can be computed; all below is zero then.
	Reckoned bool
	// Rise48Pct is the rise per 48 hours in per cent, DoublingH the doubling time
	// in hours: negative for a half-life, infinite for no change.
	Rise48Pct, DoublingH float64
	// MinimumPct is the smallest rise in 48 hours of 99 of 100 viable pregnancies
	// with this starting value.
	MinimumPct float64
	Course     Course
	NICE       NICE
	Place      Place
	Cautions   []plan.Reason
}

// Series is every hCG value that tests for this pregnancy, and how they run.
type Series struct {
	Values []Value
	Pairs  []Pair
	Course Course
	// Cautions are about the values by themselves; those of a pair stand there.
	Cautions []plan.Reason
}

// plateauPct is up to which change per 48 hours, either way, two values say the
// same: common practice, no source.
const plateauPct = 15

// steepestFallPct is a fall in 48 hours that is rather a slip of the pen than a
// finding: common practice, no source.
const steepestFallPct = 95

// highEarly is a value that is rather a slip of the pen when it is drawn at most
// highEarlyDays after a transfer: published means of days 12 and 13 are 400 to 970
// IU/L (Reljic 2013, J Assist Reprod Genet 30:1459). The bound itself is common
// practice, no source.
const highEarly, highEarlyDays = 5000, 14

// HCG reckons the values at hand as of now; a later one never changes an earlier
// pair.
func HCG(p plan.Policy, facts []plan.Fact, now time.Time) Series {
	s := Series{Course: NoValue}
	transfer := transferDay(facts)
	for _, f := range plan.Standing(facts) {
		day := civil.DateOf(f.At.In(p.Location()))
		if f.Kind != plan.HCG || f.At.After(now) || !transfer.IsZero() && !day.After(transfer) {
			continue
		}
		v := Value{ID: f.ID, At: f.At.In(p.Location()), IUPerL: f.IUPerL, Reported: f.Reported, Laboratory: f.Laboratory}
		s.Values = append(s.Values, v)
		if days := day.DaysSince(transfer); !transfer.IsZero() && days <= highEarlyDays && f.IUPerL > highEarly {
			s.add(codeHighEarly, "value", num(f.IUPerL), "days", fmt.Sprint(days), "limit", num(highEarly))
		}
		if f.Reported != "" {
			s.add(codeBound, "value", v.Words(), "on", day.String())
		}
	}
	slices.SortStableFunc(s.Values, func(a, b Value) int { return a.At.Compare(b.At) })
	for i := range s.Values {
		s.Values[i].Hours = s.Values[i].At.Sub(s.Values[0].At).Hours()
		if i > 0 {
			s.Pairs = append(s.Pairs, pair(p.HCG, s.Values[i-1], s.Values[i]))
		}
	}
	s.judge(p.HCG)
	return s
}

func transferDay(facts []plan.Fact) civil.Date {
	for _, f := range plan.Standing(facts) {
		if f.Kind == plan.Transferred {
			return f.On
		}
	}
	return civil.Date{}
}

func (s *Series) add(code string, args ...string) {
	s.Cautions = append(s.Cautions, because(code, args...))
}

// Words is the value as the laboratory gave it, without its unit.
func (v Value) Words() string {
	return map[plan.Bound]string{plan.BelowNumber: "<", plan.AboveNumber: ">"}[v.Reported] + fmt.Sprint(v.IUPerL)
}

func (s *Series) judge(p plan.HCGPolicy) {
	n := len(s.Values)
	if n == 0 {
		return
	}
	last := s.Values[n-1]
	positive := last.IUPerL > p.PositiveAbove
	was := n > 1 && s.Values[n-2].IUPerL > p.PositiveAbove
	switch {
	case last.IUPerL < p.NegativeBelow, last.Reported == plan.BelowNumber && last.IUPerL <= p.NegativeBelow:
		s.Course = NegativeValue
	case !positive && !was:
		s.Course = EquivocalOne
	case n == 1:
		s.Course = Single
	default:
		s.Course = s.Pairs[n-2].Course
	}
}

// pair compares two values on real instants. The rise is a straight line in log
// hCG (Barnhart 2004, Obstet Gynecol 104:50).
func pair(p plan.HCGPolicy, a, b Value) Pair {
	r := Pair{From: a, To: b, Hours: b.At.Sub(a.At).Hours(), Course: NotReckoned}
	if a.Laboratory != "" && b.Laboratory != "" && !strings.EqualFold(a.Laboratory, b.Laboratory) {
		r.add(codeOtherLab, "first", a.Laboratory, "second", b.Laboratory)
	}
	if a.IUPerL < p.NegativeBelow || b.IUPerL < p.NegativeBelow || a.Reported != "" || b.Reported != "" || r.Hours <= 0 {
		return r
	}
	factor := plan.Factor48(a.IUPerL, b.IUPerL, b.At.Sub(a.At))
	r.Reckoned, r.Rise48Pct, r.MinimumPct = true, 100*(factor-1), plan.MinimumRise(a.IUPerL)
	r.DoublingH = doubling(a.IUPerL, b.IUPerL, r.Hours)
	r.Course, r.NICE, r.Place = course(factor, r.MinimumPct), nice(factor, r.Hours), place(factor)
	r.caution(p, factor)
	return r
}

func (r *Pair) add(code string, args ...string) {
	r.Cautions = append(r.Cautions, because(code, args...))
}

func (r *Pair) caution(p plan.HCGPolicy, factor float64) {
	hours := num(r.Hours)
	if h := r.To.At.Sub(r.From.At); h < p.IntervalFrom || h > p.IntervalTo {
		r.add(codeInterval, "hours", hours, "from", num(p.IntervalFrom.Hours()), "to", num(p.IntervalTo.Hours()))
	}
	switch {
	case r.Place == OverFastest:
		r.add(codeTooFast, "factor", fmt.Sprintf("%.2f", factor), "fastest", fmt.Sprint(fastest))
	case factor <= 1-steepestFallPct/100.0:
		r.add(codeTooSteep, "fall", num(-r.Rise48Pct))
	}
	if r.Course == Plateau {
		r.add(codePlateau, "rise", fmt.Sprintf("%+.1f", r.Rise48Pct), "within", fmt.Sprint(plateauPct))
	}
	if r.NICE == NICETooShort {
		r.add(codeNICEShort, "hours", hours)
	}
}

// doubling is the doubling time in hours, negative for a half-life, infinite where
// nothing changes.
func doubling(a, b, hours float64) float64 {
	if a == b {
		return math.Inf(1)
	}
	return hours * math.Ln2 / math.Log(b/a)
}

// tiny lets a value on a line meet it in spite of rounding.
const tiny = 1e-9

func course(factor, minimum float64) Course {
	switch {
	case factor >= 1+minimum/100-tiny:
		return Rising
	case math.Abs(factor-1) <= plateauPct/100.0+tiny:
		return Plateau
	case factor < 1:
		return FallingCourse
	}
	return Slow
}

// nice puts both boundaries into the middle, since the guideline does not say where
// they belong and the middle is seen within a day.
func nice(factor, hours float64) NICE {
	switch {
	case hours < 48-tiny:
		return NICETooShort
	case factor > 1.63+tiny:
		return NICERise
	case factor < 0.5-tiny:
		return NICEFall
	}
	return NICEBetween
}

// The curves of 287 viable pregnancies as factors in 48 hours: the slowest, the
// median and the fastest (Barnhart 2004, Obstet Gynecol 104:50).
const slowest, median, fastest = 1.53, 2.24, 3.28

func place(factor float64) Place {
	switch {
	case factor < slowest-tiny:
		return UnderSlowest
	case factor > fastest+tiny:
		return OverFastest
	}
	return WithinCurves
}

// Curve is what is published for one instant after the first value, IU/L.
type Curve struct {
	At    time.Time
	Hours float64
	// Minimum follows the smallest rises by starting value (Barnhart 2016): 49 %
	// under 1500 IU/L, then 40 %, above 3000 then 33 % in 48 hours.
	Minimum float64
	// Slowest, Median and Fastest are the curves of 2004.
	Slowest, Median, Fastest float64
}

// CurveAt is what the published curves say so many hours after the first value;
// the zero Curve where there is none that can be reckoned with.
func (s Series) CurveAt(hours float64) Curve {
	if len(s.Values) == 0 || s.Values[0].Reported != "" || s.Values[0].IUPerL <= 0 || hours < 0 {
		return Curve{}
	}
	first := s.Values[0]
	grown := func(factor float64) float64 { return first.IUPerL * math.Pow(factor, hours/48) }
	return Curve{At: first.At.Add(time.Duration(hours * float64(time.Hour))), Hours: hours, Minimum: minimumLine(first.IUPerL, hours),
		Slowest: grown(slowest), Median: grown(median), Fastest: grown(fastest)}
}

// minimumLine grows a value by the smallest published rise, which changes when the
// line itself reaches the next starting value.
func minimumLine(from, hours float64) float64 {
	for _, step := range []struct{ until, factor float64 }{{1500, 1.49}, {3000, 1.40}} {
		if from >= step.until {
			continue
		}
		needed := 48 * math.Log(step.until/from) / math.Log(step.factor)
		if needed >= hours {
			return from * math.Pow(step.factor, hours/48)
		}
		from, hours = step.until, hours-needed
	}
	return from * math.Pow(1.33, hours/48)
}

// AskBack is what is to be asked about a value before it is saved: one that was
// drawn before values on record, one that no published curve reaches.
func AskBack(p plan.Policy, facts []plan.Fact, f plan.Fact, now time.Time) []plan.Reason {
	if f.Kind != plan.HCG {
		return nil
	}
	f.ID = "entered"
	s := HCG(p, append(slices.Clone(facts), f), now)
	var out []plan.Reason
	for _, r := range s.Cautions {
		if r.Code == codeHighEarly && r.Args["value"] == num(f.IUPerL) {
			out = append(out, r)
		}
	}
	if last := s.Values; f.Replaces == "" && len(last) > 0 && last[len(last)-1].ID != f.ID && slices.ContainsFunc(last, func(v Value) bool { return v.ID == f.ID }) {
		after := last[len(last)-1]
		out = append(out, because(codeOutOfOrder, "at", f.At.In(p.Location()).Format("2006-01-02 15:04"), "after", after.At.Format("2006-01-02 15:04")))
	}
	for _, r := range s.Pairs {
		if r.From.ID != f.ID && r.To.ID != f.ID {
			continue
		}
		for _, c := range r.Cautions {
			if slices.Contains([]string{codeTooFast, codeTooSteep, codeOtherLab}, c.Code) {
				out = append(out, c)
			}
		}
	}
	return out
}
