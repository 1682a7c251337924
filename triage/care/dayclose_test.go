package care_test

import (
	"context"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"handrail.example/reminders"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// left are the reasons why P-105 is not done with today.
func (w *ward) left() (keys []string) {
	w.t.Helper()
	w.within(func(ctx context.Context, tx *store.Tx) error {
		list, err := w.care.NotDone(ctx, tx, w.quoy, march(11))
		for _, p := range list {
			for _, l := range p.Why {
				keys = append(keys, l.Key)
			}
		}
		return err
	})
	return keys
}

func (w *ward) closesDay() (live []triage.Case) {
	w.t.Helper()
	w.within(func(ctx context.Context, tx *store.Tx) error {
		if err := w.care.Tasks()["care.day_closes"](ctx, tx, []byte(`{"day":"2026-03-11"}`)); err != nil {
			return err
		}
		var err error
		live, err = w.desk.LiveFor(ctx, tx, triage.DayOpen)
		return err
	})
	return live
}

func (w *ward) repeats(id int64) {
	w.t.Helper()
	w.within(func(ctx context.Context, tx *store.Tx) error {
		return w.book.AnswerReadBack(ctx, tx, w.patient.ID, id, reminders.SaidRight, w.patient.Person)
	})
}

// Who was scanned stays until an order is there and repeated; the day's close puts her
// before somebody once, and the case goes when nobody is left.
func TestWhoWasSeenStaysUntilOrdersAreRepeated(t *testing.T) {
	t.Parallel()
	w := open(t)
	if got := w.left(); got != nil {
		t.Fatalf("nobody was seen, and %v is left", got)
	}
	if live := w.closesDay(); len(live) != 0 {
		t.Fatalf("a day on which nobody was seen has %d cases", len(live))
	}
	lining := 7.5
	w.enters(plan.Fact{Kind: plan.Scan, On: march(11), LiningMM: &lining})
	if diff := cmp.Diff([]string{"day.no_orders"}, w.left()); diff != "" {
		t.Errorf("after the scan (-want +got):\n%s", diff)
	}
	live := w.closesDay()
	if again := w.closesDay(); len(live) != 1 || len(again) != 1 || again[0].ID != live[0].ID {
		t.Fatalf("%d and %d cases of the day, want the one", len(live), len(again))
	}
	if n := live[0].Body.Notes; len(n) != 1 || n[0].Args["who"] != "P-105" {
		t.Errorf("the case says %v", n)
	}
	w.enters(order("progesterone", march(13)))
	if diff := cmp.Diff([]string{"day.unrepeated"}, w.left()); diff != "" {
		t.Errorf("after the order (-want +got):\n%s", diff)
	}
	var number int64
	w.within(func(ctx context.Context, tx *store.Tx) error {
		facts, err := w.care.Facts(ctx, tx, w.quoy, w.patient.ID)
		number = facts[slices.IndexFunc(facts, func(f reminders.Recorded) bool { return f.Kind == plan.OrderGiven })].Number
		return err
	})
	w.repeats(number)
	if got := w.left(); got != nil {
		t.Errorf("after she has repeated it %v is left", got)
	}
	if live := w.closesDay(); len(live) != 0 {
		t.Errorf("%d cases of the day when nobody is left", len(live))
	}
}

func TestBloodWithoutAResultIsNotDone(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.enters(plan.Fact{Kind: plan.HCGDrawn, At: at(11, 8, 10)})
	if diff := cmp.Diff([]string{"day.no_result"}, w.left()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	w.enters(plan.Fact{Kind: plan.HCG, At: at(11, 8, 10), IUPerL: 2})
	if diff := cmp.Diff([]string{"day.not_told"}, w.left()); diff != "" {
		t.Errorf("with the result (-want +got):\n%s", diff)
	}
}
