package reckon

import (
	"errors"
	"math"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

// Point is one measurement of a scan, in mm.
type Point struct {
	On civil.Date
	MM float64
}

// Growth is a straight line through the measurements of one thing, with its
// spread. Where she has few scans the published rate stands in for them; each
// scan of her own takes weight from it.
type Growth struct {
	// Points are what was measured, in order of their days; the line goes through
	// the last Used of them.
	Points []Point
	Used   int
	// Prior is the rate that was expected before any scan, mm a day.
	Prior plan.Rate
	// Rate is how fast it grows, mm a day; Level what it measures on At, the day
	// of the last scan, mm. Both have their standard deviation.
	Rate, RateSD   float64
	Level, LevelSD float64
	At             civil.Date

	cov float64 // of level and rate
}

// Known reports whether there is anything to reckon with.
func (g Growth) Known() bool { return len(g.Points) > 0 }

// Last is the last measurement.
func (g Growth) Last() Point {
	if !g.Known() {
		return Point{}
	}
	return g.Points[len(g.Points)-1]
}

// fit draws the line: a normal prior for the rate, none for the level, and
// measurements with a normal error of a known spread. The posterior of level and
// rate is normal too and has a closed form (conjugate linear regression, any
// textbook of Bayesian statistics).
//
// Points before the thing measured from least mm are left out, since a follicle
// grows in a straight line from its selection only; the last point always counts.
func fit(points []Point, least float64, prior plan.Rate, measuring float64) Growth {
	g := Growth{Points: points, Prior: prior, Rate: prior.Mean, RateSD: prior.SD}
	if len(points) == 0 {
		return g
	}
	g.At = g.Last().On
	// Precision and weighted sums, days counted from the last scan.
	w := 1 / (measuring * measuring)
	var n, t, tt, y, ty float64
	for i := len(points) - 1; i >= 0; i-- {
		p := points[i]
		if p.MM < least && i < len(points)-1 {
			break
		}
		d := float64(p.On.DaysSince(g.At))
		n, t, tt, y, ty = n+w, t+w*d, tt+w*d*d, y+w*p.MM, ty+w*d*p.MM
		g.Used++
	}
	pr := 1 / (prior.SD * prior.SD)
	tt, ty = tt+pr, ty+pr*prior.Mean
	det := n*tt - t*t
	g.Level, g.Rate = (tt*y-t*ty)/det, (n*ty-t*y)/det
	g.LevelSD, g.RateSD, g.cov = math.Sqrt(tt/det), math.Sqrt(n/det), -t/det
	return g
}

// On is what it is expected to measure on a day, mm, with the standard deviation.
func (g Growth) On(d civil.Date) (mm, sd float64) {
	n := float64(d.DaysSince(g.At))
	return g.Level + n*g.Rate, math.Sqrt(g.LevelSD*g.LevelSD + n*n*g.RateSD*g.RateSD + 2*n*g.cov)
}

// reachedBy is the probability that it has reached a size by a day, from the day
// of the last scan on. It never falls from one day to the next.
func (g Growth) reachedBy(target float64, d civil.Date) float64 {
	best := 0.0
	for day := g.At; !day.After(d); day = day.AddDays(1) {
		mm, sd := g.On(day)
		best = max(best, normal((mm-target)/sd))
	}
	return best
}

// normal is the standard normal distribution function.
func normal(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

// ErrNoGrowth says that at this rate a size is never reached.
var ErrNoGrowth = errors.New("a follicle that does not grow reaches no size: enter a rate of more than 0 mm a day")

// DaysTo is after how many whole days something that measures mm reaches target
// when it grows by rate mm a day; 0 when it measures that already.
func DaysTo(mm, target, rate float64) (int, error) {
	switch {
	case !(rate > 0):
		return 0, ErrNoGrowth
	case mm >= target:
		return 0, nil
	}
	return int(math.Ceil((target-mm)/rate - 1e-9)), nil
}
