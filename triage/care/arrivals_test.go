package care_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/care"
	"handrail.example/triage/exchange"
)

// citlali is P-105 as another system names her.
var citlali = exchange.Claim{Handles: []string{"p-105"}, Names: []string{"VERN, Citlalí"}, Born: "1990-02-03"}

func hcg(source, content string, value float64) exchange.Item {
	return exchange.Item{Kind: exchange.Result, Source: source, Number: source, Content: []byte(content), Claim: citlali, Says: "hCG",
		Fact: plan.Fact{Kind: plan.HCG, At: at(31, 8, 0), IUPerL: value, Laboratory: "Invented Laboratory"}}
}

func scanOn(source, content string, when time.Time) exchange.Item {
	return exchange.Item{Kind: exchange.Appointment, Source: source, Number: source, Content: []byte(content), Claim: citlali, Says: "scan",
		Fact: plan.Fact{Kind: plan.Visit, Step: plan.Monitoring, At: when}}
}

// repeatOn is an appointment for the second test.
func repeatOn(source, content string) exchange.Item {
	it := scanOn(source, content, time.Date(2026, 4, 2, 8, 0, 0, 0, zone))
	it.Fact.Step = plan.HCGRepeat
	return it
}

// transferred is the ward eleven days after her transfer, in the morning of the first
// test.
func transferred(t *testing.T) *ward {
	t.Helper()
	w := open(t)
	if err := w.clk.Advance(t.Context(), at(31, 9, 0)); err != nil {
		t.Fatal(err)
	}
	w.enters(plan.Fact{Kind: plan.TriggerGiven, At: at(13, 21, 30)})
	w.enters(plan.Fact{Kind: plan.Transferred, On: civil.MustDate("2026-03-20"), EmbryoDay: 5, Count: 1})
	return w
}

// arrives takes something in as Quoy.
func (w *ward) arrives(it exchange.Item) (fate care.Fate) {
	w.t.Helper()
	w.within(func(ctx context.Context, tx *store.Tx) (err error) {
		fate, err = w.care.TakeIn(ctx, tx, w.quoy, it)
		return err
	})
	return fate
}

func (w *ward) waiting() (list []care.Arrival) {
	w.t.Helper()
	w.within(func(ctx context.Context, tx *store.Tx) (err error) {
		list, _, err = w.care.Arrivals(ctx, tx, w.quoy)
		return err
	})
	return list
}

func (w *ward) confirms(id int64, p reminders.Patient, step plan.StepName) (v care.Preview, err error) {
	err = w.db.Within(w.t.Context(), func(ctx context.Context, tx *store.Tx) error {
		v, err = w.care.Confirm(ctx, tx, w.orrel, id, p.ID, step)
		return err
	})
	return v, err
}

func number(v float64) *float64 { return &v }

// everything is the whole file in one text, to see whether anything has changed.
func (w *ward) everything() string {
	w.t.Helper()
	var b strings.Builder
	w.within(func(ctx context.Context, tx *store.Tx) error {
		for _, table := range []string{"facts", "arrivals", "cases", "case_events", "staff_actions", "outbox", "cycles"} {
			var n, last int
			if err := tx.Get(ctx, &n, `SELECT count(*) FROM `+table); err != nil {
				return err
			}
			if err := tx.Get(ctx, &last, `SELECT coalesce(max(id), 0) FROM `+table); err != nil {
				return err
			}
			fmt.Fprintf(&b, "%s %d %d\n", table, n, last)
		}
		return nil
	})
	return b.String()
}

func TestWhatIsCertainIsEnteredOnce(t *testing.T) {
	t.Parallel()
	w := transferred(t)
	w.settle()
	if fate := w.arrives(hcg("L-1", "a", 86)); fate != care.SavedNow {
		t.Fatalf("%s: %+v", fate, w.waiting())
	}
	if fate := w.arrives(repeatOn("A-1", "a")); fate != care.SavedNow {
		t.Fatalf("%s: %+v", fate, w.waiting())
	}
	before := w.everything()
	for _, it := range []exchange.Item{hcg("L-1", "a", 86), repeatOn("A-1", "a")} {
		if fate := w.arrives(it); fate != care.Unchanged {
			t.Errorf("again: %s", fate)
		}
	}
	if after := w.everything(); after != before {
		t.Errorf("the second time changed something:\n%s%s", before, after)
	}
	ch := w.chart()
	if !slices.ContainsFunc(ch.Facts, func(f reminders.Recorded) bool {
		return f.Kind == plan.HCG && f.IUPerL == 86 && f.Laboratory == "Invented Laboratory" && f.By == w.quoy.Person
	}) {
		t.Errorf("%+v", ch.Facts)
	}
	// The one who handed it in has it to tell; the program says nothing of it.
	if !slices.ContainsFunc(ch.Cases, func(c triage.Case) bool { return c.Reason == triage.ResultToTell && c.Holder == w.quoy.ID }) {
		t.Errorf("nobody has it to tell: %+v", ch.Cases)
	}
	for _, said := range w.settle() {
		if strings.Contains(said, "86") || strings.Contains(strings.ToLower(said), "hcg") {
			t.Errorf("she was told: %q", said)
		}
	}
	// What was entered by hand before is taken as the same.
	if fate := w.arrives(hcg("L-2", "b", 86)); fate != care.SavedNow || len(w.chart().Facts) != len(ch.Facts) {
		t.Errorf("the same value by another number: %s", fate)
	}
}

func TestNobodyButAPersonSaysWhoseItIs(t *testing.T) {
	t.Parallel()
	w := transferred(t)
	var other reminders.Patient
	w.within(func(ctx context.Context, tx *store.Tx) error {
		other = w.enrol(ctx, tx, "P-106")
		return nil
	})
	for name, claim := range map[string]exchange.Claim{
		"nobody":              {},
		"a handle alone":      {Handles: []string{"P-105"}},
		"a name alone":        {Names: []string{"Citlali Vern"}},
		"another name":        {Handles: []string{"P-105"}, Names: []string{"Maribel Tosk"}},
		"one name of two":     {Handles: []string{"P-105"}, Names: []string{"Citlali Vern", "Maribel Tosk"}},
		"half a name":         {Handles: []string{"P-105"}, Names: []string{"Citlali"}},
		"two handles":         {Handles: []string{"P-105", "P-106"}, Names: []string{"Citlali Vern"}},
		"a handle not ours":   {Handles: []string{"P-999"}, Names: []string{"Citlali Vern"}},
		"another's number":    {Others: []string{"https://handrail.example/patient-handle P-105"}, Names: []string{"Citlali Vern"}},
		"a name of nothing":   {Handles: []string{"P-105"}, Names: []string{" "}},
		"a handle with blank": {Handles: []string{"P-105 P-106"}, Names: []string{"Citlali Vern"}},
	} {
		it := hcg("X-"+name, name, 99)
		it.Claim = claim
		if fate := w.arrives(it); fate != care.Waits {
			t.Errorf("%s: %s", name, fate)
		}
	}
	if ch := w.chart(); slices.ContainsFunc(ch.Facts, func(f reminders.Recorded) bool { return f.Kind == plan.HCG }) {
		t.Fatal("a result reached a record by itself")
	}
	list := w.waiting()
	if len(list) != 11 {
		t.Fatalf("%d wait", len(list))
	}
	// One case calls for all of it, and ends with the last.
	calls := func() (n int) {
		w.within(func(ctx context.Context, tx *store.Tx) error {
			live, err := w.desk.LiveFor(ctx, tx, triage.ToMatch)
			n = len(live)
			return err
		})
		return n
	}
	if calls() != 1 {
		t.Errorf("%d cases call for it", calls())
	}
	if v, err := w.confirms(list[0].ID, other, ""); err != nil || v.ToTell == 0 {
		t.Errorf("confirmed: %v %+v", err, v)
	}
	if _, err := w.confirms(list[0].ID, other, ""); !refusedAs(err, "no_arrival") {
		t.Errorf("twice: %v", err)
	}
	for _, a := range list[1:] {
		w.within(func(ctx context.Context, tx *store.Tx) error { return w.care.SetAside(ctx, tx, w.quoy, a.ID) })
	}
	if calls() != 0 || len(w.waiting()) != 0 {
		t.Errorf("%d cases, %d wait", calls(), len(w.waiting()))
	}
	var left int
	w.within(func(ctx context.Context, tx *store.Tx) error {
		return tx.Get(ctx, &left, `SELECT count(*) FROM arrivals WHERE body IS NOT NULL`)
	})
	if left != 0 {
		t.Errorf("%d bodies are kept", left)
	}
}

// Something that changed where it comes from is a correction, and a person confirms it.
func TestAChangeIsConfirmed(t *testing.T) {
	t.Parallel()
	w := transferred(t)
	w.arrives(hcg("L-1", "a", 86))
	if fate := w.arrives(hcg("L-1", "a, with a remark", 86)); fate != care.Unchanged || len(w.waiting()) > 0 {
		t.Errorf("a remark: %s", fate)
	}
	if fate := w.arrives(hcg("L-1", "b", 68)); fate != care.Waits {
		t.Fatalf("a change: %s", fate)
	}
	if fate := w.arrives(hcg("L-1", "b", 68)); fate != care.Unchanged || len(w.waiting()) != 1 {
		t.Errorf("the change again: %s", fate)
	}
	if fate := w.arrives(hcg("L-1", "c", 186)); fate != care.Waits || len(w.waiting()) != 1 {
		t.Errorf("a change of the change: %s, %d wait", fate, len(w.waiting()))
	}
	a := w.waiting()[0]
	var other reminders.Patient
	w.within(func(ctx context.Context, tx *store.Tx) error {
		other = w.enrol(ctx, tx, "P-106")
		return nil
	})
	if _, err := w.confirms(a.ID, other, ""); !refusedAs(err, "arrival_of_another") {
		t.Errorf("as somebody else's: %v", err)
	}
	v, err := w.confirms(a.ID, w.patient, "")
	if err != nil || v.Fact.Replaces == "" || v.Fact.IUPerL != 186 {
		t.Fatalf("%v %+v", err, v.Fact)
	}
	n := 0
	for _, f := range w.chart().Facts {
		if f.Kind == plan.HCG {
			n++
		}
	}
	if n != 1 {
		t.Errorf("%d values stand", n)
	}
	if fate := w.arrives(hcg("L-1", "c", 186)); fate != care.Unchanged {
		t.Errorf("what was confirmed again: %s", fate)
	}
	gone := hcg("L-1", "d", 0)
	gone.Gone, gone.Fact = true, plan.Fact{}
	if fate := w.arrives(gone); fate != care.Waits {
		t.Fatalf("called off: %s", fate)
	}
	if v, err := w.confirms(w.waiting()[0].ID, w.patient, ""); err != nil || v.Fact.Kind != plan.Retracted {
		t.Errorf("%v %+v", err, v.Fact)
	}
	never := repeatOn("A-9", "a")
	never.Gone = true
	if fate := w.arrives(never); fate != care.Nothing || w.arrives(never) != care.Unchanged || len(w.waiting()) != 0 {
		t.Errorf("called off before we heard of it: %s", fate)
	}
}

// Whatever a coordinator would weigh before she saves it, she weighs.
func TestWhatIsToWeighWaits(t *testing.T) {
	t.Parallel()
	for name, k := range map[string]struct {
		before plan.Fact
		it     exchange.Item
		why    string
	}{
		"it moves what is booked":       {plan.Fact{Kind: plan.Visit, Step: plan.Monitoring, At: at(12, 9, 0)}, scanOn("A", "a", at(12, 7, 40)), "doubt.moves"},
		"another value of the same day": {plan.Fact{Kind: plan.Bloods, On: civil.MustDate("2026-03-11"), LH: number(12)}, exchange.Item{Kind: exchange.Result, Source: "L", Content: []byte("a"), Claim: citlali, Fact: plan.Fact{Kind: plan.Bloods, On: civil.MustDate("2026-03-11"), LH: number(21)}}, "doubt.differs"},
		"the clinic is closed":          {plan.Fact{Kind: plan.Allergy, On: civil.MustDate("2026-03-11"), Allergen: "latex"}, scanOn("A", "a", at(15, 7, 40)), "doubt.conflict"},
		"a day gone by":                 {plan.Fact{Kind: plan.Allergy, On: civil.MustDate("2026-03-11"), Allergen: "latex"}, scanOn("A", "a", at(3, 7, 40)), "refused.misdated"},
		"a result of the future":        {plan.Fact{Kind: plan.Allergy, On: civil.MustDate("2026-03-11"), Allergen: "latex"}, exchange.Item{Kind: exchange.Result, Source: "L", Content: []byte("a"), Claim: citlali, Fact: plan.Fact{Kind: plan.HCG, At: at(20, 8, 0), IUPerL: 5}}, "refused.fact"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := open(t)
			w.enters(k.before)
			facts := len(w.chart().Facts)
			if fate := w.arrives(k.it); fate != care.Waits {
				t.Fatal(fate)
			}
			if a := w.waiting()[0]; len(a.Doubts) != 1 || a.Doubts[0].Key != k.why {
				t.Errorf("%+v", a.Doubts)
			}
			if n := len(w.chart().Facts); n != facts {
				t.Errorf("%d entries, had %d", n, facts)
			}
		})
	}
	w := open(t)
	it := scanOn("A", "a", at(12, 7, 40))
	it.Fact.Step, it.Doubts = "", []exchange.Doubt{exchange.NoPurpose}
	w.arrives(it)
	id := w.waiting()[0].ID
	if _, err := w.confirms(id, w.patient, ""); !refusedAs(err, "arrival_step") {
		t.Errorf("without its step: %v", err)
	}
	if v, err := w.confirms(id, w.patient, plan.Monitoring); err != nil || v.Fact.Step != plan.Monitoring || !v.Fact.At.Equal(at(12, 7, 40)) {
		t.Errorf("%v %+v", err, v.Fact)
	}
}

func TestOnlyWhoMayTakesIn(t *testing.T) {
	t.Parallel()
	w := transferred(t)
	for _, who := range []triage.Staff{w.reader, w.officer, {}} {
		err := w.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
			_, err := w.care.TakeIn(ctx, tx, who, hcg("L", "a", 86))
			return err
		})
		if !refusedAs(err, "role") {
			t.Errorf("%s: %v", who.Handle, err)
		}
	}
	w.arrives(hcg("L", "a", 86))
	w.within(func(ctx context.Context, tx *store.Tx) error {
		deeds, err := w.desk.Deeds(ctx, tx, w.patient.ID)
		if !slices.ContainsFunc(deeds, func(d triage.Deed) bool { return d.Action == triage.Import && d.Staff == w.quoy.ID && d.Ref.Fact != 0 }) {
			t.Errorf("not on record: %+v", deeds)
		}
		return err
	})
}
