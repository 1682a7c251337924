package plan

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"handrail.example/reminders/civil"
)

// anyCycle draws the facts of a cycle as they might be on record by some day:
// plausible, not always usual, each kind that happens once at most once.
func anyCycle(t *rapid.T, p Policy) ([]Fact, time.Time) {
	one := civil.MustDate("2026-01-05").AddDays(rapid.IntRange(0, 1000).Draw(t, "day one"))
	asOf := one.AddDays(rapid.IntRange(0, 80).Draw(t, "now")).At(civil.MustTime("23:59"), p.Location())
	var out []Fact
	put := func(f Fact) {
		f.ID = fmt.Sprintf("f%d", len(out)+1)
		if !slices.Contains(happened, f.Kind) || !f.day().After(civil.DateOf(asOf)) && !f.At.After(asOf) {
			out = append(out, f)
		}
	}
	on := func(from, to int, what string) civil.Date { return one.AddDays(rapid.IntRange(from, to).Draw(t, what)) }
	at := func(d civil.Date, what string) time.Time {
		return d.At(civil.TimeOfDay(rapid.IntRange(0, 1439).Draw(t, what)), p.Location())
	}
	flip := func(what string) bool { return rapid.Bool().Draw(t, what) }

	if flip("protocol chosen") {
		put(Fact{Kind: ProtocolChosen, On: one.AddDays(-3), Protocol: rapid.SampledFrom(p.ProtocolNames()).Draw(t, "protocol")})
	}
	put(Fact{Kind: PeriodStart, At: one.At(civil.TimeOfDay(rapid.IntRange(0, 1019).Draw(t, "flow")), p.Location())})
	if flip("looked") {
		put(Fact{Kind: BaselineFound, On: on(0, 5, "baseline"), Decision: rapid.SampledFrom([]Decision{Start, Rescan, Cancel}).Draw(t, "decision")})
	}
	if flip("tablets") {
		put(Fact{Kind: OrderGiven, Drug: rapid.SampledFrom([]string{"letrozole", "menotropin", "estradiol", "progesterone"}).Draw(t, "drug"), Dose: 5, Unit: "mg",
			Times: []civil.TimeOfDay{1200}, From: on(1, 6, "first dose"),
			Stop: rapid.SampledFrom([]Stop{{AfterDoses: 5}, {AfterDays: 7}, {AtTrigger: true}, {UntilOrder: true}}).Draw(t, "stop")})
	}
	for i := range rapid.IntRange(0, 3).Draw(t, "scans") {
		put(Fact{Kind: Scan, On: one.AddDays(8 + 2*i)})
		if flip("bloods") {
			put(Fact{Kind: Bloods, On: one.AddDays(8 + 2*i), LH: ptr(rapid.Float64Range(0, 60).Draw(t, "lh"))})
		}
	}
	if flip("home test") {
		put(Fact{Kind: HomeLH, On: on(8, 16, "home test on")})
	}
	if flip("booked") {
		put(Fact{Kind: Visit, Step: StepName(rapid.SampledFrom(visitSteps).Draw(t, "for")), At: at(on(0, 60, "visit"), "visit at")})
	}
	if flip("embryos") {
		put(Fact{Kind: Embryos, EmbryoDay: rapid.SampledFrom([]int{3, 5, 6}).Draw(t, "age")})
	}
	trigger := on(9, 20, "trigger")
	if flip("trigger ordered") {
		put(Fact{Kind: TriggerOrder, At: at(trigger, "ordered at"), Drug: "hCG", Dose: 10000, Unit: "IU"})
	}
	if flip("trigger given") {
		put(Fact{Kind: TriggerGiven, At: at(trigger, "given at")})
	}
	if flip("thawed") {
		put(Fact{Kind: Thawed, On: on(14, 26, "thawed on"), Count: 1, Survived: ptr(rapid.IntRange(0, 1).Draw(t, "survived"))})
	}
	transfer := trigger.AddDays(rapid.IntRange(3, 8).Draw(t, "transfer"))
	if flip("surge") {
		put(Fact{Kind: LHSurge, On: trigger.AddDays(rapid.IntRange(-2, 1).Draw(t, "surge"))})
	}
	if flip("transferred") {
		put(Fact{Kind: Transferred, On: transfer, EmbryoDay: rapid.SampledFrom([]int{0, 3, 5, 6}).Draw(t, "embryo day")})
		out = append(out, luteal(t, transfer, len(out))...)
		for i := range rapid.IntRange(0, 3).Draw(t, "draws") {
			put(Fact{Kind: HCG, At: transfer.AddDays(8+2*i).At(480, p.Location()), IUPerL: rapid.Float64Range(0, 5000).Draw(t, "value")})
			if flip("drawn") {
				put(Fact{Kind: HCGDrawn, At: transfer.AddDays(8+2*i).At(470, p.Location())})
			}
		}
		if flip("ultrasound") {
			viable := rapid.SampledFrom([]*bool{nil, new(bool), ptr(true)}).Draw(t, "viable")
			put(Fact{Kind: OBScan, On: transfer.AddDays(rapid.IntRange(18, 35).Draw(t, "ultrasound on")), Viable: viable})
		}
		out = append(out, pathFacts(t, transfer, civil.DateOf(asOf), len(out))...)
	} else if flip("cancelled") {
		put(Fact{Kind: Cancelled, On: on(1, 25, "cancelled on"), Reason: "thin lining"})
	}
	return out, asOf
}

// pathFacts are what may be found and done after a positive test.
func pathFacts(t *rapid.T, transfer, today civil.Date, n int) []Fact {
	var out []Fact
	put := func(what string, f Fact) {
		if rapid.Bool().Draw(t, what) && !f.day().After(today) {
			f.ID = fmt.Sprintf("p%d-%d", n, len(out))
			out = append(out, f)
		}
	}
	day := func(what string) civil.Date { return transfer.AddDays(rapid.IntRange(16, 60).Draw(t, what)) }
	site := rapid.SampledFrom(sites).Draw(t, "site")
	scan := Fact{Kind: OBScan, On: transfer.AddDays(rapid.IntRange(36, 50).Draw(t, "site on")), Site: site}
	if site != NothingSeen && rapid.Bool().Draw(t, "measured") {
		scan.CRLMM, scan.Heartbeat = ptr(rapid.Float64Range(1, 30).Draw(t, "crl")), ptr(rapid.Bool().Draw(t, "heartbeat"))
	}
	put("placed", scan)
	put("concluded", Fact{Kind: Concluded, On: day("concluded on"), Path: rapid.SampledFrom(Paths()).Draw(t, "path")})
	put("treated", Fact{Kind: Methotrexate, On: day("methotrexate on")})
	put("handed over", Fact{Kind: HandedOver, On: day("handed over on")})
	put("rh known", Fact{Kind: Rhesus, On: transfer, Rh: RhNegative})
	return out
}

func luteal(t *rapid.T, transfer civil.Date, n int) []Fact {
	if !rapid.Bool().Draw(t, "luteal") {
		return nil
	}
	order := Fact{Kind: OrderGiven, ID: fmt.Sprintf("l%d", n), Drug: "progesterone", Dose: 200, Unit: "mg",
		Times: []civil.TimeOfDay{480, 1200}, From: transfer.AddDays(-5), Stop: Stop{UntilOrder: true}}
	if !rapid.Bool().Draw(t, "luteal stopped") {
		return []Fact{order}
	}
	return []Fact{order, {Kind: StopOrder, ID: fmt.Sprintf("s%d", n), Order: order.ID, On: transfer.AddDays(rapid.IntRange(-6, 50).Draw(t, "stopped on"))}}
}

func ptr[T any](v T) *T { return &v }

// builtOrSkip is a plan of drawn facts; some draws are refused, and rightly.
func builtOrSkip(t *rapid.T, p Policy, facts []Fact, asOf time.Time) Plan {
	got, err := Build(p, facts, asOf)
	if err != nil {
		t.Skip(err)
	}
	return got
}

var comparePlans = cmp.Options{cmpopts.EquateNaNs(), cmp.AllowUnexported(Plan{}, Step{})}

func TestEveryPlanHolds(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	rapid.Check(t, func(t *rapid.T) {
		facts, asOf := anyCycle(t, p)
		if why := flaw(p, builtOrSkip(t, p, facts, asOf)); why != "" {
			t.Fatalf("%s\nfacts: %s", why, show(facts))
		}
	})
}

func TestOrderOfArrivalDoesNotMatter(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	rapid.Check(t, func(t *rapid.T) {
		facts, asOf := anyCycle(t, p)
		want := builtOrSkip(t, p, facts, asOf)
		shuffled := rapid.Permutation(facts).Draw(t, "arrival")
		if rapid.Bool().Draw(t, "without ids") && !slices.ContainsFunc(facts, func(f Fact) bool { return f.Order != "" }) {
			for i := range shuffled {
				shuffled[i].ID = ""
			}
			again, err := Build(p, rapid.Permutation(shuffled).Draw(t, "arrival again"), asOf)
			if err != nil {
				t.Fatalf("refused without ids: %v", err)
			}
			want = again
		}
		got, err := Build(p, shuffled, asOf)
		if err != nil {
			t.Fatalf("refused in another order: %v", err)
		}
		if d := cmp.Diff(want, got, comparePlans); d != "" {
			t.Fatalf("another plan in another order:\n%s", d)
		}
	})
}

// TestPlanningAgain: a plan is the same when it is made again, and when its
// facts have been written down and read.
func TestPlanningAgain(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	rapid.Check(t, func(t *rapid.T) {
		facts, asOf := anyCycle(t, p)
		want := builtOrSkip(t, p, facts, asOf)
		b, err := json.Marshal(facts)
		if err != nil {
			t.Fatal(err)
		}
		read, err := ParseFacts(b, p.Location())
		if err != nil {
			t.Fatalf("reading back %s: %v", b, err)
		}
		got, err := Build(p, read, asOf)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want, got, comparePlans); d != "" {
			t.Fatalf("another plan after writing and reading:\n%s", d)
		}
		if changes := Diff(want, got); len(changes) > 0 {
			t.Fatalf("got changes %s, want none", show(changes))
		}
	})
}

// TestUnrelatedFactChangesNothing: what she was asked before the cycle, a scan
// long done, spotting, an answer about a dose.
func TestUnrelatedFactChangesNothing(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	rapid.Check(t, func(t *rapid.T) {
		facts, asOf := anyCycle(t, p)
		want := builtOrSkip(t, p, facts, asOf)
		more := []Fact{
			{Kind: Ready, Item: "consents", On: civil.DateOf(asOf).AddDays(-3)},
			{Kind: Spotting, At: asOf.Add(-time.Hour)},
			{Kind: ProgestinEnd, On: civil.DateOf(asOf).AddDays(-90)},
			{Kind: OrderGiven, Drug: "folic acid", Dose: 400, Unit: "ug", Times: []civil.TimeOfDay{480}, From: civil.DateOf(asOf), Stop: Stop{UntilOrder: true}},
		}
		got, err := Build(p, append(slices.Clone(facts), rapid.SampledFrom(more).Draw(t, "more")), asOf)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(want.Steps, got.Steps, comparePlans); d != "" {
			t.Fatalf("the steps changed:\n%s", d)
		}
		if d := cmp.Diff(want.Conflicts, got.Conflicts, comparePlans); d != "" {
			t.Fatalf("the conflicts changed:\n%s", d)
		}
	})
}

// TestTimeOnlyMovesStatus: as time passes without new facts no planned day
// moves.
func TestTimeOnlyMovesStatus(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	rapid.Check(t, func(t *rapid.T) {
		facts, asOf := anyCycle(t, p)
		was := builtOrSkip(t, p, facts, asOf)
		is, err := Build(p, facts, asOf.AddDate(0, 0, rapid.IntRange(1, 30).Draw(t, "days later")))
		if err != nil {
			t.Fatal(err)
		}
		for i, s := range was.Steps {
			if n := is.Steps[i]; n.Key != s.Key || n.On != s.On || n.From != s.From || n.To != s.To || !n.At.Equal(s.At) {
				t.Fatalf("%s moved by waiting: %s\nto %s", s.Key, show(s), show(n))
			}
		}
	})
}

// TestDosesComeFromOrders: each dose belongs to a live order, at one of its
// times, not before a cleared baseline, inside its course and the horizon.
func TestDosesComeFromOrders(t *testing.T) {
	t.Parallel()
	p := DefaultPolicy()
	rapid.Check(t, func(t *rapid.T) {
		facts, asOf := anyCycle(t, p)
		got := builtOrSkip(t, p, facts, asOf)
		orders := map[string]Fact{}
		var cleared civil.Date
		for _, f := range facts {
			if f.Kind == OrderGiven {
				orders[f.ID] = f
			}
			if f.Kind == BaselineFound && f.Decision == Start {
				cleared = f.On
			}
		}
		seen := map[string]int{}
		for _, d := range got.Doses {
			o, known := orders[d.Order]
			if d.Class == TriggerDrug {
				continue
			}
			day := civil.DateOf(d.At)
			if !known || day.Before(o.From) || !slices.Contains(o.Times, civil.TimeOfDayOf(d.At)) {
				t.Fatalf("a dose of no order: %+v", d)
			}
			if (d.Class == Tablet || d.Class == Injection) && (cleared.IsZero() || day.Before(cleared)) {
				t.Fatalf("a dose before a cleared baseline: %+v", d)
			}
			if seen[d.Order]++; o.Stop.AfterDoses > 0 && seen[d.Order] > o.Stop.AfterDoses {
				t.Fatalf("too many doses: %+v", d)
			}
			if !got.Cancelled.IsZero() && !day.Before(got.Cancelled) {
				t.Fatalf("a dose after the cancellation: %+v", d)
			}
		}
	})
}
