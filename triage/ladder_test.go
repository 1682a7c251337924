package triage_test

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"handrail.example/reminders/outbox"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// The waits are the policy's: common practice, no source.
func TestAnUntakenCaseClimbs(t *testing.T) {
	t.Parallel()
	everybody := func(at string) []string {
		return []string{at + " ashgrove", at + " bastian", at + " tamsin", at + " yevka"}
	}
	join := func(lists ...[]string) (all []string) {
		for _, l := range lists {
			all = append(all, l...)
		}
		return all
	}
	for name, tc := range map[string]struct {
		opened, until time.Time
		urgency       rules.Urgency
		pageNow       bool
		nobodyOnCall  bool
		want          []string
	}{
		"emergency at night, two rungs silent, then all and the physician, again and again": {
			opened: local(3, 2, 0), until: local(3, 2, 31), urgency: rules.Emergency,
			want: join([]string{"Tue 02:00 bastian", "Tue 02:05 tamsin"}, everybody("Tue 02:10"), everybody("Tue 02:20"), everybody("Tue 02:30")),
		},
		"emergency with nobody on call goes to the lead first": {
			opened: local(3, 2, 0), until: local(3, 2, 11), urgency: rules.Emergency, nobodyOnCall: true,
			want: join([]string{"Tue 02:00 tamsin", "Tue 02:05 bastian"}, everybody("Tue 02:10")),
		},
		"same day in chat hours: at once, next person after half an hour, then all": {
			opened: local(3, 10, 0), until: local(3, 11, 1), urgency: rules.SameDay,
			want: []string{"Tue 10:00 bastian", "Tue 10:30 tamsin", "Tue 11:00 bastian", "Tue 11:00 tamsin", "Tue 11:00 yevka"},
		},
		"same day after hours that may wait is first thing in the morning": {
			opened: local(3, 20, 0), until: local(4, 8, 1), urgency: rules.SameDay,
			want: []string{"Wed 07:30 bastian", "Wed 08:00 tamsin"},
		},
		"same day after hours with the rule's mark pages at once": {
			opened: local(3, 20, 0), until: local(3, 20, 31), urgency: rules.SameDay, pageNow: true,
			want: []string{"Tue 20:00 bastian", "Tue 20:30 tamsin"},
		},
		"same day late in the afternoon climbs to all before the night, then rests until morning": {
			opened: local(3, 15, 50), until: local(4, 7, 31), urgency: rules.SameDay,
			want: []string{"Tue 15:50 bastian", "Tue 16:20 tamsin", "Tue 16:50 bastian", "Tue 16:50 tamsin", "Tue 16:50 yevka",
				"Wed 07:30 bastian", "Wed 07:30 tamsin", "Wed 07:30 yevka"},
		},
		"routine on a Saturday evening waits for Monday and climbs by clinic hours": {
			opened: local(7, 18, 0), until: local(9, 11, 1), urgency: rules.Routine,
			want: []string{"Mon 07:00 bastian", "Mon 11:00 tamsin"},
		},
		"routine counts over the night and a holiday": {
			opened: local(9, 14, 0), until: local(11, 13, 1), urgency: rules.Routine,
			want: []string{"Mon 14:00 bastian", "Wed 09:00 tamsin", "Wed 13:00 bastian", "Wed 13:00 tamsin", "Wed 13:00 yevka"},
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := open(t, tc.opened)
			if !tc.nobodyOnCall {
				c.onCall(c.bastian, tc.opened, tc.opened.Add(10*24*time.Hour))
			}
			o := c.opening("inbox/1", tc.urgency)
			o.PageNow = tc.pageNow
			c.opens(o)
			c.until(tc.until)
			if diff := cmp.Diff(tc.want, c.heard()); diff != "" {
				t.Errorf("who heard of it and when (-want +got):\n%s", diff)
			}
		})
	}
}

func TestTakingEndsTheClimb(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 2, 0))
	c.onCall(c.bastian, local(3, 2, 0), local(4, 2, 0))
	cs := c.opens(c.opening("inbox/1", rules.Emergency))
	c.until(local(3, 2, 6)) // Bastian and Tamsin have been alerted
	c.heard()
	c.within(func(ctx context.Context, tx *store.Tx) error {
		_, err := c.desk.Take(ctx, tx, c.tamsin, cs.ID)
		return err
	})
	var second error
	c.within(func(ctx context.Context, tx *store.Tx) error {
		_, second = c.desk.Take(ctx, tx, c.bastian, cs.ID)
		return nil
	})
	var taken *triage.ErrTaken
	if !errors.As(second, &taken) || taken.By.Handle != "tamsin" {
		t.Errorf("the second to take it got %v, want to be told that Tamsin has it", second)
	}
	c.until(local(3, 2, 59))
	if diff := cmp.Diff([]string{"Tue 02:06 bastian"}, c.heard()); diff != "" {
		t.Errorf("after the taking (-want +got):\n%s", diff)
	}
	c.until(local(3, 4, 7))
	// It comes back to its holder after an hour, then to the leads too; Tamsin is
	// both.
	if diff := cmp.Diff([]string{"Tue 03:06 tamsin", "Tue 04:06 tamsin"}, c.heard()); diff != "" {
		t.Errorf("while it stays (-want +got):\n%s", diff)
	}
	c.within(func(ctx context.Context, tx *store.Tx) error {
		_, err := c.desk.Close(ctx, tx, c.tamsin, cs.ID, triage.Phoned)
		return err
	})
	c.until(local(5, 2, 0))
	if got := c.heard(); got != nil {
		t.Errorf("after it was closed: %v", got)
	}
}

func TestACaseThatStaysComesBackToTheLeadToo(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 8, 0))
	c.onCall(c.bastian, local(3, 8, 0), local(4, 8, 0))
	cs := c.opens(c.opening("inbox/1", rules.SameDay))
	c.within(func(ctx context.Context, tx *store.Tx) error {
		_, err := c.desk.Take(ctx, tx, c.bastian, cs.ID)
		return err
	})
	c.until(local(4, 7, 31))
	want := []string{"Tue 12:00 bastian", "Wed 07:30 bastian", "Wed 07:30 tamsin"}
	if diff := cmp.Diff(want, c.heard()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestAnAnswerAndTheReplyStayInOneCase(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 8, 0))
	c.onCall(c.bastian, local(3, 8, 0), local(4, 8, 0))
	cs := c.opens(c.opening("inbox/1", rules.SameDay))
	c.within(func(ctx context.Context, tx *store.Tx) error {
		_, err := c.desk.Answer(ctx, tx, c.bastian, cs.ID, "Le llamo en diez minutos.", "inbox/2")
		return err
	})
	c.until(local(3, 8, 1))
	if diff := cmp.Diff([]string{"Bastian, de la clínica, le escribe:\n\nLe llamo en diez minutos."}, c.read("citlali")); diff != "" {
		t.Errorf("she reads (-want +got):\n%s", diff)
	}
	c.heard()
	c.within(func(ctx context.Context, tx *store.Tx) error {
		awaiting, ok, err := c.desk.Awaiting(ctx, tx, c.patient)
		if err != nil || !ok || awaiting.ID != cs.ID {
			t.Errorf("awaiting her reply: case %d, %v, %v; want %d", awaiting.ID, ok, err, cs.ID)
		}
		o := c.opening("inbox/3", rules.Routine)
		o.Words = "gracias, aquí espero"
		_, err = c.desk.Attach(ctx, tx, cs.ID, o)
		return err
	})
	c.until(local(3, 8, 2))
	if diff := cmp.Diff([]string{"Tue 08:01 bastian"}, c.heard()); diff != "" {
		t.Errorf("her reply went to (-want +got):\n%s", diff)
	}
	var events []triage.What
	for _, e := range c.shows(cs.ID).Events {
		events = append(events, e.What)
	}
	want := []triage.What{triage.Began, triage.Alerted, triage.TookIt, triage.Replied, triage.Wrote}
	if diff := cmp.Diff(want, events); diff != "" {
		t.Errorf("events (-want +got):\n%s", diff)
	}
}

func TestAGraveMessageInATakenCaseClimbsAgain(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 15, 0))
	c.onCall(c.bastian, local(3, 15, 0), local(4, 15, 0))
	cs := c.opens(c.opening("inbox/1", rules.Routine))
	c.within(func(ctx context.Context, tx *store.Tx) error {
		_, err := c.desk.Take(ctx, tx, c.yevka, cs.ID)
		return err
	})
	c.until(local(4, 2, 0))
	c.heard()
	grave := c.opening("inbox/2", rules.SameDay)
	grave.PageNow = true
	again := c.opens(grave)
	if again.ID != cs.ID || again.State != triage.Open || again.Urgency != rules.SameDay {
		t.Fatalf("case %d is %s, %s; want case %d open for the same day", again.ID, again.State, again.Urgency, cs.ID)
	}
	c.until(local(4, 2, 31))
	want := []string{"Wed 02:00 bastian", "Wed 02:00 yevka", "Wed 02:30 tamsin"}
	if diff := cmp.Diff(want, c.heard()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestAnEmergencyStandsOnItsOwnFeet(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 15, 0))
	c.onCall(c.bastian, local(3, 15, 0), local(4, 15, 0))
	first := c.opens(c.opening("inbox/1", rules.Routine))
	second := c.opens(c.opening("inbox/2", rules.Emergency))
	third := c.opens(c.opening("inbox/3", rules.Emergency))
	if second.ID == first.ID || second.Urgency != rules.Emergency {
		t.Errorf("the emergency joined case %d as %s; its card would begin with something else", first.ID, second.Urgency)
	}
	if third.ID != second.ID {
		t.Errorf("what she wrote next stands in case %d, not with the emergency in case %d", third.ID, second.ID)
	}
}

func TestAnAlertThatCannotBeDeliveredClimbsAtOnce(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 2, 0))
	c.onCall(c.bastian, local(3, 2, 0), local(4, 2, 0))
	c.wire.dead["bastian"], c.wire.dead["tamsin"] = true, true
	c.opens(c.opening("inbox/1", rules.Emergency))
	c.until(local(3, 2, 4))
	want := []string{"Tue 02:00 ashgrove", "Tue 02:00 yevka"}
	if diff := cmp.Diff(want, c.heard()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	c.within(func(ctx context.Context, tx *store.Tx) error {
		live, err := c.desk.Live(ctx, tx)
		if len(live) != 1 {
			t.Errorf("%d cases live, want the one", len(live))
		}
		return err
	})
}

func TestWithNobodyToReachTheCaseWaitsForWhoeverJoins(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 2, 0))
	c.within(func(ctx context.Context, tx *store.Tx) error {
		for _, s := range []triage.Staff{c.tamsin, c.bastian, c.yevka, c.ashgrove} {
			if err := c.desk.Leave(ctx, tx, s); err != nil {
				return err
			}
		}
		return nil
	})
	c.opens(c.opening("inbox/1", rules.Emergency))
	c.until(local(3, 2, 21))
	if got := c.heard(); got != nil {
		t.Errorf("people who have left heard %v", got)
	}
	c.within(func(ctx context.Context, tx *store.Tx) error {
		c.hire(ctx, tx, "quill", triage.Coordinator)
		return nil
	})
	c.until(local(3, 2, 31))
	if diff := cmp.Diff([]string{"Tue 02:30 quill"}, c.heard()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestWhatCannotReachThePatientBecomesACase(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 9, 0))
	c.onCall(c.bastian, local(3, 9, 0), local(4, 9, 0))
	c.wire.dead["citlali"] = true
	c.within(func(ctx context.Context, tx *store.Tx) error {
		for _, key := range []string{"a", "b"} {
			if err := c.box.Put(ctx, tx, outbox.Want{Key: key, Topic: "t", Kind: outbox.Dose, To: c.patient, Message: outbox.Message{Text: "¿Ya la tomó?"}}); err != nil {
				return err
			}
		}
		return nil
	})
	c.until(local(3, 9, 5))
	c.within(func(ctx context.Context, tx *store.Tx) error {
		live, err := c.desk.Live(ctx, tx)
		if len(live) != 1 || live[0].Reason != triage.Unreachable || live[0].Urgency != rules.SameDay || !live[0].PageNow {
			t.Errorf("live cases %+v, want one that says she cannot be reached", live)
		}
		return err
	})
}
