package care_test

import (
	"math"
	"testing"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

func english() care.Words {
	return care.Words{Desk: &triage.Desk{Phrases: phrase.MustLoad()}, Lang: "en", Zone: zone}
}

const drawnCycle = `[{"fact":"period_start","at":"2026-03-02T08:15"},{"fact":"baseline","on":"2026-03-04","decision":"start"},
{"fact":"order","id":"o","drug":"letrozole","dose":5,"unit":"mg","times":["08:00"],"from":"2026-03-04","stop":{"after_days":5}},
{"fact":"scan","id":"s","on":"2026-03-11","right_mm":[15,10],"lining_mm":6.6},
{"fact":"scan","id":"s2","replaces":"s","on":"2026-03-11","right_mm":[14,10],"lining_mm":6.6},
{"fact":"trigger","at":"2026-03-13T21:30"},
{"fact":"order","id":"p","drug":"progesterone","dose":200,"unit":"mg","times":["20:00"],"from":"2026-03-15","stop":"order"},
{"fact":"transfer","on":"2026-03-20","embryo_day":5},
{"fact":"hcg","at":"2026-03-30T08:00","iu_per_l":100},{"fact":"hcg","at":"2026-04-01T08:00","iu_per_l":149}]`

func drawn(t *testing.T) (plan.Plan, []plan.Fact, time.Time) {
	t.Helper()
	p := plan.DefaultPolicy()
	facts, err := plan.ParseFacts([]byte(drawnCycle), p.Location())
	if err != nil {
		t.Fatal(err)
	}
	now := civil.MustDate("2026-04-01").At(civil.MustTime("12:00"), p.Location())
	pl, err := plan.Build(p, facts, now)
	if err != nil {
		t.Fatal(err)
	}
	return pl, facts, now
}

// The line of the smallest rise: 49 per cent in 48 hours under 1500 IU/L, 40 up to
// 3000, 33 above (Barnhart 2016, Obstet Gynecol 128:504), as a straight line in log hCG
// for other intervals.
func TestTheSmallestRiseIsDrawn(t *testing.T) {
	t.Parallel()
	_, facts, now := drawn(t)
	r := english()
	spec, ok := r.HCG(facts)
	if !ok || len(spec.HCG.Draws) != 2 || math.Abs(spec.HCG.Draws[0].Least-149) > 1e-9 {
		t.Fatalf("got %+v", spec.HCG)
	}
	for _, c := range []struct{ first, hours, want float64 }{
		{1499, 48, 1499 * 1.49}, {1500, 48, 2100}, {3000, 48, 4200}, {3001, 48, 3001 * 1.33}, {100, 24, 100 * 1.2207}, {100, 72, 100 * 1.8188},
	} {
		at := now
		pair := []plan.Fact{{Kind: plan.HCG, At: at, IUPerL: c.first}, {Kind: plan.HCG, At: at.Add(time.Duration(c.hours * float64(time.Hour))), IUPerL: 1}}
		got, _ := r.HCG(pair)
		if least := got.HCG.Draws[0].Least; math.Abs(least-c.want) > c.want*1e-4 {
			t.Errorf("from %v over %v h: got %v, want %v", c.first, c.hours, least, c.want)
		}
	}
}

// A scan that was corrected is drawn as it was corrected, and once.
func TestACorrectedScanIsDrawnOnce(t *testing.T) {
	t.Parallel()
	pl, facts, _ := drawn(t)
	spec, ok := english().Scans(pl, facts)
	if !ok || len(spec.Scans.Points) != 1 || spec.Scans.Points[0].Follicles[0] != 14 || spec.Scans.Points[0].Day != 10 {
		t.Errorf("got %+v", spec.Scans)
	}
}
