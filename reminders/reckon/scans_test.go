package reckon

import (
	"testing"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

type scanTable struct {
	DaysTo []struct {
		Lead, Target, Rate float64
		Days               int
	} `yaml:"days_to"`
	NoGrowth []float64 `yaml:"no_growth"`
	Ranges   []struct {
		Name, On, From, To string
		Lead, Lining       float64
	}
	Linings []struct {
		MM    float64 `yaml:"mm"`
		State State
		Thin  bool
	}
	Progesterone []struct {
		NgML  float64 `yaml:"ng_ml"`
		State State
	}
	Surges []struct {
		Name, On, Blastocyst string
		LH                   float64 `yaml:"lh"`
		Day3                 string  `yaml:"day_3"`
	}
	Many []struct {
		MM      []float64 `yaml:"mm"`
		Flagged bool
	}
	Ovulation []struct{ Zone, Trigger, From, Mean, To string }
}

func TestPublishedGrowth(t *testing.T) {
	t.Parallel()
	var table scanTable
	checkTable(t, "scans.yaml", &table)
	for _, c := range table.DaysTo {
		if got, err := DaysTo(c.Lead, c.Target, c.Rate); err != nil || got != c.Days {
			t.Errorf("%v to %v mm at %v mm a day: got %d days, %v, want %d", c.Lead, c.Target, c.Rate, got, err, c.Days)
		}
	}
	for _, rate := range table.NoGrowth {
		if got, err := DaysTo(14, 18, rate); err == nil {
			t.Errorf("a rate of %v mm a day: got %d days, want an error", rate, got)
		}
	}
	p := plan.DefaultPolicy()
	for _, c := range table.Ranges {
		on := civil.MustDate(c.On)
		f := mustRead(t, p, cycle(p, on.AddDays(-9), scanOn(on, c.Lining, c.Lead)), on).Readiness
		if f.From.String() != c.From || f.To.String() != c.To || f.Chance < p.Trigger.Likely || f.Chance > 1 {
			t.Errorf("%s: got %s to %s with %.3f, want %s to %s", c.Name, f.From, f.To, f.Chance, c.From, c.To)
		}
	}
}

func TestLiningProgesteroneAndManyFollicles(t *testing.T) {
	t.Parallel()
	var table scanTable
	checkTable(t, "scans.yaml", &table)
	p, on := plan.DefaultPolicy(), civil.MustDate("2026-11-06")
	for _, c := range table.Linings {
		r := mustRead(t, p, cycle(p, on.AddDays(-9), scanOn(on, c.MM, 14)), on)
		if got := r.criterion(LiningSize).State; got != c.State || has(r.Cautions, codeThin) != c.Thin {
			t.Errorf("lining %v mm: got %s, cautions %v, want %s", c.MM, got, r.Cautions, c.State)
		}
	}
	for _, c := range table.Progesterone {
		f := plan.Fact{Kind: plan.Bloods, On: on, BloodProgesterone: &c.NgML}
		r := mustRead(t, p, cycle(p, on.AddDays(-9), scanOn(on, 8, 18), f), on)
		if got := r.criterion(Progesterone).State; got != c.State || has(r.Cautions, codeProgesterone) != (c.State == NotMet) {
			t.Errorf("progesterone %v: got %s, cautions %v, want %s", c.NgML, got, r.Cautions, c.State)
		}
		if r.Readiness.Met != (c.State == Met) {
			t.Errorf("progesterone %v: met %v", c.NgML, r.Readiness.Met)
		}
	}
	for _, c := range table.Many {
		r := mustRead(t, p, cycle(p, on.AddDays(-9), scanOn(on, 8, c.MM...)), on)
		if got := has(r.Cautions, codeMany); got != c.Flagged {
			t.Errorf("%v mm: flagged %v, want %v", c.MM, got, c.Flagged)
		}
	}
}

// alwaysOpen is the default policy with clinic and laboratory open on every day.
func alwaysOpen(t *testing.T) plan.Policy {
	t.Helper()
	p, err := plan.ParsePolicy([]byte("opening: {days: [mon, tue, wed, thu, fri, sat, sun], calendar: {of: \"\"}, holidays: []}\nlab: {days: [mon, tue, wed, thu, fri, sat, sun]}"))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestTransferCountsFromASurgeInTheBlood(t *testing.T) {
	t.Parallel()
	var table scanTable
	checkTable(t, "scans.yaml", &table)
	p := alwaysOpen(t)
	for _, c := range table.Surges {
		on := civil.MustDate(c.On)
		for day, want := range map[int]string{5: c.Blastocyst, 6: c.Blastocyst, 3: c.Day3} {
			facts := cycle(p, on.AddDays(-12), plan.Fact{Kind: plan.Bloods, On: on, LH: &c.LH}, plan.Fact{Kind: plan.Embryos, EmbryoDay: day},
				plan.Fact{Kind: plan.TriggerGiven, At: on.At(civil.MustTime("18:00"), p.Location())})
			pl, err := plan.Build(p, facts, night(p, on))
			if err != nil {
				t.Fatal(err)
			}
			s, _ := pl.Step("transfer/1")
			if s.On.String() != want {
				t.Errorf("%s, day-%d embryo: got %s, want %s", c.Name, day, s.On, want)
			}
		}
	}
}

// A person may judge that a value is no surge, and a test at home is none.
func TestWhatIsNoSurgeMovesNothing(t *testing.T) {
	t.Parallel()
	p, on, no := alwaysOpen(t), civil.MustDate("2026-11-09"), false
	for name, c := range map[string]struct {
		facts []plan.Fact
		home  bool
	}{
		"judged to be none": {[]plan.Fact{{Kind: plan.Bloods, On: on, LH: mm(24)}, {Kind: plan.LHSurge, On: on, Counts: &no}}, false},
		"a test at home":    {[]plan.Fact{{Kind: plan.HomeLH, On: on}}, true},
		"a test at home and then both": {[]plan.Fact{{Kind: plan.HomeLH, On: on}, {Kind: plan.Bloods, On: on, LH: mm(7)},
			scanOn(on, 7, 15)}, false},
		"after the trigger": {[]plan.Fact{{Kind: plan.TriggerGiven, At: on.AddDays(-2).At(1290, p.Location())}, {Kind: plan.Bloods, On: on, LH: mm(60)}}, false},
	} {
		facts := cycle(p, on.AddDays(-12), c.facts...)
		pl, err := plan.Build(p, facts, night(p, on))
		if err != nil {
			t.Fatal(err)
		}
		if !pl.Surge.IsZero() {
			t.Errorf("%s: counted from a surge on %s", name, pl.Surge)
		}
		if got := has(mustRead(t, p, facts, on).Cautions, codeHomeLH); got != c.home {
			t.Errorf("%s: asks for blood and a scan: %v, want %v", name, got, c.home)
		}
		chased := false
		for _, o := range pl.Open {
			chased = chased || o.Why.Code == "open_home_lh"
		}
		if chased != c.home {
			t.Errorf("%s: chased %v, want %v", name, chased, c.home)
		}
	}
}

func TestALiningThatLags(t *testing.T) {
	t.Parallel()
	p, on := plan.DefaultPolicy(), civil.MustDate("2026-03-11")
	for name, c := range map[string]struct {
		facts []plan.Fact
		want  bool
	}{
		"far behind":     {[]plan.Fact{scanOn(on.AddDays(-2), 4.2, 14), scanOn(on, 4.6, 17)}, true},
		"nearly there":   {[]plan.Fact{scanOn(on.AddDays(-2), 6.0, 12), scanOn(on, 6.8, 14)}, false},
		"there":          {[]plan.Fact{scanOn(on, 7.4, 17)}, false},
		"not measured":   {[]plan.Fact{scanOn(on, 0, 17)}, false},
		"no follicle":    {[]plan.Fact{{Kind: plan.Scan, On: on, LiningMM: mm(4)}}, false},
		"follicle there": {[]plan.Fact{scanOn(on, 5.0, 19)}, true},
	} {
		r := mustRead(t, p, cycle(p, on.AddDays(-10), c.facts...), on)
		if got := has(r.Cautions, codeLags); got != c.want {
			t.Errorf("%s: lags %v, want %v: %v, %+v", name, got, c.want, r.Cautions, r.Readiness)
		}
	}
}

func TestOvulationIsCountedInRealHours(t *testing.T) {
	t.Parallel()
	var table scanTable
	checkTable(t, "scans.yaml", &table)
	for _, c := range table.Ovulation {
		zone, err := time.LoadLocation(c.Zone)
		if err != nil {
			t.Fatal(err)
		}
		trigger, err := plan.ParseInstant(c.Trigger, zone)
		if err != nil {
			t.Fatal(err)
		}
		from, mean, to := Ovulation(trigger)
		for i, want := range []string{c.From, c.Mean, c.To} {
			if got := []time.Time{from, mean, to}[i].In(zone).Format("2006-01-02T15:04"); got != want {
				t.Errorf("%s: got %s, want %s", c.Trigger, got, want)
			}
		}
	}
}

// Each evening leads where the calendar itself would lead.
func TestOptionsSideBySide(t *testing.T) {
	t.Parallel()
	p, on := plan.DefaultPolicy(), civil.MustDate("2026-03-11") // a Wednesday
	facts := cycle(p, on.AddDays(-10), scanOn(on, 7.2, 16))
	r := mustRead(t, p, facts, on)
	o, err := Weigh(p, facts, r, night(p, on), map[civil.Date]int{civil.MustDate("2026-03-19"): p.Lab.TransfersPerDay, civil.MustDate("2026-03-20"): 1})
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]struct {
		transfer, closed, first string
		booked                  int
	}{
		"2026-03-11": {"2026-03-18", "", "2026-03-28", 0}, // day 9 is fine, its repeat would be Sunday
		"2026-03-12": {"2026-03-19", "laboratory full", "", 4},
		"2026-03-13": {"2026-03-20", "", "2026-03-30", 1},
		"2026-03-14": {"2026-03-21", "laboratory closed", "", 0},
	}
	seen := 0
	for _, e := range o.Evenings {
		w, known := want[e.On.String()]
		if !known {
			continue
		}
		seen++
		if e.Transfer.String() != w.transfer || e.Closed != w.closed || e.Booked != w.booked || e.First.String() != w.first {
			t.Errorf("%s: got %+v, want %+v", e.On, e, w)
		}
	}
	if seen != len(want) {
		t.Errorf("got %d evenings: %+v", seen, o.Evenings)
	}
	for _, d := range o.Rescans {
		if !p.OpenClinic(d.On) || !d.On.After(on) {
			t.Errorf("a scan is offered on %s", d.On)
		}
	}
	if len(o.Rescans) == 0 {
		t.Error("no day for a scan is offered")
	}
	given, err := Weigh(p, append(facts, plan.Fact{Kind: plan.Cancelled, On: on, Reason: "her wish"}), r, night(p, on), nil)
	if err != nil || len(given.Evenings) > 0 {
		t.Errorf("after a cancellation: %+v, %v", given, err)
	}
}

// A scan that was dated a day late and corrected is read on its right day, also when
// that day is looked back to.
func TestACorrectionStandsOnItsOwnDay(t *testing.T) {
	t.Parallel()
	p, on := plan.DefaultPolicy(), civil.MustDate("2026-03-11")
	late, right := scanOn(on.AddDays(1), 6.6, 16), scanOn(on, 6.6, 16)
	late.ID, right.ID, right.Replaces = "late", "right", "late"
	r := mustRead(t, p, cycle(p, on.AddDays(-10), late, right), on)
	if len(r.Looks) != 1 || r.Looks[0].On != on {
		t.Errorf("looks: %+v", r.Looks)
	}
}
