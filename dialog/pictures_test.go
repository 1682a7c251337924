package dialog

import (
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

func drawn(t *testing.T, day string) (plan.Plan, time.Time) {
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
	return pl, now
}

// What an unencrypted message says is limited (45 CFR 164.530(c)); the same words that
// a neutral sentence must not have.
func TestANeutralMonthGivesNothingAway(t *testing.T) {
	t.Parallel()
	pl, now := drawn(t, "2026-04-01")
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
	pl, now := drawn(t, "2026-04-01")
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
