package triage_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

func TestOneCauseOpensOneCase(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 10, 0))
	first := c.opens(c.opening("inbox/1", rules.Routine))
	again := c.opens(c.opening("inbox/1", rules.Emergency))
	joined := c.opens(c.opening("inbox/2", rules.SameDay))
	joinedAgain := c.opens(c.opening("inbox/2", rules.SameDay))
	for name, got := range map[string]int64{"the same cause": again.ID, "another message": joined.ID, "that message again": joinedAgain.ID} {
		if got != first.ID {
			t.Errorf("%s is in case %d, want %d", name, got, first.ID)
		}
	}
	wrote := 0
	for _, e := range c.shows(first.ID).Events {
		if e.What == triage.Wrote {
			wrote++
		}
	}
	if wrote != 1 {
		t.Errorf("%d messages taken in, want 1", wrote)
	}
	if got := c.shows(first.ID).Urgency; got != rules.SameDay {
		t.Errorf("urgency %v, want raised to same_day", got)
	}
}

func TestWhatDoesNotBelongTogetherStaysApart(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 10, 0))
	symptom := c.opens(c.opening("inbox/1", rules.SameDay))
	o := c.opening("cycle/1/luteal_end", rules.Routine)
	o.Reason = triage.OrderDue
	if due := c.opens(o); due.ID == symptom.ID {
		t.Error("an order that is due vanished into a symptom's case")
	}
	house := triage.Opening{Key: "outbox/1/stuck", Reason: triage.Stuck, Urgency: rules.SameDay}
	other := house
	other.Key = "outbox/2/stuck"
	if c.opens(house).ID == c.opens(other).ID {
		t.Error("two failures of the program are one case")
	}
}

func TestACaseOpensInOneCommitWithItsAlert(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 2, 0))
	c.onCall(c.bastian, local(3, 2, 0), local(4, 2, 0))
	undone := errors.New("undone")
	if err := c.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		if _, err := c.desk.Open(ctx, tx, c.opening("inbox/1", rules.Emergency)); err != nil {
			return err
		}
		return undone
	}); !errors.Is(err, undone) {
		t.Fatal(err)
	}
	c.until(local(3, 3, 0))
	if got := c.heard(); got != nil {
		t.Errorf("heard of a case that was never opened: %v", got)
	}
}

func TestTheCardSaysWhatMatters(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 2, 0))
	c.onCall(c.bastian, local(3, 2, 0), local(4, 2, 0))
	o := c.opening("inbox/1", rules.Emergency)
	o.Words = "estoy sangrando <b>mucho</b> {who} " + strings.Repeat("y ", 2000)
	o.Rules, o.CautionKey = []string{"bleed-heavy"}, "bleeding"
	c.opens(o)
	c.until(local(3, 2, 1))
	texts := c.read("bastian")
	if len(texts) != 1 {
		t.Fatalf("%d cards, want 1", len(texts))
	}
	for _, want := range []string{"EMERGENCY · case 1 · P-105 Citlali Vern · symptom", "estoy sangrando <b>mucho</b> {who}", "[…]", "(es)", "bleed-heavy", "“bleeding”"} {
		if !strings.Contains(texts[0], want) {
			t.Errorf("the card lacks %q:\n%s", want, texts[0])
		}
	}
	if n := len([]rune(texts[0])); n > 4096 {
		t.Errorf("the card has %d characters, more than a message holds", n)
	}
}

func TestHandOver(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 10, 0))
	c.onCall(c.bastian, local(3, 10, 0), local(4, 10, 0))
	cs := c.opens(c.opening("inbox/1", rules.SameDay))
	c.within(func(ctx context.Context, tx *store.Tx) error {
		if _, err := c.desk.Take(ctx, tx, c.bastian, cs.ID); err != nil {
			return err
		}
		if _, err := c.desk.HandOver(ctx, tx, c.yevka, cs.ID, c.ashgrove); err == nil {
			t.Error("Yevka handed over what Bastian has")
		}
		if _, err := c.desk.HandOver(ctx, tx, c.bastian, cs.ID, c.bastian); err == nil {
			t.Error("handed over to herself")
		}
		_, err := c.desk.HandOver(ctx, tx, c.bastian, cs.ID, c.yevka)
		return err
	})
	c.until(local(3, 10, 31))
	got := strings.Join(c.heard(), ", ")
	if want := "Tue 10:00 yevka, Tue 10:30 tamsin"; got != want {
		t.Errorf("heard %s, want %s", got, want)
	}
}

// Whatever is done in whatever order: a case that nobody has rings again, one
// that somebody has comes back to her, a closed one is silent, and who has left
// hears nothing.
func TestNoCaseIsEverLost(t *testing.T) {
	t.Parallel()
	urgencies := []rules.Urgency{rules.Routine, rules.SameDay, rules.Emergency}
	rapid.Check(t, func(r *rapid.T) {
		c := open(t, local(3, 12, 0).Add(time.Duration(rapid.IntRange(0, 72).Draw(r, "start"))*time.Hour))
		c.within(func(ctx context.Context, tx *store.Tx) error {
			_, err := c.desk.AddShift(ctx, tx, c.bastian, tx.Now, tx.Now.Add(48*time.Hour))
			return err
		})
		team := []*triage.Staff{&c.tamsin, &c.bastian, &c.yevka, &c.ashgrove}
		n := 0
		for range rapid.IntRange(1, 12).Draw(r, "deeds") {
			who := *rapid.SampledFrom(team).Draw(r, "who")
			deed := rapid.SampledFrom([]string{"open", "open", "take", "answer", "hand", "close", "leave", "wait", "block"}).Draw(r, "deed")
			u := rapid.SampledFrom(urgencies).Draw(r, "urgency")
			id := int64(rapid.IntRange(1, 3).Draw(r, "case"))
			c.within(func(ctx context.Context, tx *store.Tx) (err error) {
				switch n++; deed {
				case "open":
					o := c.opening(time.Duration(n).String(), u)
					o.PageNow = rapid.Bool().Draw(r, "page")
					o.Reason = rapid.SampledFrom(triage.Reasons).Draw(r, "reason")
					_, err = c.desk.Open(ctx, tx, o)
					return err
				case "take":
					_, err = c.desk.Take(ctx, tx, who, id)
				case "answer":
					_, err = c.desk.Answer(ctx, tx, who, id, "words", "")
				case "hand":
					_, err = c.desk.HandOver(ctx, tx, who, id, c.yevka)
				case "close":
					_, err = c.desk.Close(ctx, tx, who, id, triage.Seen)
				case "leave":
					if who.ID == c.tamsin.ID || !who.Left.IsZero() {
						return nil
					}
					for _, s := range team {
						if s.ID == who.ID {
							s.Left = tx.Now
						}
					}
					return c.desk.Leave(ctx, tx, who)
				}
				var refused *triage.Refused
				var taken *triage.ErrTaken
				if errors.As(err, &refused) || errors.As(err, &taken) {
					return nil
				}
				return err
			})
			switch deed {
			case "wait":
				c.until(c.clk.Now().Add(time.Duration(rapid.IntRange(1, 600).Draw(r, "minutes")) * time.Minute))
			case "block":
				c.wire.dead[who.Handle] = who.ID != c.tamsin.ID
			}
		}
		checkNothingSilent(c, 11*time.Minute, func(cs triage.Case) bool { return cs.State == triage.Open && cs.Urgency == rules.Emergency })
		c.within(func(ctx context.Context, tx *store.Tx) error {
			live, err := c.desk.Live(ctx, tx)
			for _, cs := range live {
				if cs.Urgency != rules.Emergency {
					continue
				}
				if _, err := c.desk.Settle(ctx, tx, c.tamsin, cs, triage.EmergencyCare); err != nil {
					return err
				}
			}
			return err
		})
		checkNothingSilent(c, 3*24*time.Hour, func(cs triage.Case) bool { return cs.State != triage.Closed && cs.Urgency != rules.Emergency })
		c.heard()
		c.until(c.clk.Now().Add(time.Hour))
		for _, s := range team {
			if texts := c.read(s.Handle); !s.Left.IsZero() && len(texts) > 0 {
				t.Errorf("%s has left and reads %q", s.Handle, texts)
			}
		}
	})
}

// checkNothingSilent lets time pass and wants every case that counts to have
// been put before somebody meanwhile.
func checkNothingSilent(c *clinic, wait time.Duration, counts func(triage.Case) bool) {
	c.t.Helper()
	before := make(map[int64]int)
	for id := int64(1); id <= 3; id++ {
		cs, err := c.peek(id)
		if err == nil && counts(cs) {
			before[id] = len(cs.Events)
		}
		if err == nil && cs.State == triage.Taken && cs.Holder == 0 {
			c.t.Errorf("case %d is taken by nobody", id)
		}
	}
	c.until(c.clk.Now().Add(wait))
	for id, n := range before {
		cs, err := c.peek(id)
		if err != nil {
			c.t.Fatal(err)
		}
		rung := false
		for _, e := range cs.Events[n:] {
			rung = rung || e.What == triage.Alerted || e.What == triage.Came
		}
		if !rung {
			c.t.Errorf("case %d (%s, %s) was silent for %v", id, cs.Urgency, cs.State, wait)
		}
	}
}

func (c *clinic) peek(id int64) (cs triage.Case, err error) {
	err = c.db.Within(c.t.Context(), func(ctx context.Context, tx *store.Tx) error {
		cs, err = c.desk.Show(ctx, tx, id)
		return err
	})
	return cs, err
}
