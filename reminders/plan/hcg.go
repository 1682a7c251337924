package plan

import (
	"encoding/json"
	"fmt"
	"math"
	"time"
)

// Verdict is how the last hCG values read, for staff.
type Verdict string

// The verdicts. At or above the published minimum does not exclude an ectopic
// pregnancy.
const (
	AtOrAbove Verdict = "at_or_above_minimum"
	Below     Verdict = "below_minimum"
	Falling   Verdict = "falling"
	Negative  Verdict = "negative"
	Equivocal Verdict = "equivocal"
)

// Rise compares the last two hCG values. Numbers that cannot be computed (one
// value only, a value too low to reckon with) are NaN.
type Rise struct {
	// IntervalH is the time between them in real hours.
	IntervalH float64
	// Rise48hPct is the rise normalised to 48 hours, in per cent.
	Rise48hPct float64
	// MinimumPct is the published minimal rise for the starting value.
	MinimumPct float64
	Verdict    Verdict
}

// MarshalJSON leaves out what could not be computed and rounds to two decimals.
func (r Rise) MarshalJSON() ([]byte, error) {
	w := struct {
		IntervalH  *float64 `json:"interval_h,omitempty"`
		Rise48hPct *float64 `json:"rise_48h_pct,omitempty"`
		MinimumPct *float64 `json:"minimum_pct,omitempty"`
		Verdict    Verdict  `json:"verdict"`
	}{rounded(r.IntervalH), rounded(r.Rise48hPct), rounded(r.MinimumPct), r.Verdict}
	return json.Marshal(w)
}

func rounded(f float64) *float64 {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return nil
	}
	v := math.Round(f*100) / 100
	if v == 0 {
		v = 0 // not minus zero
	}
	return &v
}

// Factor48 is the factor by which hCG grows in 48 hours when it went from h1 to
// h2 in the time between: (h2/h1)^(48/h). A straight line in log hCG describes
// the early rise best (Barnhart 2004, Obstet Gynecol 104:50). h1 and between
// must be more than 0.
func Factor48(h1, h2 float64, between time.Duration) float64 {
	return math.Pow(h2/h1, 48/between.Hours())
}

// MinimumRise is the smallest rise in 48 hours, in per cent, that was seen in 99
// of 100 viable pregnancies, by the starting value in IU/L: 49 under 1500, 40
// from 1500 to 3000, 33 above (Barnhart 2016, Obstet Gynecol 128:504).
func MinimumRise(start float64) float64 {
	switch {
	case start < 1500:
		return 49
	case start <= 3000:
		return 40
	}
	return 33
}

// Judge is the verdict on the last one or two values, in the order of their
// drawing; nil where there is nothing to say yet: no value, or one that is
// positive. A value that the laboratory gave as a bound ("<5") is not reckoned
// with.
func Judge(values []Fact, p HCGPolicy) *Rise {
	if len(values) == 0 {
		return nil
	}
	r := &Rise{IntervalH: math.NaN(), Rise48hPct: math.NaN(), MinimumPct: math.NaN()}
	last := values[len(values)-1]
	before := math.NaN()
	if len(values) > 1 {
		first := values[len(values)-2]
		before = first.IUPerL
		r.compare(first, last, p)
	}
	switch h := last.IUPerL; {
	case h < p.NegativeBelow || last.Reported == BelowNumber && h <= p.NegativeBelow:
		r.Verdict = Negative
	case h <= p.PositiveAbove && !(before > p.PositiveAbove):
		r.Verdict = Equivocal
	case math.IsNaN(r.Rise48hPct):
		return nil
	case h < before:
		r.Verdict = Falling
	case Factor48(before, h, last.At.Sub(values[len(values)-2].At)) >= 1+r.MinimumPct/100-1e-9:
		r.Verdict = AtOrAbove
	default:
		r.Verdict = Below
	}
	return r
}

// compare fills in the interval and, where both values can be reckoned with,
// the rise.
func (r *Rise) compare(first, last Fact, p HCGPolicy) {
	between := last.At.Sub(first.At)
	r.IntervalH = between.Hours()
	if first.IUPerL < p.NegativeBelow || last.IUPerL < p.NegativeBelow || first.Reported != "" || last.Reported != "" {
		return
	}
	r.Rise48hPct = 100 * (Factor48(first.IUPerL, last.IUPerL, between) - 1)
	r.MinimumPct = MinimumRise(first.IUPerL)
}

// Words is the verdict in a sentence for staff.
func (r Rise) Words() string {
	var text string
	switch r.Verdict {
	case AtOrAbove:
		text = "at or above the published minimum; does not exclude an ectopic pregnancy"
	case Below:
		text = "below the published minimum; proves neither a loss nor an ectopic pregnancy"
	case Falling:
		text = "falling; an ectopic pregnancy is not excluded"
	case Negative:
		text = "negative"
	case Equivocal:
		text = "between negative and positive; to be repeated"
	}
	if !math.IsNaN(r.Rise48hPct) {
		text += fmt.Sprintf(" (%.4g h apart, %+.1f %% in 48 h, minimum %.0f %%)", r.IntervalH, r.Rise48hPct, r.MinimumPct)
	}
	return text
}
