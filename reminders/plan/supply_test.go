package plan

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"handrail.example/reminders/civil"
)

type counted struct {
	At      string
	Units   float64
	PerDose float64 `yaml:"per_dose"`
}

func (c *counted) fact(kind string) string {
	if c == nil {
		return ""
	}
	per := ""
	if c.PerDose > 0 {
		per = fmt.Sprintf(`,"per_dose":%v`, c.PerDose)
	}
	return fmt.Sprintf(`,{"fact":%q,"drug":"Progesterone","at":%q,"units":%v%s}`, kind, c.At, c.Units, per)
}

func TestSuppliesOfTheTable(t *testing.T) {
	t.Parallel()
	var table struct {
		Supplies []struct {
			Name, From            string
			Times, Missed         []string
			Days                  int
			Counted, Given, Again *counted
			AsOf                  string `yaml:"as_of"`
			Doses                 int
			Out, Warn, Last       string
		}
	}
	checkTable(t, "supplies.yaml", &table)
	p := DefaultPolicy()
	for _, c := range table.Supplies {
		times, _ := json.Marshal(c.Times)
		stop := `"order"`
		if c.Days > 0 {
			stop = fmt.Sprintf(`{"after_days":%d}`, c.Days)
		}
		text := fmt.Sprintf(`[{"fact":"order","id":"o","drug":"progesterone","dose":200,"unit":"mg","times":%s,"from":%q,"stop":%s}`, times, c.From, stop)
		text += c.Counted.fact("on_hand") + c.Given.fact("dispensed") + c.Again.fact("on_hand")
		for _, at := range c.Missed {
			text += fmt.Sprintf(`,{"fact":"dose","order":"o","at":%q,"taken":false}`, at)
		}
		now, err := ParseInstant(c.AsOf, p.Location())
		if err != nil {
			t.Fatal(err)
		}
		got, err := Build(p, mustFacts(t, p, text+"]"), now)
		if err != nil {
			t.Errorf("%s: %v", c.Name, err)
			continue
		}
		s := got.Supplies[0]
		out := ""
		if !s.Out.IsZero() {
			out = s.Out.Format("2006-01-02 15:04")
		}
		if s.Doses != c.Doses || out != c.Out || s.Warn.String() != c.Warn || s.Last.String() != c.Last {
			t.Errorf("%s: %d doses until %q, seen to by %s, at the last on %s; want %d, %q, %s, %s", c.Name, s.Doses, out, s.Warn, s.Last, c.Doses, c.Out, c.Warn, c.Last)
		}
		if last := opens(got, "supply_out/", "open_supply_last"); last != (c.Out != "") {
			t.Errorf("%s: open ends %s", c.Name, show(got.Open))
		}
	}
}

func TestAnAuthorisationThatEndsIsAnOpenEnd(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	for name, tc := range map[string]struct {
		order string
		want  bool
	}{
		"nothing ordered yet":    {"", true},
		"asked for on":           {`,{"fact":"order","drug":"progesterone","dose":200,"unit":"mg","times":["08:00"],"from":"2026-03-18","stop":"order"}`, true},
		"over before it expires": {`,{"fact":"order","drug":"progesterone","dose":200,"unit":"mg","times":["08:00"],"from":"2026-03-18","stop":{"after_days":5}}`, false},
	} {
		got := built(t, p, "2026-03-18", `[{"fact":"authorisation","on":"2026-03-02","drug":"progesterone","until":"2026-04-30","pharmacy":"Tarn Vale"}`+tc.order+`]`)
		if opens(got, "authorisation/", "open_authorisation") != tc.want {
			t.Errorf("%s: %s", name, show(got.Open))
		}
		for _, o := range got.Open {
			// 14 days before 30 April is a Thursday.
			if strings.HasPrefix(o.Key, "authorisation/") && o.Due.Format("2006-01-02 15:04") != "2026-04-16 07:00" {
				t.Errorf("%s: due %s", name, o.Due)
			}
		}
	}
}

// Anti-D that was given settles what asks about it; what was given before the finding
// does not.
func TestAntiDSettlesItsQuestion(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	for on, want := range map[string]bool{"2026-04-10": false, "2026-04-12": false, "2026-03-30": true} {
		got := built(t, p, "2026-04-13", fmt.Sprintf(`[%s{"fact":"rhesus","on":"2026-02-20","rh":"negative"},{"fact":"ob_ultrasound","on":"2026-04-10","site":"tubal"},{"fact":"anti_d","on":%q}]`, afterTransfer, on))
		if opens(got, "rh/", "open_rh_negative") != want {
			t.Errorf("given %s: %s", on, show(got.Open))
		}
	}
}

// Whatever she has: the first dose without cover comes after exactly the doses that
// are there, somebody is told on an open day before it, with the spare days between,
// and one more piece never makes it earlier.
func TestSuppliesAddUp(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	start := civil.MustDate("2026-03-02")
	rapid.Check(t, func(t *rapid.T) {
		units := rapid.IntRange(0, 60).Draw(t, "units")
		per := rapid.IntRange(1, 3).Draw(t, "per dose")
		at := start.AddDays(rapid.IntRange(0, 30).Draw(t, "day")).At(civil.TimeOfDay(rapid.IntRange(0, 24*60-1).Draw(t, "minute")), p.Location())
		reckon := func(units int) (Plan, Supply) {
			u := float64(units)
			facts := []Fact{
				{Kind: OrderGiven, ID: "o", Drug: "progesterone", Dose: 200, Unit: "mg", Times: []civil.TimeOfDay{civil.MustTime("08:00"), civil.MustTime("20:00")}, From: start, Stop: Stop{UntilOrder: true}},
				{Kind: OnHand, Drug: "progesterone", At: at, Units: &u, PerDose: float64(per)},
			}
			pl, err := Build(p, facts, at.Add(time.Hour))
			if err != nil {
				t.Fatal(err)
			}
			return pl, pl.Supplies[0]
		}
		pl, s := reckon(units)
		ahead := slices.DeleteFunc(slices.Clone(pl.Doses), func(d Dose) bool { return !d.At.After(pl.AsOf) })
		switch {
		case s.Out.IsZero() && s.Doses < len(ahead):
			t.Fatalf("%d doses cover %d", s.Doses, len(ahead))
		case s.Out.IsZero():
			return
		case !ahead[s.Doses].At.Equal(s.Out):
			t.Fatalf("out at %s, want %s", s.Out, ahead[s.Doses].At)
		case !p.OpenClinic(s.Warn) || !p.OpenClinic(s.Last) || s.Last.Before(s.Warn) || !s.Last.Before(civil.DateOf(s.Out)):
			t.Fatalf("seen to by %s, at the last on %s, out on %s", s.Warn, s.Last, s.Out)
		}
		spare := 0
		for d := s.Warn.AddDays(1); !d.After(civil.DateOf(s.Out)); d = d.AddDays(1) {
			if p.OpenClinic(d) {
				spare++
			}
		}
		if spare < p.Supply.SpareDays && p.OpenClinic(civil.DateOf(s.Out)) {
			t.Fatalf("%d open days between %s and %s", spare, s.Warn, s.Out)
		}
		if _, more := reckon(units + per); !more.Out.IsZero() && more.Out.Before(s.Out) {
			t.Fatalf("one dose more is out at %s, before %s", more.Out, s.Out)
		}
		for _, d := range pl.SupplyDays(s, 28) {
			if d.Left == 0 && d.Due > 0 && d.On.Before(civil.DateOf(s.Out).AddDays(-1)) {
				t.Fatalf("nothing is left on %s, and it is out on %s", d.On, s.Out)
			}
		}
	})
}
