package triage_test

import (
	"context"
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"

	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

func TestAClimbThatKeepsFailingIsPromisedAnew(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 2, 0))
	c.onCall(c.bastian, local(3, 2, 0), local(4, 2, 0))
	cs := c.opens(c.opening("inbox/1", rules.Emergency))
	c.within(func(ctx context.Context, tx *store.Tx) error {
		if err := c.box.Withdraw(ctx, tx, "case/1/tasks"); err != nil { // as if the task had been settled as failed
			return err
		}
		return c.desk.Trouble(ctx, tx, outbox.Trouble{Key: "case/1/climb/2", Kind: outbox.Task, About: seal.House, Why: outbox.Stuck})
	})
	c.until(local(3, 2, 11))
	if diff := cmp.Diff([]string{"Tue 02:00 bastian", "Tue 02:10 tamsin"}, c.heard()); diff != "" {
		t.Errorf("case %d (-want +got):\n%s", cs.ID, diff)
	}
}

func TestAnAnswerThatDoesNotArriveComesBackToWhoeverWroteIt(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 9, 0))
	c.wire.dead["citlali"] = true
	cs := c.opens(c.opening("inbox/1", rules.Routine))
	c.within(func(ctx context.Context, tx *store.Tx) error {
		_, err := c.desk.Answer(ctx, tx, c.yevka, cs.ID, "Le llamo.", "inbox/2")
		return err
	})
	c.until(local(3, 9, 1))
	// Tamsin, who was alerted, is told whose the case is.
	if diff := cmp.Diff([]string{"Tue 09:00 tamsin", "Tue 09:00 yevka"}, c.heard()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	got := c.shows(cs.ID)
	if last := got.Events[len(got.Events)-1]; last.What != triage.Wrote || got.Urgency != rules.SameDay {
		t.Errorf("the case is %s and ends with %s, want raised to same_day by what was not delivered", got.Urgency, last.What)
	}
}

func TestWhoeverWantsNoMessagesIsPhoned(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 9, 0))
	cs := c.opens(c.opening("inbox/1", rules.Routine))
	known := c.known[c.patient]
	known.OptedOut = true
	c.known[c.patient] = known
	c.within(func(ctx context.Context, tx *store.Tx) error {
		_, err := c.desk.Answer(ctx, tx, c.yevka, cs.ID, "Le llamo.", "inbox/2")
		var refused *triage.Refused
		if !errors.As(err, &refused) || refused.Key != "no_messages" {
			t.Errorf("an answer to somebody who opted out: %v, want it refused", err)
		}
		return nil
	})
}

// A colleague who cannot be reached about something else than a case is a case
// for the others, once a day.
func TestAColleagueWhoCannotBeReachedIsACaseOnceADay(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 9, 0))
	c.wire.dead["bastian"] = true
	c.within(func(ctx context.Context, tx *store.Tx) error {
		for _, key := range []string{"a", "b"} {
			if err := c.box.Put(ctx, tx, outbox.Want{Key: key, Topic: "t", Kind: outbox.Reply, To: c.bastian.Person, Message: outbox.Message{Text: "x"}}); err != nil {
				return err
			}
		}
		return nil
	})
	c.until(local(3, 9, 1))
	c.within(func(ctx context.Context, tx *store.Tx) error {
		live, err := c.desk.Live(ctx, tx)
		if len(live) != 1 || live[0].Reason != triage.StaffUnreached {
			t.Errorf("live cases %+v, want one about the colleague", live)
		}
		return err
	})
}

func TestNothingIsPromisedToAStranger(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 9, 0))
	c.within(func(ctx context.Context, tx *store.Tx) error {
		if err := c.desk.Trouble(ctx, tx, outbox.Trouble{Key: "inbox/1/stranger", Kind: outbox.Reply, About: seal.House, Why: outbox.Undelivered}); err != nil {
			return err
		}
		live, err := c.desk.Live(ctx, tx)
		if len(live) != 0 {
			t.Errorf("a stranger made a case: %+v", live)
		}
		return err
	})
}
