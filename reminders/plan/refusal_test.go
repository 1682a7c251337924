package plan

import (
	"errors"
	"strings"
	"testing"
	"time"

	"handrail.example/reminders/civil"
)

// cycle is a cycle up to the trigger; tests add to it.
const cycle = `{"fact":"period_start","id":"p","at":"2026-03-02T08:15"},
{"fact":"baseline","id":"b","on":"2026-03-04","decision":"start"},
{"fact":"order","id":"o","drug":"letrozole","dose":5,"unit":"mg","times":["20:00"],"from":"2026-03-04","stop":{"after_doses":5}},
{"fact":"trigger_order","id":"t","at":"2026-03-16T22:00","drug":"hCG","dose":10000,"unit":"IU"}`

func refusalOf(p Policy, facts, day string) error {
	read, err := ParseFacts([]byte(facts), p.Location())
	if err != nil {
		return err
	}
	_, err = Build(p, read, asOf(p, day))
	return err
}

// TestImpossibleFactsAreRefused: the error names the fact and says what to do,
// in one line.
func TestImpossibleFactsAreRefused(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, add, want string }{
		{"transfer before trigger", `{"fact":"transfer","id":"x","on":"2026-03-15","embryo_day":5,"embryos":1}`, "fact 5 (transfer, id x)"},
		{"transfer on the trigger's day", `{"fact":"transfer","on":"2026-03-16"}`, "not after the trigger of 2026-03-16"},
		{"transfer before day one", `{"fact":"transfer","on":"2026-02-20"}`, "before cycle day one"},
		{"lining of 78 mm", `{"fact":"scan","on":"2026-03-12","lining_mm":78}`, "lining_mm 78"},
		{"lining of 40 mm", `{"fact":"scan","on":"2026-03-12","lining_mm":40}`, "lining_mm 40"},
		{"lining of 0 mm", `{"fact":"scan","on":"2026-03-12","lining_mm":0}`, "lining_mm 0"},
		{"8 entered in cm", `{"fact":"scan","on":"2026-03-12","lining_mm":80}`, "lining_mm 80"},
		{"LH of 400", `{"fact":"bloods","on":"2026-03-12","lh_iu_per_l":400}`, "lh_iu_per_l 400"},
		{"LH below nothing", `{"fact":"scan","on":"2026-03-12","lining_mm":7,"lh_iu_per_l":-1}`, "lh_iu_per_l -1"},
		{"bloods without a value", `{"fact":"bloods","on":"2026-03-12"}`, "has no value"},
		{"an egg source of 12", `{"fact":"embryos","embryo_day":5,"egg_age":12}`, "egg_age 12"},
		{"fewer than none stored", `{"fact":"embryos","embryo_day":5,"stored":-1}`, "stored -1"},
		{"another backup", `{"fact":"embryos","embryo_day":5,"backup":"hope"}`, "backup"},
		{"more survived than thawed", `{"fact":"thaw","on":"2026-03-12","embryos":2,"survived":3}`, "survived 3 of 2"},
		{"another rhesus factor", `{"fact":"rhesus","on":"2026-03-12","rh":"weak"}`, "rh"},
		{"reported otherwise", `{"fact":"hcg","at":"2026-03-12T08:00","iu_per_l":5,"reported":"about"}`, "reported"},
		{"a very long laboratory", `{"fact":"hcg_drawn","at":"2026-03-12T08:00","laboratory":"` + strings.Repeat("x", 90) + `"}`, "too long"},
		{"lining in cm", `{"fact":"scan","on":"2026-03-12","lining_mm":0.8}`, "lining_mm 0.8"},
		{"follicle of 180 mm", `{"fact":"scan","on":"2026-03-12","right_mm":[18,180]}`, "follicle 180"},
		{"a result from the future", `{"fact":"hcg","at":"2026-04-11T08:00","iu_per_l":120}`, "fact 5 (hcg): is dated after now"},
		{"a result from later today", `{"fact":"hcg","at":"2026-04-11T00:01","iu_per_l":120}`, "dated after now"},
		{"a baseline from the future", `{"fact":"baseline","on":"2026-04-11","decision":"rescan"}`, "dated after now"},
		{"a trigger from the future", `{"fact":"trigger","at":"2026-04-11T22:00"}`, "dated after now"},
		{"a cancellation from the future", `{"fact":"cancelled","on":"2026-04-11","reason":"r"}`, "dated after now"},
		{"negative hCG value", `{"fact":"hcg","at":"2026-04-01T08:00","iu_per_l":-3}`, "iu_per_l -3"},
		{"two periods", `{"fact":"period_start","id":"p2","at":"2026-03-03T08:00"}`, "a cycle has one period_start"},
		{"two trigger orders", `{"fact":"trigger_order","at":"2026-03-17T22:00","drug":"hCG","dose":10000,"unit":"IU"}`, "a cycle has one trigger_order"},
		{"two baselines on a day", `{"fact":"baseline","on":"2026-03-04","decision":"cancel"}`, "the same was entered before"},
		{"two values of a minute", `{"fact":"hcg","at":"2026-04-01T08:00","iu_per_l":50},{"fact":"hcg","at":"2026-04-01T08:00","iu_per_l":60}`, "the same was entered before"},
		{"two transfer visits", `{"fact":"visit","step":"transfer","at":"2026-03-23T10:00"},{"fact":"visit","step":"transfer","at":"2026-03-24T10:00"}`, "the same was entered before"},
		{"trigger before day one", `{"fact":"trigger","at":"2026-02-20T22:00"}`, "before cycle day one"},
		{"baseline before day one", `{"fact":"baseline","on":"2026-03-01","decision":"rescan"}`, "before cycle day one"},
		{"ultrasound before transfer", `{"fact":"transfer","on":"2026-03-23"},{"fact":"ob_ultrasound","on":"2026-03-20","viable":true}`, "not after the transfer"},
		{"transfer after cancellation", `{"fact":"cancelled","on":"2026-03-20","reason":"thin lining"},{"fact":"transfer","on":"2026-03-23"}`, "was cancelled on 2026-03-20"},
		{"replaces nobody", `{"fact":"trigger_order","replaces":"zz","at":"2026-03-17T22:00","drug":"hCG","dose":10000,"unit":"IU"}`, `replaces "zz"`},
		{"replaces another kind", `{"fact":"trigger","replaces":"o","at":"2026-03-17T22:00"}`, "another kind"},
		{"replaces what was replaced", `{"fact":"trigger_order","id":"t2","replaces":"t","at":"2026-03-17T22:00","drug":"hCG","dose":10000,"unit":"IU"},{"fact":"trigger_order","replaces":"t","at":"2026-03-18T22:00","drug":"hCG","dose":10000,"unit":"IU"}`, "replaced already"},
		{"replaces itself", `{"fact":"embryos","id":"e","replaces":"e","embryo_day":5}`, "in a circle"},
		{"an id twice", `{"fact":"embryos","id":"o","embryo_day":5}`, "same id"},
		{"an order twice", `{"fact":"order","id":"o2","drug":"Letrozole","dose":5,"unit":"mg","times":["20:00"],"from":"2026-03-04","stop":{"after_doses":5}}`, "the same was entered before"},
		{"stops nothing", `{"fact":"stop_order","order":"zz","on":"2026-03-06"}`, `order "zz" is not on record`},
		{"stops no order", `{"fact":"stop_order","order":"b","on":"2026-03-06"}`, `order "b" is not on record`},
		{"stops twice", `{"fact":"stop_order","order":"o","on":"2026-03-06"},{"fact":"stop_order","order":"o","on":"2026-03-07"}`, "the same was entered before"},
		{"stops a replaced order", `{"fact":"order","id":"o2","replaces":"o","drug":"letrozole","dose":7.5,"unit":"mg","times":["20:00"],"from":"2026-03-05","stop":{"after_doses":5}},{"fact":"stop_order","order":"o","on":"2026-03-06"}`, "was replaced by"},
		{"night that does not fit", `{"fact":"trigger","at":"2026-03-17T00:30","night_of":"2026-03-15"}`, "night_of 2026-03-15"},
		{"an answer about the trigger", `{"fact":"dose","order":"t","at":"2026-03-16T22:00","taken":true}`, "is a trigger order"},
		{"a year slipped", `{"fact":"visit","step":"monitoring","at":"0206-03-12T08:00"}`, "the year 206"},
		{"an item that is on no checklist", `{"fact":"ready","item":"shoes","on":"2026-03-01"}`, `item "shoes"`},
		{"unknown kind", `{"fact":"luck","on":"2026-03-05"}`, `"luck" is not a kind of fact`},
		{"no kind", `{"on":"2026-03-05"}`, "has no kind"},
		{"not an object", `7`, "has no kind"},
		{"unknown field", `{"fact":"scan","on":"2026-03-12","lining":7}`, "lining"},
		{"field of another kind", `{"fact":"scan","on":"2026-03-12","iu_per_l":7}`, "has no iu_per_l"},
		{"missing field", `{"fact":"hcg","at":"2026-04-01T08:00"}`, "iu_per_l is missing"},
		{"missing reason", `{"fact":"cancelled","on":"2026-03-20","reason":""}`, "reason is missing"},
		{"wrong type", `{"fact":"hcg","at":"2026-04-01T08:00","iu_per_l":"120"}`, "iu_per_l cannot be a string"},
		{"no such day", `{"fact":"scan","on":"2026-02-30"}`, `"2026-02-30" is not a date`},
		{"no such minute", `{"fact":"trigger","at":"2026-03-16"}`, "is not a minute"},
		{"no such time", `{"fact":"order","drug":"x","dose":1,"unit":"mg","times":["8:00"],"from":"2026-03-04","stop":"order"}`, `"8:00" is not a time of day`},
		{"a time twice", `{"fact":"order","drug":"x","dose":1,"unit":"mg","times":["08:00","08:00"],"from":"2026-03-04","stop":"order"}`, "08:00 twice"},
		{"no times", `{"fact":"order","drug":"x","dose":1,"unit":"mg","times":[],"from":"2026-03-04","stop":"order"}`, "times is missing"},
		{"dose of nothing", `{"fact":"order","drug":"x","dose":0,"unit":"mg","times":["08:00"],"from":"2026-03-04","stop":"order"}`, "dose 0"},
		{"unknown stop", `{"fact":"order","drug":"x","dose":1,"unit":"mg","times":["08:00"],"from":"2026-03-04","stop":"never"}`, `stop: "never"`},
		{"two stops", `{"fact":"order","drug":"x","dose":1,"unit":"mg","times":["08:00"],"from":"2026-03-04","stop":{"after_doses":5,"after_days":5}}`, "stop: not understood"},
		{"stop of nothing", `{"fact":"order","drug":"x","dose":1,"unit":"mg","times":["08:00"],"from":"2026-03-04","stop":{"after_doses":0}}`, "at least 1"},
		{"endless course", `{"fact":"order","drug":"x","dose":1,"unit":"mg","times":["08:00"],"from":"2026-03-04","stop":{"after_doses":1000000}}`, "too long"},
		{"embryo of day 4", `{"fact":"embryos","embryo_day":4}`, "embryo_day 4"},
		{"no embryo", `{"fact":"transfer","on":"2026-03-23","embryo_day":5,"embryos":0}`, "less than 1"},
		{"unknown decision", `{"fact":"baseline","on":"2026-03-05","decision":"maybe"}`, `decision "maybe"`},
		{"unknown pattern", `{"fact":"scan","on":"2026-03-12","pattern":"wavy"}`, `pattern "wavy"`},
		{"visit for the trigger", `{"fact":"visit","step":"trigger","at":"2026-03-16T22:00"}`, `step "trigger"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			err := refusalOf(DefaultPolicy(), "["+cycle+","+c.add+"]", "2026-04-10")
			var r *Refusal
			if !errors.As(err, &r) {
				t.Fatalf("got %v, want a refusal", err)
			}
			if !strings.Contains(err.Error(), c.want) || r.Do == "" || strings.Contains(err.Error(), "\n") {
				t.Errorf("got %q, want one line with %q", err, c.want)
			}
		})
	}
}

func TestFactsThatAreNoList(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"", "{", "null", `{"fact":"embryos"}`, `[] []`, "[1"} {
		if facts, err := ParseFacts([]byte(text), time.UTC); err == nil {
			t.Errorf("%q: got %v, want a refusal", text, facts)
		}
	}
}

// TestUnusualFactsStandInConflicts: they are recorded all the same.
func TestUnusualFactsStandInConflicts(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, add string
		step      StepName
		code      string
	}{
		{"visit on a Sunday", `{"fact":"visit","step":"monitoring","at":"2026-03-15T08:00"}`, Monitoring, "on_closed_day"},
		{"visit at night", `{"fact":"visit","step":"monitoring","at":"2026-03-12T22:00"}`, Monitoring, "outside_hours"},
		{"visit outside its window", `{"fact":"visit","step":"monitoring","at":"2026-03-16T08:00"}`, Monitoring, "outside_window"},
		{"second baseline on a Sunday", `{"fact":"baseline","on":"2026-03-08","decision":"start"}`, Baseline, "on_closed_day"},
		{"day-3 embryo at trigger + 7", `{"fact":"transfer","on":"2026-03-23","embryo_day":3,"embryos":1}`, Transfer, "transfer_unusual"},
		{"blastocyst at trigger + 6 on a Sunday", `{"fact":"transfer","on":"2026-03-22","embryo_day":5,"embryos":1}`, Transfer, "lab_closed_given"},
		{"another embryo than planned", `{"fact":"embryos","embryo_day":3},{"fact":"transfer","on":"2026-03-23","embryo_day":5}`, Transfer, "embryo_differs"},
		{"trigger after midnight", `{"fact":"trigger","at":"2026-03-17T00:30"}`, Trigger, "after_midnight"},
		{"trigger ordered for after midnight", `{"fact":"trigger_order","replaces":"t","at":"2026-03-17T01:30","drug":"hCG","dose":10000,"unit":"IU"}`, Trigger, "after_midnight"},
		{"surge after the trigger", `{"fact":"trigger","at":"2026-03-16T22:00"},{"fact":"lh_surge","on":"2026-03-18"}`, Trigger, "surge_after_trigger"},
		{"progesterone before the trigger", `{"fact":"order","id":"l","drug":"progesterone","dose":200,"unit":"mg","times":["08:00"],"from":"2026-03-15","stop":"order"}`, LutealProgesterone, "order_outside"},
		{"tablets before the baseline was cleared", `{"fact":"order","id":"c","drug":"clomiphene citrate","dose":50,"unit":"mg","times":["08:00"],"from":"2026-03-03","stop":{"after_days":5}}`, Stimulation, "order_before_cleared"},
		{"two orders of a drug at once", `{"fact":"order","id":"c","drug":"letrozole","dose":7.5,"unit":"mg","times":["20:00"],"from":"2026-03-06","stop":{"after_doses":3}}`, Stimulation, "order_double"},
		{"a test before the transfer", `{"fact":"hcg","at":"2026-03-20T08:00","iu_per_l":60},{"fact":"transfer","on":"2026-03-23"}`, HCGFirst, "before_transfer"},
		{"a negative test too early", `{"fact":"transfer","on":"2026-03-23"},{"fact":"hcg","at":"2026-03-28T08:00","iu_per_l":1}`, HCGFirst, "negative_too_early"},
		{"values a day apart", `{"fact":"transfer","on":"2026-03-23"},{"fact":"hcg","at":"2026-04-01T08:00","iu_per_l":60},{"fact":"hcg","at":"2026-04-02T08:00","iu_per_l":100}`, HCGRepeat, "interval_unusual"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			got := built(t, DefaultPolicy(), "2026-04-10", "["+cycle+","+c.add+"]")
			for _, f := range conflictsOf(got, c.step) {
				if f.Why.Code == c.code {
					return
				}
			}
			t.Errorf("got conflicts %s, want %s about %s", show(got.Conflicts), c.code, c.step)
		})
	}
}

// TestTriggerHCGInTheBlood: hCG given seven days before the draw may still be
// found, after sixteen days it may not (half-life of a day to a day and a half;
// reckoning of our own).
func TestTriggerHCGInTheBlood(t *testing.T) {
	t.Parallel()
	given := `[{"fact":"trigger","at":"2026-11-09T22:00"%s},{"fact":"transfer","on":"2026-11-16"},{"fact":"hcg","at":"2026-11-%sT08:00","iu_per_l":30}%s]`
	for _, c := range []struct {
		name, drug, draw, more string
		want                   bool
	}{
		{"seven days", "", "16", "", true},
		{"sixteen days", "", "25", "", false},
		{"sixteen days after the trigger, five after a booster", "", "25", `,{"fact":"order","drug":"hCG","dose":1500,"unit":"IU","times":["08:00"],"from":"2026-11-20","stop":{"after_doses":1}}`, true},
		{"a trigger that is no hCG", `,"drug":"triptorelin"`, "16", "", false},
	} {
		text := strings.Replace(strings.Replace(strings.Replace(given, "%s", c.drug, 1), "%s", c.draw, 1), "%s", c.more, 1)
		if got := hasWhy(built(t, DefaultPolicy(), "2026-11-30", text), "trigger_in_blood"); got != c.want {
			t.Errorf("%s: flagged %v, want %v", c.name, got, c.want)
		}
	}
}

func TestCheckNamesTheNewFact(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	facts := mustFacts(t, p, "["+cycle+"]")
	add := Fact{Kind: Transferred, On: civil.MustDate("2026-03-15")}
	err := Check(p, facts, add, asOf(p, "2026-04-01"))
	if err == nil || !strings.HasPrefix(err.Error(), "the transfer: ") {
		t.Errorf("got %v, want a refusal of the transfer", err)
	}
	again := facts[0]
	again.ID = "p2"
	if err := Check(p, facts, again, asOf(p, "2026-04-01")); err == nil || !strings.HasPrefix(err.Error(), "the period_start, id p2: ") {
		t.Errorf("got %v, want a refusal of the second period", err)
	}
	add.On = civil.MustDate("2026-03-23")
	if err := Check(p, facts, add, asOf(p, "2026-04-01")); err != nil {
		t.Errorf("got %v, want it taken", err)
	}
	if err := Check(p, facts, Fact{Kind: Cancelled, On: civil.MustDate("2026-03-20")}, asOf(p, "2026-04-01")); err == nil {
		t.Error("a cancellation without a reason was taken")
	}
}
