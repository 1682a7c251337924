package reckon

import (
	"testing"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

// Whatever the facts are, the reckoning ends, refuses in words or gives values that
// are probabilities and days in order.
func FuzzReckon(f *testing.F) {
	p := plan.DefaultPolicy()
	for _, seed := range []string{
		`[{"fact":"period_start","at":"2026-03-01T08:15"},{"fact":"scan","on":"2026-03-11","right_mm":[16,12],"left_mm":[11],"lining_mm":6.6,"lh_iu_per_l":9,"progesterone_ng_ml":0.6}]`,
		`[{"fact":"scan","on":"2026-03-11","right_mm":[],"left_mm":[]},{"fact":"bloods","on":"2026-03-12","lh_iu_per_l":20},{"fact":"home_lh","on":"2026-03-12"}]`,
		`[{"fact":"transfer","on":"2026-03-20"},{"fact":"hcg","at":"2026-03-30T08:00","iu_per_l":100},{"fact":"hcg","at":"2026-04-01T08:00","iu_per_l":5,"reported":"below","laboratory":"Tarn Vale"}]`,
	} {
		f.Add([]byte(seed))
	}
	now := civil.MustDate("2026-05-01").At(720, p.Location())
	f.Fuzz(func(t *testing.T, b []byte) {
		facts, err := plan.ParseFacts(b, p.Location())
		if err != nil {
			return
		}
		for _, at := range []time.Time{now, now.AddDate(0, 0, -50)} {
			r, err := Read(p, facts, at)
			if err != nil {
				continue
			}
			if c := r.Readiness.Chance; !(c >= 0 && c <= 1) {
				t.Fatalf("a probability of %v", c)
			}
			if _, err := Weigh(p, facts, r, at, nil); err != nil {
				t.Fatal(err)
			}
		}
		s := HCG(p, facts, now)
		for i := 1; i < len(s.Values); i++ {
			if s.Values[i].At.Before(s.Values[i-1].At) {
				t.Fatalf("values out of order: %v", s.Values)
			}
		}
	})
}
