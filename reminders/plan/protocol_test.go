package plan

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"pgregory.net/rapid"

	"handrail.example/reminders/civil"
)

// The day of the transfer in the natural and the programmed protocol, by embryo:
// blastocyst at LH + 6, hCG + 7, on the sixth day of progesterone (Mumusoglu 2021,
// Front Endocrinol 12:688237; Mackens 2017, Hum Reprod 32:2234); day-3 embryo at
// hCG + 5, LH + 4 (Ye 2022, BMC Pregnancy Childbirth 22:814) and, two days younger,
// on the fourth day of progesterone. The dates are worked out from these counts.
func TestTransferDayOfEachProtocol(t *testing.T) {
	t.Parallel()
	p := alwaysOpen(t, "America/New_York")
	for name, c := range map[string]struct {
		protocol, facts string
		embryo          int
		want            string
	}{
		"natural, surge, blastocyst":          {"natural", `{"fact":"lh_surge","on":"2026-11-09"}`, 5, "2026-11-15"},
		"natural, surge, day 3":               {"natural", `{"fact":"lh_surge","on":"2026-11-09"}`, 3, "2026-11-13"},
		"natural, trigger, blastocyst":        {"natural", `{"fact":"trigger","at":"2026-11-09T22:00"}`, 5, "2026-11-16"},
		"natural, trigger, day 3":             {"natural", `{"fact":"trigger","at":"2026-11-09T22:00"}`, 3, "2026-11-14"},
		"natural, surge and trigger":          {"natural", `{"fact":"lh_surge","on":"2026-11-09"},{"fact":"trigger","at":"2026-11-09T22:00"}`, 5, "2026-11-15"},
		"natural, surge after the trigger":    {"natural", `{"fact":"lh_surge","on":"2026-11-10"},{"fact":"trigger","at":"2026-11-09T22:00"}`, 5, "2026-11-16"},
		"programmed, blastocyst":              {"programmed", progesterone("2026-11-10", "p1", ""), 5, "2026-11-15"},
		"programmed, day 3":                   {"programmed", progesterone("2026-11-10", "p1", ""), 3, "2026-11-13"},
		"programmed, day 6":                   {"programmed", progesterone("2026-11-10", "p1", ""), 6, "2026-11-15"},
		"programmed, across the leap day":     {"programmed", progesterone("2028-02-26", "p1", ""), 5, "2028-03-02"},
		"programmed, dose changed on the way": {"programmed", progesterone("2026-11-10", "p1", "") + "," + strings.Replace(progesterone("2026-11-12", "p2", "p1"), `"dose":200`, `"dose":400`, 1), 5, "2026-11-15"},
		"programmed, date corrected":          {"programmed", progesterone("2026-11-10", "p1", "") + "," + progesterone("2026-11-12", "p2", "p1"), 5, "2026-11-17"},
	} {
		facts := fmt.Sprintf(`[{"fact":"protocol","on":"2026-10-20","protocol":%q},{"fact":"embryos","embryo_day":%d},%s]`, c.protocol, c.embryo, c.facts)
		got := built(t, p, c.want, facts)
		if s := onlyStep(t, got, Transfer); s.On.String() != c.want || got.Protocol != c.protocol {
			t.Errorf("%s: got %s by %s, want %s", name, s.On, got.Protocol, c.want)
		}
	}
}

func progesterone(from, id, replaces string) string {
	f := fmt.Sprintf(`{"fact":"order","id":%q,"drug":"progesterone","dose":200,"unit":"mg","times":["08:00"],"from":%q,"stop":"order"`, id, from)
	if replaces != "" {
		f += fmt.Sprintf(`,"replaces":%q`, replaces)
	}
	return f + "}"
}

// In the programmed protocol luteal medication goes on to ten or twelve weeks: the
// label of the vaginal gel, and ten weeks in a cohort of frozen transfers. E1 of the
// due dates: a day-5 embryo on 2026-11-16 is at 10w0d on 2027-01-06.
func TestLutealMedicationGoesOnInAProgrammedCycle(t *testing.T) {
	t.Parallel()
	p := alwaysOpen(t, "America/New_York")
	for protocol, want := range map[string][2]string{
		"programmed": {"2027-01-06", "2027-01-20"}, "natural": {"2026-12-23", "2027-01-06"}, "stimulated": {"2026-12-23", "2027-01-06"},
	} {
		got := built(t, p, "2026-11-16", fmt.Sprintf(`[{"fact":"protocol","on":"2026-10-20","protocol":%q},{"fact":"transfer","on":"2026-11-16","embryo_day":5,"embryos":1}]`, protocol))
		if s := onlyStep(t, got, LutealEnd); s.On.String() != want[0] || s.To.String() != want[1] {
			t.Errorf("%s: got %s to %s, want %s to %s", protocol, s.On, s.To, want[0], want[1])
		}
	}
}

// What was entered and has no place in the protocol stands in conflict: the wrong
// protocol may have been chosen.
func TestWhatTheProtocolHasNoPlaceFor(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	for name, c := range map[string]struct{ protocol, fact, want string }{
		"trigger in a programmed cycle":  {"programmed", `{"fact":"trigger","at":"2026-03-13T21:30"}`, "not_in_protocol"},
		"surge in a programmed cycle":    {"programmed", `{"fact":"lh_surge","on":"2026-03-13"}`, "not_in_protocol"},
		"tablets in a natural cycle":     {"natural", `{"fact":"order","drug":"letrozole","dose":5,"unit":"mg","times":["08:00"],"from":"2026-03-04","stop":{"after_days":5}}`, "order_not_in_protocol"},
		"tablets in a stimulated cycle":  {"stimulated", `{"fact":"order","drug":"letrozole","dose":5,"unit":"mg","times":["08:00"],"from":"2026-03-04","stop":{"after_days":5}}`, ""},
		"a trigger in a natural cycle":   {"natural", `{"fact":"trigger","at":"2026-03-13T21:30"}`, ""},
		"estrogen in a programmed cycle": {"programmed", `{"fact":"order","drug":"estradiol","dose":2,"unit":"mg","times":["08:00"],"from":"2026-03-04","stop":"order"}`, ""},
	} {
		got := built(t, p, "2026-03-14", fmt.Sprintf(`[{"fact":"protocol","on":"2026-02-20","protocol":%q},{"fact":"period_start","at":"2026-03-02T08:15"},%s]`, c.protocol, c.fact))
		i := slices.IndexFunc(got.Conflicts, func(k Conflict) bool { return strings.Contains(k.Why.Code, "not_in_protocol") })
		if (i >= 0) != (c.want != "") || i >= 0 && got.Conflicts[i].Why.Code != c.want {
			t.Errorf("%s: got %s", name, show(got.Conflicts))
		}
	}
}

func TestAnUnknownProtocolIsRefused(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	_, err := Build(p, mustFacts(t, p, `[{"fact":"protocol","on":"2026-02-20","protocol":"modified"}]`), asOf(p, "2026-03-02"))
	var r *Refusal
	if !errors.As(err, &r) || !strings.Contains(r.Do, "programmed") {
		t.Errorf("got %v", err)
	}
}

// TestATableThatLeavesAStepWithoutAnchorIsRefused: take any embedded table and any of
// its rows, and let the row count from nothing, from a step that comes later, from
// itself or from what is no step at all.
func TestATableThatLeavesAStepWithoutAnchorIsRefused(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		table := rapid.SampledFrom(protocols).Draw(t, "table")
		rows := slices.Clone(table.Rows)
		i := rapid.IntRange(0, len(rows)-1).Draw(t, "row")
		wrong := []string{"", "nowhere", "first_contact"}
		for _, r := range rows[i:] {
			if !slices.ContainsFunc(rows[:i], func(o Rule) bool { return o.Step == r.Step }) {
				wrong = append(wrong, string(r.Step))
			}
		}
		rows[i].Anchor = rapid.SampledFrom(wrong).Draw(t, "anchor")
		b, err := yaml.Marshal(Protocol{Name: "own", Explains: "x", Rows: rows})
		if err != nil {
			t.Fatal(err)
		}
		_, err = ParseProtocol(b)
		var faults Faults
		if !errors.As(err, &faults) || !slices.ContainsFunc(faults, func(f Fault) bool { return f.Field == fmt.Sprintf("rows[%d].anchor", i) }) {
			t.Fatalf("row %d counting from %q: got %v", i, rows[i].Anchor, err)
		}
	})
}

func TestAnIncludeThatIsNoneIsRefused(t *testing.T) {
	t.Parallel()
	for name, row := range map[string]string{
		"unknown":             "{include: before_transfer}",
		"with something else": "{include: after_transfer, step: transfer}",
	} {
		if _, err := ParseProtocol([]byte("protocol: own\nrows: [" + row + "]")); err == nil || !strings.Contains(err.Error(), "rows[0].include") {
			t.Errorf("%s: got %v", name, err)
		}
	}
}

// A programmed cycle finds the first day of progesterone whose transfer day the
// laboratory works, as a stimulated one finds the evening of the trigger.
func TestTheFirstDayOfProgesteroneLeadsToALaboratoryDay(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	rapid.Check(t, func(t *rapid.T) {
		one := civil.MustDate("2026-01-05").AddDays(rapid.IntRange(0, 900).Draw(t, "day one"))
		age := rapid.SampledFrom([]int{3, 5, 6}).Draw(t, "age")
		got := builtIn(t, p, one.AddDays(1).String(), fmt.Sprintf(
			`[{"fact":"protocol","on":%q,"protocol":"programmed"},{"fact":"period_start","at":"%sT08:00"},{"fact":"embryos","embryo_day":%d}]`, one, one, age))
		for _, s := range got.StepsOf(Transfer) {
			if s.On.IsZero() || !p.OpenLab(s.On) {
				t.Fatalf("transfer on %q: %s", s.On, show(got.StepsOf(LutealProgesterone)))
			}
		}
	})
}

func builtIn(t *rapid.T, p Policy, day, text string) Plan {
	facts, err := ParseFacts([]byte(text), p.Location())
	if err != nil {
		t.Fatal(err)
	}
	got, err := Build(p, facts, asOf(p, day))
	if err != nil {
		t.Fatal(err)
	}
	return got
}
