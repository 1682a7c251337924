package dialog

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/reckon"
	"handrail.example/triage"
)

// A key that is not in the phrasebook would be shown as it is. Every one that the
// staff's side names in its source must be there, and every member of a family
// that is put together at run time.
func TestThePhrasebookKnowsWhatIsSaidToStaff(t *testing.T) {
	t.Parallel()
	book := phrase.MustLoad()
	named := 0
	for glob, pattern := range map[string]struct{ expr, prefix string }{
		"staff*.go":           {`c\.(?:phrase|button)\("([a-z_.]+[a-z_])"`, ""},
		"staff*.go ":          {`Refuse\("([a-z_]+)"`, "refused."},
		"../triage/*.go":      {`(?i:refuse)\("([a-z_]+)"`, "refused."},
		"../triage/*.go ":     {`Say\(lang, "([a-z_.]+[a-z_])"`, ""},
		"../triage/care/*.go": {`Refuse\("([a-z_]+)"`, "refused."},
	} {
		files, err := filepath.Glob(strings.TrimSpace(glob))
		if err != nil || len(files) == 0 {
			t.Fatalf("%s: %v", glob, err)
		}
		for _, file := range files {
			source, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range regexp.MustCompile(pattern.expr).FindAllStringSubmatch(string(source), -1) {
				named++
				if key := pattern.prefix + m[1]; !strings.HasSuffix(key, "_") && !book.Has(key) { // "_": put together at run time
					t.Errorf("%s names %s, which the phrasebook lacks", file, key)
				}
			}
		}
	}
	if named < 100 {
		t.Errorf("only %d keys found in the source: the patterns have gone stale", named)
	}
	for prefix, members := range map[string][]string{
		"status.":   {string(plan.Projected), string(plan.Due), string(plan.Done), string(plan.Missed), string(plan.Dropped)},
		"word.":     {string(plan.ThawNext), string(plan.CallOff), string(plan.AskHerThen), string(plan.BeforeCycle), string(plan.InStimulation), string(plan.AfterTrigger), string(plan.AfterTransfer), string(plan.EarlyPregnancy)},
		"decision.": {string(plan.Start), string(plan.Rescan), string(plan.Cancel)},
		"pattern.":  {string(plan.Trilaminar), string(plan.Intermediate), string(plan.Homogeneous)},
		"event.": {string(triage.Began), string(triage.Wrote), string(triage.Raised), string(triage.Alerted), string(triage.AlertFailed), string(triage.TookIt),
			string(triage.Replied), string(triage.HandedOver), string(triage.Released), string(triage.Came), string(triage.Ended)},
		"staff.change_": {string(plan.Added), string(plan.Moved), string(plan.Removed)},
		"criterion.": {string(reckon.LeadSize), string(reckon.LiningSize), string(reckon.Progesterone), string(reckon.LH),
			string(reckon.Met), string(reckon.NotMet), string(reckon.Unknown), string(reckon.Obsolete)},
		"growth.": {"lead", "right", "left", "lining"},
		"course.": {string(reckon.Single), string(reckon.Rising), string(reckon.Slow), string(reckon.Plateau), string(reckon.FallingCourse),
			string(reckon.NegativeValue), string(reckon.EquivocalOne), string(reckon.NotReckoned)},
		"word.course_": {string(reckon.Rising), string(reckon.Slow), string(reckon.Plateau), string(reckon.FallingCourse), string(reckon.NotReckoned)},
		"word.nice_":   {string(reckon.NICERise), string(reckon.NICEBetween), string(reckon.NICEFall), string(reckon.NICETooShort)},
		"word.place_":  {string(reckon.UnderSlowest), string(reckon.WithinCurves), string(reckon.OverFastest)},
		"value.rh_":    {string(plan.RhNegative), string(plan.RhPositive)},
		"value.not_":   {"euploid", "favourable", "counts"},
		"refused.":     {"order_lacks_product", "order_lacks_route", "order_lacks_prescriber"},
	} {
		for _, m := range members {
			if !book.Has(prefix + m) {
				t.Errorf("the phrasebook lacks %s", prefix+m)
			}
		}
	}
	for _, r := range triage.Roles {
		if !book.Has("role." + string(r)) {
			t.Errorf("the phrasebook lacks role.%s", r)
		}
	}
	for item := range plan.DefaultPolicy().Readiness {
		if !book.Has("word." + item) {
			t.Errorf("the phrasebook lacks word.%s", item)
		}
	}
}
