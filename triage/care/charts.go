package care

import (
	"fmt"
	"math"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/picture"
	"handrail.example/reminders/plan"
)

// Drawing is a chart of a patient's values: what to draw, with its words.
type Drawing struct {
	// Name is that of its file, the same for every patient.
	Name string
	Spec picture.Spec
}

// Charts are the charts that there are of a patient: follicles and lining, hCG. It is
// empty where there is nothing to draw.
func (w Words) Charts(ch Chart) (all []Drawing) {
	facts := make([]plan.Fact, len(ch.Facts))
	for i, f := range ch.Facts {
		facts[i] = f.Fact
	}
	if spec, some := w.Scans(ch.Plan, facts); some {
		all = append(all, Drawing{"follicles.png", spec})
	}
	if spec, some := w.HCG(facts); some {
		all = append(all, Drawing{"hcg.png", spec})
	}
	return all
}

// thinLining is the line that the chart shows across, in mm: under it fewer frozen
// transfers led to a birth (Liu 2018, Hum Reprod 33:1883).
const thinLining = 7

// Scans is the chart of follicles and lining, for staff; false without a scan.
func (w Words) Scans(p plan.Plan, facts []plan.Fact) (picture.Spec, bool) {
	c := &picture.Scans{Title: w.phrase("chart.scans", nil), Days: w.phrase("chart.days", nil), MM: "mm", Lead: w.phrase("chart.lead", nil),
		Others: w.phrase("chart.others", nil), Lining: w.phrase("value.lining", nil),
		Levels: []picture.Level{{At: thinLining, Says: w.phrase("chart.thin", phrase.Args{"mm": fmt.Sprint(thinLining)})}}}
	for _, f := range plan.Standing(facts) {
		if day := p.CycleDay(f.On); f.Kind == plan.Scan && day > 0 {
			c.Points = append(c.Points, picture.Scan{Day: day, Follicles: append(append([]float64{}, f.RightMM...), f.LeftMM...), Lining: f.LiningMM})
		}
	}
	spec := picture.Spec{Scans: c}
	return spec, spec.Alt() != ""
}

// HCG is the chart of hCG with the smallest rise that viable pregnancies showed, from
// each value to the next or over 48 hours (Barnhart 2016, Obstet Gynecol 128:504), for
// staff; false without a value.
func (w Words) HCG(facts []plan.Fact) (picture.Spec, bool) {
	c := &picture.HCG{Title: w.phrase("chart.hcg", nil), Value: "hCG", Least: w.phrase("chart.least", nil), IU: w.phrase("chart.iu", nil)}
	for _, f := range plan.Standing(facts) {
		if f.Kind != plan.HCG {
			continue
		}
		at := f.At.In(w.Zone)
		if n := len(c.Draws); n > 0 {
			least(&c.Draws[n-1], at)
		}
		c.Draws = append(c.Draws, picture.Drawn{At: at, Value: f.IUPerL, Day: phrase.ShortDate(w.Lang, at.Month(), at.Day())})
	}
	if n := len(c.Draws); n > 0 {
		least(&c.Draws[n-1], c.Draws[n-1].At.Add(48*time.Hour))
	}
	spec := picture.Spec{HCG: c}
	return spec, spec.Alt() != ""
}

// least sets what was to be expected at an instant, from a value that can be reckoned
// with.
func least(d *picture.Drawn, at time.Time) {
	if hours := at.Sub(d.At).Hours(); d.Value >= 5 && hours > 0 {
		d.LeastAt, d.Least = at, d.Value*math.Pow(1+plan.MinimumRise(d.Value)/100, hours/48)
	}
}
