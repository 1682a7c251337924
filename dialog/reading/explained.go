package reading

import (
	"cmp"
	"slices"

	"handrail.example/triage/rules"
)

// explainedBy has, for a sign, those that the same words tell better: who "can
// not stand" for pain is not dizzy, and a hand that can not be moved is no pain
// of the belly. Every one of the better ones is at least as urgent.
var explainedBy = map[rules.Sign][]rules.Sign{
	"near_faint":        {"leg_swelling", "severe_belly_pain", "sudden_pain", "fainted", "soaking", "stroke", "breathless", "worst_headache", "vision_loss", "seizure", "vomiting_lots"},
	"dizzy":             {"fainted", "near_faint"},
	"severe_belly_pain": {"stroke", "worst_headache", "chest_pain", "breathless", "airway_swelling", "vision_loss"},
	"sudden_pain":       {"stroke", "worst_headache", "chest_pain", "vision_loss"},
	"airway_swelling":   {"stroke", "seizure"},
	"fainted":           {"self_harm", "vision_loss", "seizure"},
	"fall":              {"fainted", "near_faint", "violence", "danger"},
	"unread":            {"fainted", "severe_belly_pain"},
	"side_effect":       {"chest_pain", "leg_swelling", "stroke", "hives", "airway_swelling"},
	"bloated":           {"tense_belly", "leg_swelling", "airway_swelling", "weight_gain"},
	"hives":             {"airway_swelling"},
	"mild_headache":     {"worst_headache", "headache_severe", "stroke"},
	"vision_blur":       {"vision_loss"},
	"pain_elsewhere":    {"stroke", "leg_swelling", "shoulder_pain", "chest_pain"},
	"moderate_pain":     {"severe_belly_pain", "sudden_pain", "burning_urine"},
	"one_sided_pain":    {"severe_belly_pain", "sudden_pain"},
	"chills":            {"rigors"},
}

// dropExplained takes away the present signs whose words, all of them, tell
// another one better.
func dropExplained(all []seen) []seen {
	slices.SortStableFunc(all, func(a, b seen) int { return cmp.Compare(a.from, b.from) })
	var out []seen
	for i, x := range all {
		if x.state != Present || !explained(all, i) {
			out = append(out, x)
		}
	}
	return out
}

// explained looks for a better sign among those that stand near all[i].
func explained(all []seen, i int) bool {
	x := all[i]
	better := func(o seen) bool {
		return o.state == Present && o.from < x.to && x.from < o.to && slices.Contains(explainedBy[x.sign], o.sign)
	}
	for k := i - 1; k >= 0 && all[k].from > x.from-2*maxSpan; k-- {
		if better(all[k]) {
			return true
		}
	}
	for k := i + 1; k < len(all) && all[k].from < x.to; k++ {
		if better(all[k]) {
			return true
		}
	}
	return false
}
