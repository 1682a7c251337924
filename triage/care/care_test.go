package care_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

var march = func(day int) civil.Date { return civil.Date{Year: 2026, Month: 3, Day: day} }

func order(drug string, from civil.Date) plan.Fact {
	return plan.Fact{Kind: plan.OrderGiven, Drug: drug, Product: drug + " capsules", Route: "vaginal", Dose: 200, Unit: "mg",
		Times: []civil.TimeOfDay{civil.MustTime("08:00")}, From: from, Stop: plan.Stop{UntilOrder: true}, Prescriber: "Ashgrove"}
}

func triggerOrder() plan.Fact {
	return plan.Fact{Kind: plan.TriggerOrder, At: at(13, 21, 30), Drug: "choriogonadotropin", Product: "pen", Route: "sc", Dose: 250, Unit: "mcg", Prescriber: "Ashgrove"}
}

// Every action asks the roles table first, and what is refused changes nothing.
func TestEveryActionAsksTheTable(t *testing.T) {
	t.Parallel()
	w := open(t)
	id := w.patient.ID
	changes := map[string]func(context.Context, *store.Tx, triage.Staff) error{
		"add patient": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.AddPatient(ctx, tx, s, reminders.NewPatient{Handle: "P-900", Name: "x", Language: "en"})
			return err
		},
		"invite": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.Invite(ctx, tx, s, id)
			return err
		},
		"check": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			return w.care.SetCheck(ctx, tx, s, id, "consents", march(1))
		},
		"hush": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.Hush(ctx, tx, s, id, true)
			return err
		},
		"finish": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			return w.care.Finish(ctx, tx, s, id, "lost")
		},
		"next": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			return w.care.NextCycle(ctx, tx, s, id, "", 0)
		},
		"told": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			return w.care.Told(ctx, tx, s, 1, triage.Phoned)
		},
		"waiting": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.Waiting(ctx, tx, s, 1)
			return err
		},
		"verify": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.CheckTrigger(ctx, tx, s, 1, 1)
			return err
		},
		"approved": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.AnswerApproved(ctx, tx, s, 1, "read", "inbox/9")
			return err
		},
		"undo": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.Undo(ctx, tx, s, id, "f1", "x", 1)
			return err
		},
	}
	team := map[string]func(context.Context, *store.Tx, triage.Staff) error{
		"add shift": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.AddShift(ctx, tx, s, w.quoy, at(12, 7, 0), at(12, 19, 0))
			return err
		},
		"drop shift": func(ctx context.Context, tx *store.Tx, s triage.Staff) error { return w.care.DropShift(ctx, tx, s, 1) },
		"add staff": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, _, err := w.care.AddStaff(ctx, tx, s, triage.Newcomer{Handle: "new", Name: "n", Role: triage.Reader, Languages: []string{"en"}})
			return err
		},
		"staff code": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, _, err := w.care.StaffCode(ctx, tx, s, "quoy")
			return err
		},
		"leaves": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.StaffLeaves(ctx, tx, s, "quoy")
			return err
		},
	}
	for _, f := range []plan.Fact{{Kind: plan.LHSurge, On: march(11)}, order("progesterone", march(15)), {Kind: plan.StopOrder, Order: "f1", On: march(11)},
		triggerOrder(), {Kind: plan.Cancelled, On: march(11), Reason: "x"}} {
		changes["enter "+string(f.Kind)] = func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.Enter(ctx, tx, s, id, f, 1)
			return err
		}
	}
	looks := map[string]func(context.Context, *store.Tx, triage.Staff) error{
		"find": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.Find(ctx, tx, s, "P-105")
			return err
		},
		"chart": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.Chart(ctx, tx, s, id)
			return err
		},
		"sheet": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.Sheet(ctx, tx, s, id)
			return err
		},
		"facts": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.Facts(ctx, tx, s, id)
			return err
		},
		"orders": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.Orders(ctx, tx, s, id)
			return err
		},
		"day": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.Day(ctx, tx, s, march(11))
			return err
		},
		"overdue": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.Overdue(ctx, tx, s)
			return err
		},
		"search": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, _, err := w.care.Search(ctx, tx, s, "p-1", 10)
			return err
		},
		"a day's sheet": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.DaySheet(ctx, tx, s, march(11))
			return err
		},
		"tonight": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.Tonight(ctx, tx, s, march(11))
			return err
		},
		"load": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.Load(ctx, tx, s, 28)
			return err
		},
		"try a policy": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.TryPolicy(ctx, tx, s, plan.DefaultPolicy())
			return err
		},
		"a case's file": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.File(ctx, tx, s, 1)
			return err
		},
		"letters": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.Letters(ctx, tx, s, w.patient, 5)
			return err
		},
		"everybody": func(ctx context.Context, tx *store.Tx, s triage.Staff) error {
			_, err := w.care.Everybody(ctx, tx, s)
			return err
		},
	}
	before := len(w.chart().Facts)
	try := func(name string, do func(context.Context, *store.Tx, triage.Staff) error, s triage.Staff, may bool) {
		t.Helper()
		w.within(func(ctx context.Context, tx *store.Tx) error {
			if err := do(ctx, tx, s); refusedAs(err, "role") == may {
				t.Errorf("%s by a %s: %v, want allowed %v", name, s.Role, err, may)
			}
			return nil
		})
	}
	for name, do := range changes {
		try(name, do, w.reader, false)
		try(name, do, w.officer, false)
	}
	for name, do := range team {
		try(name, do, w.reader, false)
		try(name, do, w.quoy, false)
	}
	for name, do := range looks {
		try(name, do, w.reader, true)
		try(name, do, w.officer, false)
	}
	if after := len(w.chart().Facts); after != before {
		t.Errorf("%d facts after the refusals, want %d", after, before)
	}
}

func TestAnEntryIsPreviewedSavedAndOnRecord(t *testing.T) {
	t.Parallel()
	w := open(t)
	visit := plan.Fact{Kind: plan.Visit, Step: plan.Monitoring, At: at(12, 7, 20)}
	var before care.Preview
	w.within(func(ctx context.Context, tx *store.Tx) (err error) {
		before, err = w.care.Preview(ctx, tx, w.quoy, w.patient.ID, visit)
		return err
	})
	if len(before.Changes) == 0 {
		t.Fatal("the preview moves nothing")
	}
	if n := len(w.chart().Facts); n != 2 {
		t.Fatalf("%d facts after a preview, want the 2 of before", n)
	}
	saved := w.enters(visit)
	if diff := cmp.Diff(keysOf(before.Changes), keysOf(saved.Changes)); diff != "" {
		t.Errorf("what was saved moves other rows than the preview (-preview +saved):\n%s", diff)
	}
	if read := strings.Join(w.settle(), "\n"); !strings.Contains(read, "Thursday, March 12") {
		t.Errorf("she reads %q, want the new appointment", read)
	}
	w.within(func(ctx context.Context, tx *store.Tx) error {
		deeds, err := w.desk.Deeds(ctx, tx, w.patient.ID)
		last := deeds[len(deeds)-1]
		if last.Action == triage.SeePatients { // the chart, looked at above
			last = deeds[len(deeds)-2]
		}
		if last.Action != triage.EnterFact || last.Staff != w.quoy.ID || last.Ref.Fact == 0 || last.Note != "visit" {
			t.Errorf("on record: %+v", last)
		}
		return err
	})
}

func keysOf(changes []plan.Change) (keys []string) {
	for _, c := range changes {
		keys = append(keys, string(c.Move)+" "+c.Key+" "+c.Is.On.String())
	}
	return keys
}

func TestWhatCannotBeTrueIsRefused(t *testing.T) {
	t.Parallel()
	w := open(t)
	lining := 78.0
	incomplete := order("progesterone", march(15))
	incomplete.Prescriber = ""
	for name, tc := range map[string]struct {
		fact plan.Fact
		want string // key of a refusal, "" for the plan's own
	}{
		"a lining of 78 mm":         {plan.Fact{Kind: plan.Scan, On: march(11), LiningMM: &lining}, ""},
		"a trigger given tomorrow":  {plan.Fact{Kind: plan.TriggerGiven, At: at(12, 21, 0)}, ""},
		"a result from tomorrow":    {plan.Fact{Kind: plan.HCG, At: at(12, 8, 0), IUPerL: 80}, ""},
		"a second day one":          {plan.Fact{Kind: plan.PeriodStart, At: at(2, 8, 0)}, ""},
		"an order by nobody":        {incomplete, "order_lacks_prescriber"},
		"undoing what is not there": {plan.Fact{Kind: plan.Retracted, Replaces: "f99", Reason: "x"}, ""},
	} {
		_, err := w.tries(w.quoy, tc.fact)
		var untrue *plan.Refusal
		if tc.want == "" && !errors.As(err, &untrue) || tc.want != "" && !refusedAs(err, tc.want) {
			t.Errorf("%s: %v, want it refused", name, err)
		}
	}
	if n := len(w.chart().Facts); n != 2 {
		t.Errorf("%d facts on record, want 2", n)
	}
}

func TestACorrectionMovesWhatHangsOnIt(t *testing.T) {
	t.Parallel()
	w := open(t)
	wrong := w.chart().Facts[0]
	w.enters(plan.Fact{Kind: plan.PeriodStart, At: at(2, 8, 15), Replaces: wrong.ID})
	ch := w.chart()
	if got := ch.Plan.CycleDayOne; got != march(2) {
		t.Errorf("day one is %s, want 2026-03-02", got)
	}
	if slices.ContainsFunc(ch.Facts, func(f reminders.Recorded) bool { return f.ID == wrong.ID }) {
		t.Error("the replaced fact still stands")
	}
	surge := w.enters(plan.Fact{Kind: plan.LHSurge, On: march(11)})
	if len(surge.Changes)+len(surge.Conflicts) == 0 {
		t.Fatal("the surge did nothing")
	}
	last := w.chart().Facts[len(w.chart().Facts)-1]
	w.within(func(ctx context.Context, tx *store.Tx) error {
		_, err := w.care.Undo(ctx, tx, w.quoy, w.patient.ID, last.ID, "of another patient", 1)
		return err
	})
	if f, ok := w.chart().Cycle.Live(plan.LHSurge); ok {
		t.Errorf("the surge still stands: %+v", f)
	}
}

// One person orders the trigger, another checks it; until then it is in no
// calendar and in no message. Two-person check: common practice, no source.
func TestATriggerNeedsASecondPerson(t *testing.T) {
	t.Parallel()
	w := open(t)
	if v := w.enters(triggerOrder()); !v.Second {
		t.Fatal("the order counts at once")
	}
	if f, ok := w.chart().Cycle.Live(plan.TriggerOrder); ok {
		t.Fatalf("on record before it was checked: %+v", f)
	}
	if read := w.settle(); read != nil {
		t.Errorf("she was told %q before the check", read)
	}
	if w.sent["orrel"] == nil || w.sent["quoy"] != nil {
		t.Errorf("put before %d of Orrel and %d of Quoy, want the one who did not enter it", len(w.sent["orrel"]), len(w.sent["quoy"]))
	}
	check := func(who triage.Staff) error {
		return w.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
			_, err := w.care.CheckTrigger(ctx, tx, who, 1, 2)
			return err
		})
	}
	if err := check(w.quoy); !refusedAs(err, "own_order") {
		t.Errorf("checked by the one who entered it: %v", err)
	}
	if err := check(w.orrel); err != nil {
		t.Fatal(err)
	}
	f, ok := w.chart().Cycle.Live(plan.TriggerOrder)
	if !ok || f.CheckedBy != "orrel" || f.Prescriber != "Ashgrove" || !f.Fact.At.Equal(at(13, 21, 30)) {
		t.Errorf("on record %v: %+v", ok, f)
	}
	if err := check(w.orrel); !refusedAs(err, "case_closed") {
		t.Errorf("checked twice: %v", err)
	}
}

// A negative result drops steps that she knows of. Nothing of it reaches her
// before a person has told her.
func TestAResultIsOnlyToldByAPerson(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.clk.Advance(t.Context(), at(13, 22, 0))
	w.enters(plan.Fact{Kind: plan.TriggerGiven, At: at(13, 21, 30)})
	w.clk.Advance(t.Context(), at(20, 12, 0))
	w.enters(plan.Fact{Kind: plan.Transferred, On: march(20), EmbryoDay: 5})
	w.clk.Advance(t.Context(), at(30, 9, 0))
	w.enters(plan.Fact{Kind: plan.Visit, Step: plan.HCGRepeat, At: at(32, 8, 0)})
	w.settle()
	w.enters(plan.Fact{Kind: plan.HCG, At: at(30, 8, 0), IUPerL: 2})
	if read := w.settle(); read != nil {
		t.Errorf("she read %q before anybody told her", read)
	}
	ch := w.chart()
	i := slices.IndexFunc(ch.Cases, func(c triage.Case) bool { return c.Reason == triage.ResultToTell })
	if i < 0 || ch.Cases[i].Holder != w.quoy.ID {
		t.Fatalf("cases %+v, want the result with whoever entered it", ch.Cases)
	}
	told := func(how triage.Outcome) error {
		return w.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
			return w.care.Told(ctx, tx, w.quoy, ch.Cases[i].ID, how)
		})
	}
	if err := told(triage.Answered); !refusedAs(err, "not_told") {
		t.Errorf("told in chat: %v, want it refused", err)
	}
	if err := told(triage.Phoned); err != nil {
		t.Fatal(err)
	}
	if read := strings.Join(w.settle(), "\n"); !strings.Contains(read, "no longer planned") {
		t.Errorf("afterwards she reads %q, want the dropped appointment", read)
	}
}

func TestAVisitThatGetsANewTimeIsMoved(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		step        plan.StepName
		first, then int // day of the month
		want        int // visits that stand
	}{
		"scan, same day":        {plan.Monitoring, 12, 12, 1},
		"scan, another day":     {plan.Monitoring, 12, 13, 2},
		"transfer, another day": {plan.Transfer, 20, 23, 1},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := open(t)
			w.enters(plan.Fact{Kind: plan.Visit, Step: tc.step, At: at(tc.first, 7, 20)})
			w.enters(plan.Fact{Kind: plan.Visit, Step: tc.step, At: at(tc.then, 7, 40)})
			n := 0
			for _, f := range w.chart().Facts {
				if f.Kind == plan.Visit {
					n++
				}
			}
			if n != tc.want {
				t.Errorf("%d visits stand, want %d", n, tc.want)
			}
		})
	}
}

func TestHush(t *testing.T) {
	t.Parallel()
	w := open(t)
	hush := func(on bool) (changed bool) {
		w.within(func(ctx context.Context, tx *store.Tx) (err error) {
			changed, err = w.care.Hush(ctx, tx, w.orrel, w.patient.ID, on)
			return err
		})
		return changed
	}
	if !hush(true) || hush(true) {
		t.Error("hushing twice: want it done once")
	}
	w.enters(plan.Fact{Kind: plan.Visit, Step: plan.Monitoring, At: at(12, 7, 20)})
	w.clk.Advance(t.Context(), at(12, 7, 0))
	if read := w.settle(); read != nil {
		t.Errorf("hushed, she read %q", read)
	}
	if !hush(false) {
		t.Error("lifting did nothing")
	}
}

func TestACycleIsClosedAndBegunByAPerson(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.enters(order("progesterone", march(15)))
	try := func(f func(ctx context.Context, tx *store.Tx) error) error { return w.db.Within(t.Context(), f) }
	finish := func(ending string) error {
		return try(func(ctx context.Context, tx *store.Tx) error {
			return w.care.Finish(ctx, tx, w.quoy, w.patient.ID, ending)
		})
	}
	next := func() error {
		return try(func(ctx context.Context, tx *store.Tx) error {
			return w.care.NextCycle(ctx, tx, w.quoy, w.patient.ID, "", 0)
		})
	}
	if err := finish("whatever"); !refusedAs(err, "no_ending") {
		t.Errorf("an unknown ending: %v", err)
	}
	if err := finish("cancelled"); !refusedAs(err, "orders_run") {
		t.Errorf("with an order running: %v", err)
	}
	if err := next(); !refusedAs(err, "cycle_open") {
		t.Errorf("a cycle beside an open one: %v", err)
	}
	orders := w.chart().Facts
	w.enters(plan.Fact{Kind: plan.StopOrder, Order: orders[len(orders)-1].ID, On: march(11)})
	if err := finish("cancelled"); err != nil {
		t.Fatal(err)
	}
	if _, err := w.tries(w.quoy, plan.Fact{Kind: plan.LHSurge, On: march(11)}); !refusedAs(err, "no_cycle") {
		t.Errorf("a fact in a closed cycle: %v", err)
	}
	if err := next(); err != nil {
		t.Fatal(err)
	}
	if n := len(w.chart().Facts); n != 0 {
		t.Errorf("the new cycle begins with %d facts", n)
	}
}

func TestLists(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.within(func(ctx context.Context, tx *store.Tx) error {
		second := w.enrol(ctx, tx, "P-101")
		_, err := w.care.Enter(ctx, tx, w.quoy, second.ID, plan.Fact{Kind: plan.PeriodStart, At: at(1, 8, 15)}, 1)
		return err
	})
	w.enters(plan.Fact{Kind: plan.Visit, Step: plan.Monitoring, At: at(12, 7, 20)})
	w.within(func(ctx context.Context, tx *store.Tx) error {
		day, err := w.care.Day(ctx, tx, w.quoy, march(12))
		if err != nil {
			return err
		}
		if len(day) != 1 || day[0].Patient.Handle != "P-105" || day[0].CycleDay != 12 {
			t.Errorf("on the 12th: %+v", day)
		}
		late, err := w.care.Overdue(ctx, tx, w.quoy)
		if err != nil {
			return err
		}
		for i, l := range late {
			if l.End.Due.After(tx.Now) || i > 0 && l.End.Due.Before(late[i-1].End.Due) {
				t.Errorf("overdue is out of order or early: %+v", late)
			}
		}
		if !slices.ContainsFunc(late, func(l care.Late) bool { return l.Patient.Handle == "P-101" && l.End.Step == plan.Baseline }) {
			t.Errorf("the baseline that P-101 has missed is not overdue: %+v", late)
		}
		return nil
	})
}

// A value of LH that is taken for a surge is a case; when a person has judged that it is
// none, nobody need look at it again.
func TestASurgeThatIsNoneClosesItsCase(t *testing.T) {
	t.Parallel()
	w := open(t)
	lh := 31.0
	w.enters(plan.Fact{Kind: plan.Bloods, On: march(11), LH: &lh})
	conflicts := func() (n int) {
		w.within(func(ctx context.Context, tx *store.Tx) error {
			live, err := w.desk.LiveFor(ctx, tx, triage.Conflict)
			n = len(live)
			return err
		})
		return n
	}
	if n := conflicts(); n == 0 {
		t.Fatal("a measured surge is no case")
	}
	counts := false
	v := w.enters(plan.Fact{Kind: plan.LHSurge, On: march(11), Counts: &counts})
	if n := conflicts(); n != 0 || len(v.Settled) == 0 {
		t.Errorf("%d cases of a surge that is none, %d settled", n, len(v.Settled))
	}
}
