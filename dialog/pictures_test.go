package dialog

import (
	"math"
	"strings"
	"testing"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

const drawnCycle = `[{"fact":"period_start","at":"2026-03-02T08:15"},{"fact":"baseline","on":"2026-03-04","decision":"start"},
{"fact":"order","id":"o","drug":"letrozole","dose":5,"unit":"mg","times":["08:00"],"from":"2026-03-04","stop":{"after_days":5}},
{"fact":"scan","id":"s","on":"2026-03-11","right_mm":[15,10],"lining_mm":6.6},
{"fact":"scan","id":"s2","replaces":"s","on":"2026-03-11","right_mm":[14,10],"lining_mm":6.6},
{"fact":"trigger","at":"2026-03-13T21:30"},
{"fact":"order","id":"p","drug":"progesterone","dose":200,"unit":"mg","times":["20:00"],"from":"2026-03-15","stop":"order"},
{"fact":"transfer","on":"2026-03-20","embryo_day":5},
{"fact":"hcg","at":"2026-03-30T08:00","iu_per_l":100},{"fact":"hcg","at":"2026-04-01T08:00","iu_per_l":149}]`

func drawn(t *testing.T, day string) (plan.Plan, []plan.Fact, time.Time) {
	t.Helper()
	p := plan.DefaultPolicy()
	facts, err := plan.ParseFacts([]byte(drawnCycle), p.Location())
	if err != nil {
		t.Fatal(err)
	}
	now := civil.MustDate(day).At(civil.MustTime("12:00"), p.Location())
	pl, err := plan.Build(p, facts, now)
	if err != nil {
		t.Fatal(err)
	}
	return pl, facts, now
}

// What an unencrypted message says is limited (45 CFR 164.530(c)); the same words that
// a neutral sentence must not have.
func TestANeutralMonthGivesNothingAway(t *testing.T) {
	t.Parallel()
	pl, _, now := drawn(t, "2026-04-01")
	for _, lang := range []string{"en", "es"} {
		r := Reader{Phrases: phrase.MustLoad(), Language: lang, Neutral: true, Zone: now.Location()}
		for _, day := range []string{"2026-03-03", "2026-03-12", "2026-03-31"} {
			spec, some := r.Month(pl, civil.MustDate(day))
			body, err := spec.JSON()
			if err != nil || !some {
				t.Fatalf("%s %s: nothing is drawn: %v", lang, day, err)
			}
			for _, w := range []string{"embr", "pregnan", "hcg", "ovul", "folli", "folíc", "trigger", "disparo", "progest", "estrog", "letroz", "transfer",
				"ultraso", "ecograf", "blood", "sangre", "result", "medica", "clinic", "clínica"} {
				if strings.Contains(strings.ToLower(string(body)+spec.Alt()), w) {
					t.Errorf("%s from %s gives away %q: %s", lang, day, w, body)
				}
			}
		}
	}
}

// The month holds what she is shown and no more: a repeat test that nobody has booked
// with her would tell her the first result.
func TestAMonthShowsWhatSheIsShown(t *testing.T) {
	t.Parallel()
	pl, _, now := drawn(t, "2026-04-01")
	spec, _ := Reader{Phrases: phrase.MustLoad(), Language: "en", Zone: now.Location()}.Month(pl, civil.MustDate("2026-03-30"))
	for _, hint := range []string{"ultrasound", "repeat", "follow-up", "check of your medication", "obstetrics"} {
		if strings.Contains(spec.Alt(), hint) {
			t.Errorf("the month shows %q:\n%s", hint, spec.Alt())
		}
	}
	if !strings.Contains(spec.Alt(), "Sun, Mar 15 – ") {
		t.Errorf("progesterone is not shown over its days:\n%s", spec.Alt())
	}
}

// The line of the smallest rise: 49 per cent in 48 hours under 1500 IU/L, 40 up to
// 3000, 33 above (Barnhart 2016, Obstet Gynecol 128:504), as a straight line in log hCG
// for other intervals.
func TestTheSmallestRiseIsDrawn(t *testing.T) {
	t.Parallel()
	_, facts, now := drawn(t, "2026-04-01")
	r := Reader{Phrases: phrase.MustLoad(), Language: "en", Zone: now.Location()}
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
	pl, facts, now := drawn(t, "2026-04-01")
	spec, ok := Reader{Phrases: phrase.MustLoad(), Language: "en", Zone: now.Location()}.Scans(pl, facts)
	if !ok || len(spec.Scans.Points) != 1 || spec.Scans.Points[0].Follicles[0] != 14 || spec.Scans.Points[0].Day != 10 {
		t.Errorf("got %+v", spec.Scans)
	}
}
