package reminders_test

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// order is a medicine at some hours, from a day on.
func order(drug string, from civil.Date, stop plan.Stop, times ...string) plan.Fact {
	f := plan.Fact{Kind: plan.OrderGiven, Drug: drug, Dose: 5, Unit: "mg", From: from, Stop: stop}
	for _, at := range times {
		f.Times = append(f.Times, civil.MustTime(at))
	}
	return f
}

// cleared is a patient on cycle day 3 with a cleared baseline.
func (c *clinic) cleared(t failer, one civil.Date) reminders.Patient {
	t.Helper()
	p := c.enrol(t)
	c.mustRecord(t, p, plan.Fact{Kind: plan.PeriodStart, At: c.at(one, "08:15")})
	c.mustRecord(t, p, plan.Fact{Kind: plan.BaselineFound, On: one.AddDays(2), Decision: plan.Start})
	return p
}

// A dose is taken by the wall clock, whatever the clocks do that night.
//
// The days are those of the tz database: America/Chicago changes on 2026-03-08
// and 2026-11-01 at 02:00, Europe/Madrid on 2026-03-29 at 02:00 and 2026-10-25 at
// 03:00 local time.
func TestDoseQuestionsKeepToTheWallClockAcrossClockChanges(t *testing.T) {
	t.Parallel()
	for _, k := range []struct {
		name, zone, change string
		hours              time.Duration // between the doses before and after it
	}{
		{"spring in Chicago", "America/Chicago", "2026-03-08", 23 * time.Hour},
		{"autumn in Chicago", "America/Chicago", "2026-11-01", 25 * time.Hour},
		{"spring in Madrid", "Europe/Madrid", "2026-03-29", 23 * time.Hour},
		{"autumn in Madrid", "Europe/Madrid", "2026-10-25", 25 * time.Hour},
	} {
		t.Run(k.name, func(t *testing.T) {
			t.Parallel()
			policy, err := plan.ParsePolicy([]byte("clinic: {zone: " + k.zone + "}"))
			if err != nil {
				t.Fatal(err)
			}
			change := civil.MustDate(k.change)
			c := newClinic(t, policy, change.AddDays(-2).At(civil.MustTime("09:00"), policy.Location()))
			p := c.cleared(t, change.AddDays(-5))
			id := c.mustRecord(t, p, order("progesterone", change.AddDays(-1), plan.Stop{AfterDays: 3}, "01:30", "08:00", "20:00"))
			asked := make(map[string]time.Time)
			for key, q := range c.queued(t, p) {
				if strings.HasPrefix(key, "dose/"+id+"@") && strings.Count(key, "/") == 1 {
					asked[q.due(t).In(policy.Location()).Format("2006-01-02 15:04")] = q.due(t)
				}
			}
			for n := -1; n <= 1; n++ {
				for _, clock := range []string{"01:30", "08:00", "20:00"} {
					if want := change.AddDays(n).String() + " " + clock; asked[want].IsZero() {
						t.Errorf("nothing is asked at %s on the wall; asked at %v", want, slices.Sorted(maps.Keys(asked)))
					}
				}
			}
			if len(asked) != 9 {
				t.Errorf("%d questions, want 9", len(asked))
			}
			before, after := asked[change.AddDays(-1).String()+" 08:00"], asked[change.String()+" 08:00"]
			if got := after.Sub(before); got != k.hours {
				t.Errorf("%v pass between the two doses around the change, want %v", got, k.hours)
			}
		})
	}
}

func TestWhenADoseIsAskedAgainAndTurnedOver(t *testing.T) {
	t.Parallel()
	day := monday.AddDays(4)
	for name, k := range map[string]struct {
		drug          string
		times         []string
		again, turned string // on the wall, the same day; "" for not at all
	}{
		"a tablet in the morning":           {"letrozole", []string{"08:00"}, "09:00", "21:00"},
		"a tablet late in the evening":      {"letrozole", []string{"20:30"}, "", "21:00"},
		"an injection":                      {"menotropin", []string{"09:00"}, "10:00", "12:00"},
		"progesterone once a day":           {"progesterone", []string{"08:00"}, "09:00", "14:00"},
		"progesterone before its next dose": {"progesterone", []string{"08:00", "12:00"}, "09:00", "12:00"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			policy := plan.DefaultPolicy()
			c := newClinic(t, policy, day.AddDays(-1).At(civil.MustTime("09:00"), policy.Location()))
			p := c.cleared(t, monday)
			id := c.mustRecord(t, p, order(k.drug, day, plan.Stop{AfterDays: 1}, k.times...))
			first := "dose/" + id + "@" + c.at(day, k.times[0]).UTC().Format("20060102T1504Z")
			all := c.queued(t, p)
			wall := func(key string) string {
				q, known := all[key]
				if !known {
					return ""
				}
				return q.due(t).In(policy.Location()).Format("15:04")
			}
			if got := wall(first); got != k.times[0] {
				t.Errorf("asked at %q, want %q", got, k.times[0])
			}
			if got := wall(first + "/again"); got != k.again {
				t.Errorf("asked again at %q, want %q", got, k.again)
			}
			if got := wall(first + "/deadline"); got != k.turned {
				t.Errorf("a case at %q, want %q", got, k.turned)
			}
		})
	}
}

// An order that is entered after its hour is asked about once, and again only
// after the usual wait.
func TestALateOrderAsksOnce(t *testing.T) {
	t.Parallel()
	policy := plan.DefaultPolicy()
	day := monday.AddDays(4)
	c := newClinic(t, policy, day.At(civil.MustTime("10:30"), policy.Location()))
	p := c.cleared(t, monday)
	c.mustRecord(t, p, order("progesterone", day, plan.Stop{AfterDays: 1}, "08:00"))
	due := make(map[string][]string)
	for key, q := range messages(c.queued(t, p)) {
		if strings.HasPrefix(key, "dose/") {
			due[q.Due] = append(due[q.Due], key)
		}
	}
	for at, keys := range due {
		if len(keys) > 1 {
			t.Errorf("at %s she is asked %d times: %v", at, len(keys), keys)
		}
	}
	if len(due) != 2 {
		t.Errorf("she is asked at %v, want now and once more", slices.Sorted(maps.Keys(due)))
	}
}

func TestADoseThatNobodyAnswersBecomesOneConcern(t *testing.T) {
	t.Parallel()
	policy := plan.DefaultPolicy()
	day := monday.AddDays(4)
	c := newClinic(t, policy, day.At(civil.MustTime("07:00"), policy.Location()))
	p := c.cleared(t, monday)
	c.mustRecord(t, p, order("progesterone", day, plan.Stop{AfterDays: 1}, "08:00"))
	c.runUntil(t, c.at(day, "13:59"))
	if n := len(c.of(reminders.DoseSilent)); n != 0 {
		t.Errorf("%d concerns before the deadline", n)
	}
	c.runUntil(t, c.at(day, "20:00"))
	got := c.of(reminders.DoseSilent)
	if len(got) != 1 || !got[0].Grave || !got[0].PageNow {
		t.Errorf("concerns %+v, want one that wakes somebody", got)
	}
	questions := 0
	for _, text := range c.sent[chatOf(p)] {
		if strings.Contains(text, "Have you taken it") {
			questions++
		}
	}
	if questions != 2 {
		t.Errorf("she was asked %d times, want twice: %q", questions, c.sent[chatOf(p)])
	}
}

// of are the concerns for a reason.
func (c *clinic) of(reason string) (some []reminders.Concern) {
	for _, k := range c.concerns {
		if k.Reason == reason {
			some = append(some, k)
		}
	}
	return some
}

// A visit that was missed and booked anew can be missed again: that is another
// concern, not the first one.
func TestAVisitMissedTwiceIsTwoConcerns(t *testing.T) {
	t.Parallel()
	policy := plan.DefaultPolicy()
	c := newClinic(t, policy, monday.AddDays(3).At(civil.MustTime("09:00"), policy.Location()))
	p := c.cleared(t, monday)
	first := c.mustRecord(t, p, plan.Fact{Kind: plan.Visit, Step: plan.Monitoring, At: c.at(monday.AddDays(8), "08:00")})
	c.runUntil(t, c.at(monday.AddDays(9), "08:00"))
	if n := len(c.of(reminders.DecisionDue)); n != 1 {
		t.Fatalf("%d concerns after the first missed visit, want 1", n)
	}
	c.mustRecord(t, p, plan.Fact{Kind: plan.Visit, Step: plan.Monitoring, At: c.at(monday.AddDays(10), "08:00"), Replaces: first})
	c.runUntil(t, c.at(monday.AddDays(11), "08:00"))
	got := c.of(reminders.DecisionDue)
	if len(got) != 2 {
		t.Fatalf("%d concerns after the second missed visit, want 2", len(got))
	}
	if got[0].Key == got[1].Key {
		t.Errorf("both have the cause %s, so the second would open nothing", got[0].Key)
	}
}

// A visit that is booked in the evening for the early morning cannot wait for the
// end of her night.
func TestALateBookingIsToldBeforeTheVisit(t *testing.T) {
	t.Parallel()
	policy := plan.DefaultPolicy()
	day := monday.AddDays(8)
	c := newClinic(t, policy, day.AddDays(-1).At(civil.MustTime("22:15"), policy.Location()))
	p := c.cleared(t, monday)
	c.mustRecord(t, p, plan.Fact{Kind: plan.Visit, Step: plan.Monitoring, At: c.at(day, "07:20")})
	c.runUntil(t, c.at(day, "06:00"))
	told := 0
	for _, text := range c.sent[chatOf(p)] {
		if strings.HasPrefix(text, phrased(c, "moved.head")) {
			told++
		}
	}
	if told != 1 {
		t.Errorf("she was told %d times before the visit, want once: %q", told, c.sent[chatOf(p)])
	}
}

// phrased is a sentence up to its first gap.
func phrased(c *clinic, key string) string {
	head, _, _ := strings.Cut(c.book.Say("en", false, key, nil), "{")
	return head
}

// A result, and whatever could be its first hint, is for a person to tell.
func TestNothingIsAnnouncedWhileAResultWaits(t *testing.T) {
	t.Parallel()
	policy := plan.DefaultPolicy()
	for _, untold := range []bool{false, true} {
		t.Run(fmt.Sprintf("untold %v", untold), func(t *testing.T) {
			c := newClinic(t, policy, monday.AddDays(3).At(civil.MustTime("09:00"), policy.Location()))
			p := c.cleared(t, monday)
			c.untold = untold
			c.mustRecord(t, p, plan.Fact{Kind: plan.Visit, Step: plan.Monitoring, At: c.at(monday.AddDays(9), "08:00")})
			announced := c.table(t, p, "topic LIKE 'fact/%'")
			if got, want := len(announced), map[bool]int{false: 1, true: 0}[untold]; got != want {
				t.Errorf("%d announcements, want %d", got, want)
			}
		})
	}
}

// What she entered herself is answered in the chat and not announced as news.
func TestHerOwnFactIsNoNewsToHer(t *testing.T) {
	t.Parallel()
	policy := plan.DefaultPolicy()
	c := newClinic(t, policy, monday.AddDays(3).At(civil.MustTime("09:00"), policy.Location()))
	p := c.enrol(t)
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		_, err := c.book.Record(ctx, tx, p.ID, plan.Fact{Kind: plan.PeriodStart, At: c.at(monday, "08:15")}, reminders.Said{By: p.Person})
		return err
	})
	if got := c.table(t, p, "topic LIKE 'fact/%'"); len(got) != 0 {
		t.Errorf("announced: %v", got)
	}
}

// Hushing takes back what the bot was about to say, and leaves what a person
// wrote to her and what her life may hang on.
func TestHushLeavesWhatAPersonWroteAndCautions(t *testing.T) {
	t.Parallel()
	policy := plan.DefaultPolicy()
	c := newClinic(t, policy, monday.AddDays(3).At(civil.MustTime("09:00"), policy.Location()))
	p := c.cleared(t, monday)
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		for _, kind := range []outbox.Kind{outbox.Alert, outbox.Answer, outbox.Reply, outbox.Dose, outbox.Reminder} {
			if err := c.book.Outbox.Put(ctx, tx, outbox.Want{Key: "test/" + string(kind), Topic: "test", Kind: kind, To: p.Person,
				Message: outbox.Message{Text: "words"}}); err != nil {
				return err
			}
		}
		return c.book.Hush(ctx, tx, p.ID, true)
	})
	left := slices.Sorted(maps.Keys(c.table(t, p, "topic = 'test' AND state = 'queued'")))
	if want := []string{"test/alert", "test/answer"}; !slices.Equal(left, want) {
		t.Errorf("left %v, want %v", left, want)
	}
}

// The trigger is asked about until somebody knows, and what is known of it ends
// the asking.
func TestTheTriggerIsAskedAboutUntilItIsOnRecord(t *testing.T) {
	t.Parallel()
	policy := plan.DefaultPolicy()
	evening := monday.AddDays(12)
	c := newClinic(t, policy, evening.At(civil.MustTime("10:00"), policy.Location()))
	p := c.cleared(t, monday)
	c.mustRecord(t, p, plan.Fact{Kind: plan.TriggerOrder, At: c.at(evening, "21:30"), Drug: "hCG", Dose: 10000, Unit: "IU"})
	due := make(map[string]string)
	for key, q := range c.queued(t, p) {
		if rest, is := strings.CutPrefix(key, "dose/trigger@"); is {
			_, what, _ := strings.Cut(rest, "/")
			due[what] = q.due(t).In(policy.Location()).Format("15:04")
		}
	}
	want := map[string]string{"soon": "19:30", "": "21:30", "deadline": "22:30"}
	for _, at := range []string{"21:45", "22:00", "22:15"} {
		want["check/"+c.at(evening, at).UTC().Format("1504Z")] = at
	}
	if !maps.Equal(due, want) {
		t.Errorf("promised %v, want %v", due, want)
	}
	c.runUntil(t, c.at(evening, "21:50"))
	c.mustRecord(t, p, plan.Fact{Kind: plan.TriggerGiven, At: c.at(evening, "21:34")})
	for key := range c.queued(t, p) {
		if strings.HasPrefix(key, "dose/trigger") {
			t.Errorf("%s is promised although it was given", key)
		}
	}
}

// An answer is hers to change: what is settled is asked about no more, "not yet"
// asks again from then.
func TestAnswersSettleOrPutOff(t *testing.T) {
	t.Parallel()
	policy := plan.DefaultPolicy()
	day := monday.AddDays(4)
	for answer, want := range map[reminders.Answer][]string{
		reminders.Taken: nil, reminders.Missed: nil, reminders.NotYet: {"09:40"},
	} {
		t.Run(string(answer), func(t *testing.T) {
			t.Parallel()
			c := newClinic(t, policy, day.At(civil.MustTime("07:30"), policy.Location()))
			p := c.cleared(t, monday)
			c.mustRecord(t, p, order("progesterone", day, plan.Stop{AfterDays: 1}, "08:00"))
			c.runUntil(t, c.at(day, "08:40"))
			dose := c.doses(t, p)[0]
			c.within(t, func(ctx context.Context, tx *store.Tx) error {
				return c.book.AnswerDose(ctx, tx, p.ID, dose.ID, answer, reminders.Said{By: seal.House})
			})
			var got []string
			deadlines := 0
			for key, q := range c.queued(t, p) {
				switch {
				case strings.HasSuffix(key, "/deadline") && strings.HasPrefix(key, "dose/"):
					deadlines++
				case strings.HasPrefix(key, "dose/"):
					got = append(got, q.due(t).In(policy.Location()).Format("15:04"))
				}
			}
			if !slices.Equal(got, want) {
				t.Errorf("asked again at %v, want %v", got, want)
			}
			if open := answer == reminders.NotYet; (deadlines == 1) != open {
				t.Errorf("%d deadlines after %q", deadlines, answer)
			}
		})
	}
}

// A changed order asks nothing again that she has answered, wakes nobody about
// doses of days gone by, and goes on asking about the one that is open.
func TestAChangedOrderKeepsWhatWasSaid(t *testing.T) {
	t.Parallel()
	policy := plan.DefaultPolicy()
	day := monday.AddDays(5)
	c := newClinic(t, policy, day.AddDays(-1).At(civil.MustTime("07:00"), policy.Location()))
	p := c.cleared(t, monday)
	first := order("progesterone", day.AddDays(-1), plan.Stop{UntilOrder: true}, "08:00", "20:00")
	id := c.mustRecord(t, p, first)
	answer := func(at time.Time) {
		for _, a := range c.doses(t, p) {
			if a.Dose.At.Equal(at) {
				c.within(t, func(ctx context.Context, tx *store.Tx) error {
					return c.book.AnswerDose(ctx, tx, p.ID, a.ID, reminders.Taken, reminders.Said{By: p.Person})
				})
			}
		}
	}
	c.runUntil(t, c.at(day.AddDays(-1), "08:10"))
	answer(c.at(day.AddDays(-1), "08:00"))
	c.runUntil(t, c.at(day.AddDays(-1), "20:10"))
	answer(c.at(day.AddDays(-1), "20:00"))
	c.runUntil(t, c.at(day, "08:30"))
	second := first
	second.Replaces, second.Dose = id, 10
	c.mustRecord(t, p, second)
	var open []string
	for _, a := range c.doses(t, p) {
		if !a.Settled() && a.Dose.At.Before(c.clock.Now()) {
			open = append(open, a.Dose.At.In(policy.Location()).Format("01-02 15:04"))
		}
	}
	if want := []string{day.String()[5:] + " 08:00"}; !slices.Equal(open, want) {
		t.Errorf("open are %v, want %v", open, want)
	}
	c.runUntil(t, c.at(day, "13:00"))
	if got := c.of(reminders.DoseSilent); len(got) != 0 {
		t.Errorf("concerns about doses that she answered: %+v", got)
	}
	c.runUntil(t, c.at(day, "15:00"))
	if got := c.of(reminders.DoseSilent); len(got) != 1 {
		t.Errorf("%d concerns about the dose that she did not answer, want 1", len(got))
	}
}
