package plan

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"handrail.example/reminders/civil"
)

func TestCutOff(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	for _, c := range []struct{ at, want string }{
		{"2026-03-02T00:00", "2026-03-02"}, {"2026-03-02T16:59", "2026-03-02"}, {"2026-03-02T17:00", "2026-03-03"},
		{"2026-03-02T23:59", "2026-03-03"}, {"2026-12-31T18:00", "2027-01-01"}, {"2028-02-28T20:00", "2028-02-29"},
		{"2026-03-02T22:30:00Z", "2026-03-02"}, {"2026-03-02T23:30:00Z", "2026-03-03"}, // 16:30 and 17:30 in Chicago
	} {
		got := built(t, p, "2028-12-31", fmt.Sprintf(`[{"fact":"period_start","at":%q}]`, c.at))
		if got.CycleDayOne.String() != c.want {
			t.Errorf("%s: got day one %s, want %s", c.at, got.CycleDayOne, c.want)
		}
	}
	spotting := built(t, p, "2026-03-04", `[{"fact":"spotting","at":"2026-03-01T08:00"}]`)
	if !spotting.CycleDayOne.IsZero() || len(spotting.Steps) > 0 {
		t.Errorf("spotting began a cycle: %s", show(spotting))
	}
	turned := built(t, p, "2026-03-04", `[{"fact":"period_start","id":"a","at":"2026-03-01T08:00"},{"fact":"spotting","replaces":"a","at":"2026-03-01T08:00"}]`)
	if !turned.CycleDayOne.IsZero() {
		t.Error("a bleed that turned out to be spotting still counts")
	}
}

// TestReasonForASunday: the very sentence that a coordinator should read.
func TestReasonForASunday(t *testing.T) {
	t.Parallel()
	got := onlyStep(t, built(t, DefaultPolicy(), "2026-03-06", `[{"fact":"period_start","at":"2026-03-06T07:30"}]`), Baseline)
	want := "cycle day 3 is Sunday, clinic closed; day 2 is the nearest open day in the window 2 to 4"
	if got.On.String() != "2026-03-07" || got.Reasons[0].Words() != want {
		t.Errorf("got %s: %s, want 2026-03-07: %s", got.On, got.Reasons[0].Words(), want)
	}
}

func TestNoOpenDay(t *testing.T) {
	t.Parallel()
	p := policyWith(t, "opening: {days: [mon], calendar: {of: ''}, holidays: []}")
	got := built(t, p, "2026-03-03", `[{"fact":"period_start","at":"2026-03-03T07:30"}]`) // a Tuesday
	s := onlyStep(t, got, Baseline)
	if !s.On.IsZero() || s.From.String() != "2026-03-04" || s.To.String() != "2026-03-06" || len(conflictsOf(got, Baseline)) != 1 {
		t.Errorf("got %s and %s", show(s), show(got.Conflicts))
	}
	if around := texts(conflictsOf(got, Baseline)[0].Alternatives); !slices.Equal(around, []string{"2026-03-09"}) {
		t.Errorf("got alternatives %v, want the next open day that is not over", around)
	}
}

func TestStatusByDay(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	facts := mustFacts(t, p, `[{"fact":"period_start","at":"2026-03-02T08:15"}]`)
	for _, c := range []struct {
		now  string
		want Status
	}{
		{"2026-03-03T23:59", Projected}, {"2026-03-04T00:00", Due}, {"2026-03-04T23:59", Due}, {"2026-03-05T00:00", Missed},
	} {
		now, err := ParseInstant(c.now, p.Location())
		if err != nil {
			t.Fatal(err)
		}
		got, err := Build(p, facts, now)
		if err != nil {
			t.Fatal(err)
		}
		if s := onlyStep(t, got, Baseline); s.Status != c.want {
			t.Errorf("as of %s: got %s, want %s", c.now, s.Status, c.want)
		}
	}
}

// TestNothingBeforeAClearedBaseline: no tablet is due or asked about while the
// baseline is not cleared, whatever was ordered.
func TestNothingBeforeAClearedBaseline(t *testing.T) {
	t.Parallel()
	order := `,{"fact":"order","id":"o","drug":"letrozole","dose":5,"unit":"mg","times":["20:00"],"from":"2026-03-04","stop":{"after_doses":5}}`
	for _, c := range []struct {
		name, baseline string
		doses          int
		status         Status
	}{
		{"no baseline", ``, 0, Projected},
		{"rescan", `,{"fact":"baseline","on":"2026-03-04","decision":"rescan"}`, 0, Projected},
		{"cancel", `,{"fact":"baseline","on":"2026-03-04","decision":"cancel"}`, 0, Dropped},
		{"start", `,{"fact":"baseline","on":"2026-03-04","decision":"start"}`, 5, Due},
		{"start a day before", `,{"fact":"baseline","on":"2026-03-03","decision":"start"}`, 5, Due},
	} {
		got := built(t, DefaultPolicy(), "2026-03-04", `[{"fact":"period_start","at":"2026-03-02T08:15"}`+c.baseline+order+"]")
		if s := onlyStep(t, got, Stimulation); s.Status != c.status || len(got.Doses) != c.doses {
			t.Errorf("%s: got %s and %d doses, want %s and %d", c.name, s.Status, len(got.Doses), c.status, c.doses)
		}
	}
}

func TestStopRules(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, times, stop, more, last string
		doses                         int
	}{
		{"five doses once a day", `["20:00"]`, `{"after_doses":5}`, "", "2026-03-08", 5},
		{"five doses twice a day", `["08:00","20:00"]`, `{"after_doses":5}`, "", "2026-03-06", 5},
		{"five days twice a day", `["20:00","08:00"]`, `{"after_days":5}`, "", "2026-03-08", 10},
		{"at the trigger, doses in the evening", `["19:00"]`, `"trigger"`, `,{"fact":"trigger","at":"2026-03-16T22:00"}`, "2026-03-16", 13},
		{"at the trigger, doses after it", `["23:00"]`, `"trigger"`, `,{"fact":"trigger","at":"2026-03-16T22:00"}`, "2026-03-15", 12},
		{"at the minute of the trigger", `["22:00"]`, `"trigger"`, `,{"fact":"trigger","at":"2026-03-16T22:00"}`, "2026-03-15", 12},
		{"until a stop order", `["08:00"]`, `"order"`, `,{"fact":"stop_order","order":"o","on":"2026-03-10"}`, "2026-03-09", 6},
		{"a stop order ends a count early", `["08:00"]`, `{"after_doses":9}`, `,{"fact":"stop_order","order":"o","on":"2026-03-10"}`, "2026-03-09", 6},
		{"a stop order after the end", `["08:00"]`, `{"after_doses":3}`, `,{"fact":"stop_order","order":"o","on":"2026-03-10"}`, "2026-03-06", 3},
		{"stopped before the first dose", `["08:00"]`, `"order"`, `,{"fact":"stop_order","order":"o","on":"2026-03-04"}`, "", 0},
	} {
		got := built(t, DefaultPolicy(), "2026-03-20", `[{"fact":"period_start","at":"2026-03-02T08:15"},{"fact":"baseline","on":"2026-03-03","decision":"start"},
			{"fact":"order","id":"o","drug":"menotropin","dose":75,"unit":"IU","times":`+c.times+`,"from":"2026-03-04","stop":`+c.stop+`}`+c.more+"]")
		s := onlyStep(t, got, Stimulation)
		if len(got.Doses) != c.doses || c.last != "" && (s.To.String() != c.last || s.Status != Done) || c.last == "" && s.Status != Dropped {
			t.Errorf("%s: got %d doses to %s, %s, want %d to %s", c.name, len(got.Doses), s.To, s.Status, c.doses, c.last)
		}
		if n := len(got.Doses); n > 0 && civil.DateOf(got.Doses[n-1].At).String() != c.last {
			t.Errorf("%s: the last dose is %s, want %s", c.name, got.Doses[n-1].At, c.last)
		}
	}
}

func TestDosesOverAChangeOfClocks(t *testing.T) {
	t.Parallel()
	got := built(t, DefaultPolicy(), "2026-03-05", `[{"fact":"order","id":"o","drug":"progesterone","dose":200,"unit":"mg","times":["02:30","20:00"],"from":"2026-03-07","stop":{"after_days":3}}]`)
	var at []string
	for _, d := range got.Doses {
		at = append(at, d.At.Format(time.RFC3339))
	}
	want := []string{"2026-03-07T02:30:00-06:00", "2026-03-07T20:00:00-06:00", "2026-03-08T03:30:00-05:00", "2026-03-08T20:00:00-05:00",
		"2026-03-09T02:30:00-05:00", "2026-03-09T20:00:00-05:00"}
	if d := cmp.Diff(want, at); d != "" {
		t.Error(d)
	}
	if got.Doses[0].Next != got.Doses[1].At || !got.Doses[5].Next.IsZero() || got.Doses[2].Key != "o/3" || got.Doses[2].Number != 3 {
		t.Errorf("got %s", show(got.Doses))
	}
}

func TestOpenEndedDosesReachTheHorizon(t *testing.T) {
	t.Parallel()
	p := policyWith(t, "calendar: {dose_horizon_days: 7}")
	order := `[{"fact":"order","id":"o","drug":"progesterone","dose":200,"unit":"mg","times":["08:00"],"from":"2020-03-01","stop":"order"}]`
	got := built(t, p, "2026-03-10", order)
	last := got.Doses[len(got.Doses)-1]
	if want := civil.MustDate("2026-03-17"); civil.DateOf(last.At) != want || last.Number != want.DaysSince(civil.MustDate("2020-03-01"))+1 {
		t.Errorf("got the last dose %s, number %d", last.At, last.Number)
	}
	if len(got.Doses) > maxCourse+8 {
		t.Errorf("got %d doses", len(got.Doses))
	}
}

// TestTriggerEvenings: each evening that is offered leads to a transfer day that
// is open and not full, none lies before now, and every such evening is offered.
func TestTriggerEvenings(t *testing.T) {
	t.Parallel()
	p := policyWith(t, "lab: {full: [2026-03-24]}")
	facts := mustFacts(t, p, "["+strings.Replace(cycle, "2026-03-16T22:00", "2026-03-14T22:00", 1)+"]")
	got, err := Build(p, facts, asOf(p, "2026-03-12"))
	if err != nil {
		t.Fatal(err)
	}
	all := conflictsOf(got, Transfer)
	if len(all) != 1 {
		t.Fatalf("got conflicts %s, want one about the transfer of Saturday 2026-03-21", show(got.Conflicts))
	}
	want := []string{"2026-03-12", "2026-03-13", "2026-03-16"} // 17 leads to the full 24th
	if d := cmp.Diff(want, texts(all[0].Alternatives)); d != "" {
		t.Error(d)
	}
	evenings, err := TriggerEvenings(p, facts, civil.MustDate("2026-03-14"), asOf(p, "2026-03-12"))
	if err != nil || !slices.Equal(evenings, all[0].Alternatives) {
		t.Errorf("got %v, %v", evenings, err)
	}
	day3, err := TriggerEvenings(p, append(facts, Fact{Kind: Embryos, EmbryoDay: 3}), civil.MustDate("2026-03-14"), asOf(p, "2026-03-12"))
	if err != nil || !slices.Equal(texts(day3), []string{"2026-03-12", "2026-03-13", "2026-03-14", "2026-03-15"}) {
		t.Errorf("day-3 embryo: got %v, %v", texts(day3), err)
	}
}

func texts(days []civil.Date) []string {
	var out []string
	for _, d := range days {
		out = append(out, d.String())
	}
	return out
}

// TestCorrectionMovesOnlyWhatHangsOnIt: the trigger an hour late, day one wrong.
func TestCorrectionMovesOnlyWhatHangsOnIt(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	base := built(t, p, "2026-03-17", "["+cycle+`,{"fact":"trigger","id":"g","at":"2026-03-16T22:00"}]`)
	late := built(t, p, "2026-03-17", "["+cycle+`,{"fact":"trigger","id":"g","at":"2026-03-16T22:00"},{"fact":"trigger","id":"g2","replaces":"g","at":"2026-03-16T23:00"}]`)
	if got := moved(Diff(base, late)); !slices.Equal(got, []string{"moved trigger/1"}) {
		t.Errorf("an hour late: got %v, want only the trigger moved", got)
	}
	before := built(t, p, "2026-03-17", "["+strings.Replace(cycle, "2026-03-02T08:15", "2026-03-01T08:15", 1)+`,{"fact":"trigger","id":"g","at":"2026-03-16T22:00"}]`)
	if got := moved(Diff(before, base)); len(got) != 0 {
		t.Errorf("day one corrected after the trigger: got %v, want nothing that is still ahead to move", got)
	}
	next := built(t, p, "2026-03-17", "["+cycle+`,{"fact":"trigger","id":"g","at":"2026-03-17T22:00"}]`)
	got := moved(Diff(base, next))
	for _, key := range []string{"trigger/1", "luteal_progesterone/1", "transfer/1", "hcg_first/1", "luteal_end/1"} {
		if !slices.Contains(got, "moved "+key) {
			t.Errorf("a day late: %s did not move: %v", key, got)
		}
	}
	if slices.ContainsFunc(got, func(s string) bool { return strings.Contains(s, "baseline") || strings.Contains(s, "stimulation") }) {
		t.Errorf("a day late: something before the trigger moved: %v", got)
	}
}

func moved(changes []Change) []string {
	var out []string
	for _, c := range changes {
		out = append(out, string(c.Move)+" "+c.Key)
	}
	return out
}

func TestDiffOfAddedAndRemoved(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	was := built(t, p, "2026-03-12", "["+cycle+"]")
	visit := built(t, p, "2026-03-12", "["+cycle+`,{"fact":"visit","step":"monitoring","at":"2026-03-12T07:30"},{"fact":"visit","step":"monitoring","at":"2026-03-14T07:30"}]`)
	if got := moved(Diff(was, visit)); !slices.Equal(got, []string{"moved monitoring/1", "added monitoring/2"}) {
		t.Errorf("two visits booked: got %v", got)
	}
	if got := moved(Diff(visit, was)); !slices.Equal(got, []string{"moved monitoring/1", "removed monitoring/2"}) {
		t.Errorf("two visits withdrawn: got %v", got)
	}
	over := built(t, p, "2026-03-12", "["+cycle+`,{"fact":"cancelled","on":"2026-03-12","reason":"thin lining"}]`)
	for _, c := range Diff(was, over) {
		if c.Move != Removed {
			t.Errorf("cancelled: got %s %s", c.Move, c.Key)
		}
	}
	later := built(t, p, "2026-03-13", "["+cycle+"]")
	if got := Diff(was, later); len(got) != 0 {
		t.Errorf("a day later: got %v, want nothing", moved(got))
	}
}

func TestPhases(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	given := cycle + `,{"fact":"trigger","at":"2026-03-16T22:00"},{"fact":"transfer","on":"2026-03-23"}`
	for _, c := range []struct {
		name, now, facts string
		want             Phase
	}{
		{"no period", "2026-03-01T12:00", `{"fact":"progestin_end","on":"2026-02-27"}`, BeforeCycle},
		{"period", "2026-03-02T12:00", `{"fact":"period_start","at":"2026-03-02T08:15"}`, InStimulation},
		{"trigger ordered", "2026-03-16T21:59", cycle, InStimulation},
		{"its minute has come", "2026-03-16T22:00", cycle, AfterTrigger},
		{"a surge", "2026-03-12T12:00", `{"fact":"period_start","at":"2026-03-02T08:15"},{"fact":"lh_surge","on":"2026-03-12"}`, AfterTrigger},
		{"transferred", "2026-03-23T12:00", given, AfterTransfer},
		{"positive", "2026-04-01T12:00", given + `,{"fact":"hcg","at":"2026-04-01T08:00","iu_per_l":90}`, EarlyPregnancy},
		{"equivocal", "2026-04-01T12:00", given + `,{"fact":"hcg","at":"2026-04-01T08:00","iu_per_l":20}`, AfterTransfer},
		{"negative", "2026-04-01T12:00", given + `,{"fact":"hcg","at":"2026-04-01T08:00","iu_per_l":2}`, AfterTransfer},
		{"positive and fallen", "2026-04-08T12:00", given + `,{"fact":"hcg","at":"2026-04-01T08:00","iu_per_l":90},{"fact":"hcg","at":"2026-04-08T08:00","iu_per_l":3}`, EarlyPregnancy},
	} {
		now, err := ParseInstant(c.now, p.Location())
		if err != nil {
			t.Fatal(err)
		}
		got, err := Build(p, mustFacts(t, p, "["+c.facts+"]"), now)
		if err != nil {
			t.Fatal(err)
		}
		if got.Phase() != c.want {
			t.Errorf("%s: got %s, want %s", c.name, got.Phase(), c.want)
		}
	}
}

// TestPathsAfterTheTest: what each result does to the steps that follow.
func TestPathsAfterTheTest(t *testing.T) {
	t.Parallel()
	base := `{"fact":"trigger","at":"2026-11-09T22:00"},{"fact":"order","id":"l","drug":"progesterone","dose":200,"unit":"mg","times":["08:00"],"from":"2026-11-11","stop":"order"},{"fact":"transfer","on":"2026-11-16"}`
	value := func(day int, v float64) string {
		return fmt.Sprintf(`,{"fact":"hcg","at":"2026-11-%dT08:00","iu_per_l":%v}`, day, v)
	}
	for _, c := range []struct {
		name, facts string
		want        map[string]Status
		open        string
	}{
		{"negative", value(25, 1), map[string]Status{"hcg_repeat/1": Dropped, "ob_ultrasound/1": Dropped, "luteal_end/1": Missed, "follow_up/1": Projected}, "luteal_end/1"},
		{"equivocal", value(25, 12), map[string]Status{"hcg_repeat/1": Due, "ob_ultrasound/1": Projected, "luteal_end/1": Projected}, "result/"},
		{"positive", value(25, 120), map[string]Status{"hcg_repeat/1": Due, "ob_ultrasound/1": Projected, "luteal_end/1": Projected}, "result/"},
		{"good rise", value(25, 120) + value(27, 300), map[string]Status{"hcg_repeat/1": Done, "ob_ultrasound/1": Projected, "luteal_end/1": Projected}, "result/"},
		{"slow rise", value(25, 120) + value(27, 150), map[string]Status{"hcg_repeat/1": Done, "hcg_repeat/2": Projected, "ob_ultrasound/1": Projected}, "result/"},
		{"falling", value(25, 120) + value(27, 60), map[string]Status{"hcg_repeat/2": Projected, "luteal_end/1": Projected}, "result/"},
		{"negative too early", value(21, 1), map[string]Status{"hcg_first/1": Done, "hcg_repeat/1": Missed, "luteal_end/1": Projected}, "result/"},
	} {
		got := built(t, DefaultPolicy(), "2026-11-27", "["+base+c.facts+"]")
		for key, want := range c.want {
			if s, ok := got.Step(key); !ok || s.Status != want {
				t.Errorf("%s: %s: got %q, want %s", c.name, key, s.Status, want)
			}
		}
		_, followed := got.Step("follow_up/1")
		if _, wanted := c.want["follow_up/1"]; followed != wanted {
			t.Errorf("%s: a follow-up visit: got %v", c.name, followed)
		}
		if !slices.ContainsFunc(got.Open, func(o OpenEnd) bool { return strings.HasPrefix(o.Key, c.open) }) {
			t.Errorf("%s: nothing open under %s: %s", c.name, c.open, show(got.Open))
		}
	}
	slow := built(t, DefaultPolicy(), "2026-11-27", "["+base+value(25, 120)+value(27, 150)+"]")
	if s, _ := slow.Step("ob_ultrasound/1"); s.On.DaysSince(civil.MustDate("2026-11-27")) > 7 {
		t.Errorf("slow rise: the ultrasound is on %s, want it within a week", s.On)
	}
}

func TestGestationIsToldAfterAViableScanOnly(t *testing.T) {
	t.Parallel()
	base := `[{"fact":"transfer","on":"2026-11-16"},{"fact":"hcg","at":"2026-11-25T08:00","iu_per_l":120}`
	for _, c := range []struct {
		name, scan string
		want       bool
	}{
		{"no scan", ``, false},
		{"uncertain", `,{"fact":"ob_ultrasound","on":"2026-12-09"}`, false},
		{"uncertain, said so", `,{"fact":"ob_ultrasound","on":"2026-12-09","viable":null}`, false},
		{"not viable", `,{"fact":"ob_ultrasound","on":"2026-12-09","viable":false}`, false},
		{"viable", `,{"fact":"ob_ultrasound","on":"2026-12-09","viable":true}`, true},
		{"viable after uncertain", `,{"fact":"ob_ultrasound","on":"2026-12-09"},{"fact":"ob_ultrasound","on":"2026-12-16","viable":true}`, true},
	} {
		got := built(t, DefaultPolicy(), "2026-12-20", base+c.scan+"]")
		if got.Gestation == nil || got.Gestation.Tellable != c.want {
			t.Errorf("%s: got %+v, want tellable %v", c.name, got.Gestation, c.want)
		}
	}
}

// TestPeriodThatDoesNotCome: a case on the policy's day, gone with the period.
func TestPeriodThatDoesNotCome(t *testing.T) {
	t.Parallel()
	p := policyWith(t, "calendar: {period_late_days: 5, bleed_within_days: 10}")
	facts := `{"fact":"period_expected","on":"2026-03-01"},{"fact":"progestin_end","on":"2026-03-03"}`
	got := built(t, p, "2026-03-02", "["+facts+"]")
	want := map[string]string{"period_late": "2026-03-06T07:00:00-06:00", "bleed_late": "2026-03-13T07:00:00-05:00"}
	for _, o := range got.Open {
		if o.Due.Format(time.RFC3339) != want[o.Key] {
			t.Errorf("%s: got %s, want %s", o.Key, o.Due.Format(time.RFC3339), want[o.Key])
		}
		delete(want, o.Key)
	}
	if len(want) > 0 {
		t.Errorf("not open: %v", want)
	}
	came := built(t, p, "2026-03-08", "["+facts+`,{"fact":"period_start","at":"2026-03-07T09:00"}]`)
	for _, o := range came.Open {
		if strings.HasSuffix(o.Key, "_late") {
			t.Errorf("%s is still open after the period", o.Key)
		}
	}
}

func TestMonitoringByWhatIsOrdered(t *testing.T) {
	t.Parallel()
	tablets := `,{"fact":"order","id":"o","drug":"letrozole","dose":5,"unit":"mg","times":["20:00"],"from":"2026-03-04","stop":{"after_doses":5}}`
	shots := `,{"fact":"order","id":"i","drug":"menotropin","dose":75,"unit":"IU","times":["19:00"],"from":"2026-03-04","stop":"trigger"}`
	raised := `,{"fact":"order","id":"i2","replaces":"i","drug":"menotropin","dose":150,"unit":"IU","times":["19:00"],"from":"2026-03-07","stop":"trigger"}`
	moved := `,{"fact":"order","id":"i2","replaces":"i","drug":"menotropin","dose":75,"unit":"IU","times":["19:00"],"from":"2026-03-06","stop":"trigger"}`
	for _, c := range []struct{ name, orders, from, to string }{
		{"nothing yet", "", "2026-03-11", "2026-03-13"},
		{"tablets", tablets, "2026-03-11", "2026-03-13"},
		{"injections", shots, "2026-03-09", "2026-03-11"},
		{"injections, dose raised on the fourth day", shots + raised, "2026-03-09", "2026-03-11"},
		{"injections, first day corrected", shots + moved, "2026-03-11", "2026-03-13"},
		{"both", tablets + shots, "2026-03-11", "2026-03-13"},
	} {
		got := built(t, DefaultPolicy(), "2026-03-08", `[{"fact":"period_start","at":"2026-03-02T08:15"},{"fact":"baseline","on":"2026-03-04","decision":"start"}`+c.orders+"]")
		if s := onlyStep(t, got, Monitoring); s.From.String() != c.from || s.To.String() != c.to {
			t.Errorf("%s: got %s to %s, want %s to %s", c.name, s.From, s.To, c.from, c.to)
		}
	}
}

// TestPairOfTests: over a thousand transfer days both draws lie on open days,
// 48 hours apart, the first in its window and as near to day 9 as can be.
func TestPairOfTests(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	for n := range 700 {
		transfer := civil.MustDate("2026-01-05").AddDays(n)
		got := built(t, p, transfer.String(), fmt.Sprintf(`[{"fact":"transfer","on":%q}]`, transfer))
		first, second := onlyStep(t, got, HCGFirst).On, onlyStep(t, got, HCGRepeat).On
		best := 0
		for day := 9; day <= 14 && best == 0; day++ {
			if p.OpenClinic(transfer.AddDays(day)) && p.OpenClinic(transfer.AddDays(day+2)) {
				best = day
			}
		}
		if first.DaysSince(transfer) != best || second.DaysSince(first) != 2 {
			t.Errorf("transfer %s: got days %d and %d, want %d and %d", transfer, first.DaysSince(transfer), second.DaysSince(transfer), best, best+2)
		}
	}
}

func TestAnswersReachTheirDoses(t *testing.T) {
	t.Parallel()
	got := built(t, DefaultPolicy(), "2026-03-06", "["+cycle+`,{"fact":"dose","order":"o","at":"2026-03-04T20:00","taken":true},{"fact":"dose","order":"o","at":"2026-03-05T20:00","taken":false}]`)
	var said []string
	for _, d := range got.Doses {
		if d.Taken != nil {
			said = append(said, fmt.Sprint(d.Key, " ", *d.Taken))
		}
	}
	if !slices.Equal(said, []string{"o/1 true", "o/2 false"}) {
		t.Errorf("got %v", said)
	}
}
