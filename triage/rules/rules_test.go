package rules

import (
	"slices"
	"strings"
	"testing"
)

func TestTableIsSound(t *testing.T) {
	t.Parallel()
	tab, err := parseTable(signsText, rulesText, cautionsText)
	if err != nil {
		t.Fatal(err)
	}
	for key, c := range tab.cautions {
		if c.en == "" || c.es == "" {
			t.Errorf("caution %q lacks a language", key)
		}
	}
}

// A caution must not calm: it names whom to call, and never says that
// something is normal, harmless or fine.
func TestCautionsNeverReassure(t *testing.T) {
	t.Parallel()
	banned := []string{
		"normal", "harmless", "fine", "nothing to worry", "don't worry", "safe to",
		"no se preocupe", "inofensiv", "está bien", "tranquila", "no es grave", "no pasa nada",
	}
	for key := range theTable().cautions {
		for _, lang := range []string{"en", "es"} {
			text := strings.ToLower(Caution(key, lang))
			for _, word := range banned {
				if strings.Contains(text, word) {
					t.Errorf("caution %s/%s says %q", key, lang, word)
				}
			}
		}
	}
}

func TestEmergencyCautionsNameTheNumber(t *testing.T) {
	t.Parallel()
	for _, r := range Rules() {
		if r.Urgency != Emergency {
			continue
		}
		for _, lang := range []string{"en", "es"} {
			if !strings.Contains(Caution(r.Caution, lang), "{emergency}") {
				t.Errorf("rule %s: its %s caution does not name the emergency number", r.ID, lang)
			}
		}
	}
}

// Sources stand beside the rules in rules.txt; this test takes the routing
// that the published red flags ask for and finds it in the table.
func TestAssess(t *testing.T) {
	t.Parallel()
	cases := []struct {
		name string
		in   Input
		want Urgency
		page bool
	}{
		{"soaking a pad an hour", Input{Signs: []Sign{"soaking"}}, Emergency, true},
		{"large clots alone", Input{Signs: []Sign{"large_clots"}, Phase: BeforeCycle}, SameDay, false},
		{"large clots, light-headed", Input{Signs: []Sign{"large_clots", "dizzy"}, Phase: BeforeCycle}, Emergency, true},
		{"spotting and a faint", Input{Signs: []Sign{"spotting", "fainted"}}, Emergency, true},
		{"period bleeding nine days after transfer", Input{Signs: []Sign{"period_bleeding"}, Phase: AfterTransfer}, SameDay, false},
		{"period bleeding, phase unknown", Input{Signs: []Sign{"period_bleeding"}, Intents: []Intent{PeriodStart}}, None, false},
		{"shoulder pain after transfer", Input{Signs: []Sign{"shoulder_pain"}, Phase: AfterTransfer}, Emergency, true},
		{"shoulder pain, phase unknown", Input{Signs: []Sign{"shoulder_pain"}}, Emergency, true},
		{"shoulder pain once seen in the womb", Input{Signs: []Sign{"shoulder_pain"}, Phase: EarlyPregnancy, Flags: []Flag{SeenInWomb}}, SameDay, false},
		{"severe pain", Input{Signs: []Sign{"severe_belly_pain"}}, Emergency, true},
		{"severe back pain", Input{Signs: []Sign{"pain_elsewhere"}}, SameDay, false},
		{"fever", Input{Signs: []Sign{"high_temperature"}}, SameDay, false},
		{"fever with rigors", Input{Signs: []Sign{"high_temperature", "rigors"}}, Emergency, true},
		{"vomiting and little urine after the trigger", Input{Signs: []Sign{"vomited", "low_urine", "tense_belly"}, Phase: AfterTrigger}, Emergency, true},
		{"weight after the trigger", Input{Signs: []Sign{"weight_gain"}, Phase: AfterTrigger}, SameDay, true},
		{"weight in stimulation", Input{Signs: []Sign{"weight_gain"}, Phase: Stimulation}, SameDay, false},
		{"swollen calf", Input{Signs: []Sign{"leg_swelling"}}, SameDay, true},
		{"swollen calf, breathless", Input{Signs: []Sign{"leg_swelling", "breathless"}}, Emergency, true},
		{"earlier ectopic with pain", Input{Signs: []Sign{"cramps"}, Phase: EarlyPregnancy, Flags: []Flag{EarlierEctopic}}, Emergency, true},
		{"cramps after a poor rise", Input{Signs: []Sign{"cramps"}, Phase: EarlyPregnancy, Flags: []Flag{PoorRise}}, SameDay, true},
		{"mild cramps before transfer", Input{Intents: []Intent{Symptom}, Signs: []Sign{"cramps"}, Phase: Stimulation}, Routine, false},
		{"letrozole missed today", Input{Drug: Letrozole, Doses: []Dose{Missed}, Intents: []Intent{DoseMissed}}, Routine, false},
		{"letrozole missed yesterday", Input{Drug: Letrozole, Doses: []Dose{Missed, EarlierDay}, Intents: []Intent{DoseMissed}}, SameDay, false},
		{"trigger late", Input{Drug: Trigger, Doses: []Dose{Late}, Intents: []Intent{DoseMissed}}, SameDay, true},
		{"progesterone missed by day", Input{Drug: Progesterone, Doses: []Dose{Missed}}, SameDay, false},
		{"progesterone missed, next dose at night", Input{Drug: Progesterone, Doses: []Dose{Missed}, Flags: []Flag{DoseBeforeOpening}}, SameDay, true},
		{"violence at home", Input{Signs: []Sign{"violence"}}, SameDay, true},
		{"self-harm", Input{Signs: []Sign{"self_harm"}}, Emergency, true},
		{"dose taken", Input{Intents: []Intent{DoseTaken}}, None, false},
		{"thanks", Input{Intents: []Intent{Thanks}}, None, false},
		{"wants a person", Input{Intents: []Intent{HumanPlease}}, Routine, false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			got := Assess(c.in)
			if got.Urgency != c.want || got.PageNow != c.page {
				t.Errorf("got %v, page %v by %v; want %v, page %v", got.Urgency, got.PageNow, got.Rules, c.want, c.page)
			}
		})
	}
}

// Saying more must never make a message less urgent.
func TestMoreSignsNeverLower(t *testing.T) {
	t.Parallel()
	for _, phase := range append(slices.Clone(Phases), "") {
		for _, a := range Signs() {
			alone := Assess(Input{Phase: phase, Signs: []Sign{a}})
			for _, b := range Signs() {
				both := Assess(Input{Phase: phase, Signs: []Sign{a, b}})
				if both.Urgency < alone.Urgency {
					t.Errorf("%s: %s is %v, with %s it is %v", phase, a, alone.Urgency, b, both.Urgency)
				}
			}
		}
	}
}

func TestTableFaultsAreNamed(t *testing.T) {
	t.Parallel()
	cases := []struct{ name, rules, want string }{
		{"unknown sign", "rule a\nif earache\n", `"earache" is no term`},
		{"unknown phase", "rule a\nif fever\nphase someday\n", `"someday" is no phase`},
		{"no source", "rule a\nif fever\nwhy b\n", "lacks why or source"},
		{"no caution on an emergency", "rule a\nif fever\nwhy b\nsource c\nurgency emergency\n", "needs a caution"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			_, err := parseTable(signsText, c.rules, cautionsText)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want an error with %s", err, c.want)
			}
		})
	}
}
