package audit

import (
	"math"
	"slices"
)

// The rules of dating, restated from what is published (and where nothing is, from
// the clinic's own policy): day one counts as cycle day 1; baseline on cycle day 2 to
// 4, the third preferred; follicles and lining on 10 to 12, the eleventh preferred;
// trigger expected on 11 to 18, the thirteenth preferred (common practice, no source).
// A blastocyst is transferred on the seventh day after hCG (Mackens 2017, Hum Reprod
// 32:2234), a day-3 embryo on the fifth (Ye 2022, BMC Pregnancy Childbirth 22:814).
// Gestation counts 14 days plus the embryo's age at transfer (ACOG Committee Opinion
// 700, 2017), and the first ultrasound is at 6w0d to 7w0d.

// afterTrigger is the day of transfer, counted from the trigger's, by the embryo's
// age in days.
var afterTrigger = map[int]Day{3: 5, 5: 7, 6: 7}

// dates is what a cycle's calendar must say, by what has been stated.
type dates struct {
	clinic Clinic
	facts  []*Entry         // that stand, in the order in which they were stated
	out    map[string][]Day // the days of each step; 0 where none can be found
}

// datesOf works a calendar out, without the rows that nobody waits for any more.
func datesOf(c Clinic, facts []*Entry) map[string][]Day {
	d := &dates{clinic: c, facts: facts, out: make(map[string][]Day)}
	d.calendar()
	d.drop()
	return d.out
}

// shownBy is the fact that shows a step done.
var shownBy = map[string]string{"baseline": "baseline", "monitoring": "scan", "trigger": "trigger", "transfer": "transfer",
	"hcg_first": "hcg", "hcg_repeat": "hcg", "ob_ultrasound": "ob_ultrasound"}

// drop leaves of a step only what was done, once something later has made the rest
// pointless.
func (d *dates) drop() {
	given, moved := d.last("trigger") != nil, d.last("transfer") != nil
	found := d.last("baseline")
	over := d.last("cancelled") != nil || found != nil && found.Word == "cancel"
	negative := d.verdict() == "negative" && moved
	for step, days := range d.out {
		pointless := over
		switch step {
		case "baseline", "monitoring":
			pointless = pointless || given || moved
		case "hcg_repeat", "ob_ultrasound":
			pointless = pointless || negative
		}
		if pointless {
			d.out[step] = slices.DeleteFunc(days, func(day Day) bool { return !d.done(step, day) })
		}
	}
}

func (d *dates) done(step string, day Day) bool {
	for _, e := range d.all(shownBy[step], "") {
		if shownBy[step] != "" && d.day(e) == day {
			return true
		}
	}
	return false
}

func (d *dates) last(kind string) *Entry {
	for _, e := range slices.Backward(d.facts) {
		if e.Kind == kind {
			return e
		}
	}
	return nil
}

func (d *dates) all(kind, step string) (all []*Entry) {
	for _, e := range d.facts {
		if e.Kind == kind && e.Step == step {
			all = append(all, e)
		}
	}
	return all
}

func (d *dates) day(e *Entry) Day {
	if e.At.IsZero() {
		return e.On
	}
	return DayOf(e.At, d.clinic.Zone)
}

// marks are the days on which a step is booked or was done.
func (d *dates) marks(step, shownBy string) (days []Day, done Day) {
	for _, e := range d.all("visit", step) {
		days = append(days, d.day(e))
	}
	for _, e := range d.all(shownBy, "") {
		done = max(done, d.day(e))
		days = append(days, d.day(e))
	}
	slices.Sort(days)
	return slices.Compact(days), done
}

func (d *dates) near(from, best, to Day) Day {
	day, _ := Nearest(from, best, to, d.clinic.Works)
	return day
}

func (d *dates) calendar() {
	period := d.last("period_start")
	if period == nil {
		return
	}
	one := d.clinic.DayOne(period.At)
	d.baseline(one)
	look := d.scans(one)
	trigger, transfer := d.transfer(one, look)
	d.luteal(trigger)
	if transfer != 0 {
		d.tests(transfer)
	}
}

func (d *dates) baseline(one Day) {
	days, done := d.marks("baseline", "baseline")
	last := d.last("baseline")
	switch {
	case len(days) == 0:
		days = append(days, d.near(one+1, one+2, one+3))
	case last != nil && last.Word == "rescan" && days[len(days)-1] == done:
		days = append(days, d.near(done+1, done+2, done+7))
	}
	d.out["baseline"] = days
}

// scans gives the last day on which a scan took place or is booked; 0 for none.
func (d *dates) scans(one Day) (look Day) {
	days, done := d.marks("monitoring", "scan")
	if n := len(days); n > 0 {
		look = days[n-1]
	}
	if len(days) == 0 || look == done && done < one+9 {
		days = append(days, d.near(one+9, one+10, one+11))
	}
	d.out["monitoring"] = days
	return look
}

// transfer gives the days of trigger and transfer that the rest counts from.
func (d *dates) transfer(one, look Day) (trigger, transfer Day) {
	age := 5
	if e := d.last("embryos"); e != nil {
		age = e.Age
	}
	moved := d.last("transfer")
	if moved != nil && moved.Age != 0 {
		age = moved.Age
	}
	after := afterTrigger[age]
	given := d.last("trigger")
	if given == nil {
		given = d.last("trigger_order")
	}
	if given != nil {
		trigger = d.day(given)
		d.out["trigger"] = []Day{trigger}
	} else {
		want := max(one+12, look)
		on, found := Nearest(one+10, want, max(one+17, want), func(e Day) bool { return d.clinic.Thaws(e + after) })
		trigger = want
		if found {
			trigger = on
		}
		d.out["trigger"] = []Day{on}
	}
	transfer = trigger + after
	switch visits := d.all("visit", "transfer"); {
	case moved != nil:
		transfer = d.day(moved)
		d.out["transfer"] = []Day{transfer}
	case len(visits) > 0:
		transfer = d.day(visits[len(visits)-1])
		d.out["transfer"] = []Day{transfer}
	case d.clinic.Thaws(transfer):
		d.out["transfer"] = []Day{transfer}
	default:
		d.out["transfer"] = []Day{0}
	}
	return trigger, transfer
}

// luteal support begins two days after the trigger, or as ordered.
func (d *dates) luteal(trigger Day) {
	var days []Day
	for _, e := range d.facts {
		if e.Kind == "order" && e.Class == "progesterone" {
			days = append(days, e.On)
		}
	}
	if len(days) == 0 {
		days = []Day{trigger + 2}
	}
	d.out["luteal_progesterone"] = days
}

// tests are the blood tests and the ultrasound. Only what follows the transfer
// counts as a test of it.
func (d *dates) tests(transfer Day) {
	var draws []Day
	for _, e := range d.all("hcg", "") {
		draws = append(draws, d.day(e))
	}
	first := d.first(transfer, draws)
	d.out["hcg_first"] = []Day{first}
	d.repeat(first, draws)
	d.ultrasound(transfer, draws)
}

// first is day 9 to 14 after the transfer: a day that leaves the second open for a
// test 48 hours later, as near to the ninth as can be.
func (d *dates) first(transfer Day, draws []Day) Day {
	if len(draws) > 0 {
		return draws[0]
	}
	if visits := d.all("visit", "hcg_first"); len(visits) > 0 {
		return d.day(visits[len(visits)-1])
	}
	from, to := transfer+9, transfer+14
	for _, fits := range []func(Day) bool{
		func(x Day) bool { return d.clinic.Works(x) && d.clinic.Works(x+2) },
		func(x Day) bool { return d.clinic.Works(x) && d.near(x+2, x+2, x+4) != 0 },
		d.clinic.Works,
	} {
		if on, found := Nearest(from, from, to, fits); found {
			return on
		}
	}
	return 0
}

// negative is below 5 IU/L, positive above 25, equivocal between them (general
// convention of laboratories).
func (d *dates) verdict() string {
	tests := d.all("hcg", "")
	if len(tests) == 0 {
		return ""
	}
	last := tests[len(tests)-1]
	switch {
	case last.Value < 5:
		return "negative"
	case last.Value <= 25 && (len(tests) == 1 || tests[len(tests)-2].Value <= 25):
		return "equivocal"
	case len(tests) > 1 && poor(tests[len(tests)-2], last):
		return "poor"
	}
	return "positive"
}

// poor reports whether hCG rose by less than all but one in a hundred viable
// pregnancies show in 48 hours: 49 per cent from below 1,500 IU/L, 40 to 3,000, 33
// above (Barnhart 2016, Obstet Gynecol 128:504).
func poor(first, last *Entry) bool {
	least := 1.49
	switch {
	case first.Value > 3000:
		least = 1.33
	case first.Value >= 1500:
		least = 1.40
	}
	hours := last.At.Sub(first.At).Hours()
	return math.Pow(last.Value/first.Value, 48/hours) < least-1e-9
}

func (d *dates) repeat(first Day, draws []Day) {
	var days []Day
	scan := d.last("ob_ultrasound")
	visits := d.all("visit", "hcg_repeat")
	if scan != nil && scan.Word == "not_viable" {
		visits = nil // one that nobody came to is no longer waited for
	}
	for _, e := range visits {
		// One that still lay ahead when another was put before the coordinator, to be saved,
		// is the one that was moved.
		moved := slices.ContainsFunc(visits, func(l *Entry) bool { return l.Stated.After(e.Stated) && l.shown().Before(e.At) })
		if !moved {
			days = append(days, d.day(e))
		}
	}
	drawn := Day(0)
	if len(draws) > 1 {
		days = append(days, draws[1:]...)
		drawn = draws[len(draws)-1]
	}
	slices.Sort(days)
	days = slices.Compact(days)
	verdict := d.verdict()
	unclear := verdict == "equivocal" || verdict == "poor"
	again := func(last Day) Day {
		if d.fell() {
			return d.near(last+7, last+6, last+9)
		}
		return d.near(last+2, last+2, last+4)
	}
	switch {
	case len(days) == 0 && unclear && len(draws) > 0:
		days = append(days, again(draws[len(draws)-1]))
	case len(days) == 0:
		days = append(days, d.near(first+2, first+2, first+4))
	case days[len(days)-1] == drawn && unclear && (scan == nil || scan.On < drawn):
		days = append(days, again(drawn))
	}
	d.out["hcg_repeat"] = days
}

// fell reports whether hCG falls by more than half in 48 hours (NICE NG126: unlikely
// to go on) or twice in a row: it is then followed weekly to under 5 IU/L (common
// practice, no source).
func (d *dates) fell() bool {
	tests := d.all("hcg", "")
	n := len(tests)
	if n < 2 || tests[n-1].Value >= tests[n-2].Value {
		return false
	}
	first, last := tests[n-2], tests[n-1]
	factor := math.Pow(last.Value/first.Value, 48/last.At.Sub(first.At).Hours())
	return factor < 0.5-1e-9 || n > 2 && first.Value < tests[n-3].Value
}

func (d *dates) ultrasound(transfer Day, draws []Day) {
	age := 5
	if e := d.last("transfer"); e != nil && e.Age != 0 {
		age = e.Age
	} else if e := d.last("embryos"); e != nil {
		age = e.Age
	}
	days, done := d.marks("ob_ultrasound", "ob_ultrasound")
	scan := d.last("ob_ultrasound")
	six := transfer + 42 - Day(14+age)
	switch {
	case len(days) == 0 && d.verdict() == "poor":
		last := draws[len(draws)-1]
		days = append(days, d.near(last+1, last+2, last+7))
	case len(days) == 0:
		days = append(days, d.near(six, six, six+7))
	case scan != nil && scan.Word == "uncertain" && days[len(days)-1] == done:
		days = append(days, d.near(done+7, done+7, done+10))
	}
	d.out["ob_ultrasound"] = days
}
