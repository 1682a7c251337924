package triage_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// The waits are the policy's (close_within, remind_again): common practice, no
// source. 2026-03-03 is a Tuesday; the clinic is open 07:00 to 16:00, closed on
// Sunday 8 March and on Tuesday 10 March.
func TestATakenCaseComesBackEverLater(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		taken, until time.Time
		urgency      rules.Urgency
		pageNow      bool
		answered     bool
		want         []string
	}{
		"emergency without an answer is strict, day and night": {
			taken: local(3, 2, 0), until: local(3, 6, 1), urgency: rules.Emergency,
			want: []string{"Tue 03:00 bastian", "Tue 04:00 bastian", "Tue 04:00 tamsin", "Tue 05:00 bastian", "Tue 05:00 tamsin",
				"Tue 06:00 bastian", "Tue 06:00 tamsin"},
		},
		"answered emergency is there again in the morning, then 8, 16 and 27 opening hours later": {
			taken: local(3, 2, 0), until: local(9, 15, 0), urgency: rules.Emergency, answered: true,
			want: []string{"Tue 07:30 bastian", "Tue 15:30 bastian", "Thu 13:30 bastian", "Mon 13:30 bastian", "Mon 13:30 tamsin"},
		},
		"answered emergency of a Saturday evening does not wait for Monday": {
			taken: local(7, 20, 0), until: local(8, 12, 0), urgency: rules.Emergency, answered: true,
			want: []string{"Sun 07:30 bastian"},
		},
		"same day worth a page stays strict by night until it is answered": {
			taken: local(3, 22, 0), until: local(4, 0, 1), urgency: rules.SameDay, pageNow: true,
			want: []string{"Tue 23:00 bastian", "Wed 00:00 bastian", "Wed 00:00 tamsin"},
		},
		"same day without an answer, every 4 h until the lead hears, then 8, 16 opening hours": {
			taken: local(3, 8, 0), until: local(6, 16, 0), urgency: rules.SameDay,
			want: []string{"Tue 12:00 bastian", "Wed 07:30 bastian", "Wed 07:30 tamsin", "Wed 15:30 bastian", "Wed 15:30 tamsin",
				"Fri 13:30 bastian", "Fri 13:30 tamsin"},
		},
		"same day answered, the lead from the fourth time": {
			taken: local(3, 14, 0), until: local(12, 7, 0), urgency: rules.SameDay, answered: true,
			want: []string{"Wed 09:00 bastian", "Thu 08:00 bastian", "Fri 15:00 bastian", "Wed 15:00 bastian", "Wed 15:00 tamsin"},
		},
		"routine by clinic hours, over Sunday and a holiday": {
			taken: local(6, 15, 0), until: local(14, 16, 0), urgency: rules.Routine,
			want: []string{"Sat 15:00 bastian", "Mon 15:00 bastian", "Mon 15:00 tamsin", "Thu 15:00 bastian", "Thu 15:00 tamsin"},
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := open(t, tc.taken)
			o := c.opening("inbox/1", tc.urgency)
			o.PageNow, o.Holder = tc.pageNow, c.bastian
			cs := c.opens(o)
			if tc.answered {
				c.answers(cs.ID)
				c.until(tc.taken.Add(time.Minute))
				c.heard()
			}
			c.until(tc.until)
			if diff := cmp.Diff(tc.want, c.heard()); diff != "" {
				t.Errorf("who was reminded and when (-want +got):\n%s", diff)
			}
		})
	}
}

func (c *clinic) answers(id int64) {
	c.within(func(ctx context.Context, tx *store.Tx) error {
		_, err := c.desk.Answer(ctx, tx, c.bastian, id, "Ya la llamo.", "inbox/answer/"+fmt.Sprint(id))
		return err
	})
}

// Her thanks leave an answered emergency answered; what is as grave again does not.
func TestThanksAskForNoOtherAnswer(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		urgency rules.Urgency
		want    []string
	}{
		// The news, once more where it waits, and the reminder of the answered case.
		"thanks":      {rules.Routine, []string{"Tue 10:20 bastian", "Tue 14:00 bastian", "Tue 14:20 bastian"}},
		"grave again": {rules.Emergency, []string{"Tue 10:20 bastian", "Tue 10:25 bastian", "Tue 10:25 tamsin", "Tue 11:20 bastian", "Tue 12:20 bastian", "Tue 12:20 tamsin"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := open(t, local(3, 10, 0))
			o := c.opening("inbox/1", rules.Emergency)
			o.Holder = c.bastian
			cs := c.opens(o)
			c.answers(cs.ID)
			c.until(local(3, 10, 20))
			c.heard()
			c.within(func(ctx context.Context, tx *store.Tx) error {
				_, err := c.desk.Attach(ctx, tx, cs.ID, c.opening("inbox/2", tc.urgency))
				return err
			})
			c.until(local(3, 13, 0))
			if tc.urgency == rules.Routine {
				c.until(local(3, 15, 0))
			}
			if diff := cmp.Diff(tc.want, c.heard()); diff != "" {
				t.Errorf("who heard and when (-want +got):\n%s", diff)
			}
		})
	}
}

// Whatever the case and whenever it was taken: it comes back within the longest wait
// and, once it is calm, never sooner than the time before (in opening hours).
func TestATakenCaseNeverGoesSilent(t *testing.T) {
	t.Parallel()
	p := policy()
	rapid.Check(t, func(t *rapid.T) {
		now := local(3, 0, 0).Add(time.Duration(rapid.IntRange(0, 20*24*60).Draw(t, "minute")) * time.Minute)
		u := rapid.SampledFrom([]rules.Urgency{rules.Routine, rules.SameDay, rules.Emergency}).Draw(t, "urgency")
		page, answered := rapid.Bool().Draw(t, "page"), rapid.Bool().Draw(t, "answered")
		for times := range 12 {
			at := triage.NextHeld(p, u, page, times, answered, now)
			if !at.After(now) {
				t.Fatalf("reminder %d is due at %s, which is not after %s", times+1, at, now)
			}
			if at.After(now.Add(7 * 24 * time.Hour)) {
				t.Fatalf("reminder %d waits from %s until %s", times+1, now, at)
			}
			strict := !answered && (u == rules.Emergency || page)
			if times > 1 && !strict && !p.ChatOpen(at.Add(-time.Nanosecond)) {
				t.Fatalf("reminder %d rings at %s, while the clinic is closed", times+1, at)
			}
			if !answered && u == rules.Emergency && at.Sub(now) != time.Hour {
				t.Fatalf("an emergency without an answer waits %s", at.Sub(now))
			}
			now = at
		}
	})
}

// Whoever asks a patient who has missed something by night is reminded all night:
// she has not been heard of yet.
func TestAQuestionIsNoAnswer(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 23, 0))
	o := c.opening("inbox/1", rules.SameDay)
	o.Words, o.PageNow, o.Holder = "", true, c.bastian
	cs := c.opens(o)
	c.answers(cs.ID)
	c.until(local(3, 23, 1))
	c.heard()
	c.until(local(4, 1, 1))
	want := []string{"Wed 00:00 bastian", "Wed 01:00 bastian", "Wed 01:00 tamsin"}
	if diff := cmp.Diff(want, c.heard()); diff != "" {
		t.Errorf("who was reminded and when (-want +got):\n%s", diff)
	}
}
