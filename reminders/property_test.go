package reminders_test

import (
	"cmp"
	"context"
	"encoding/json"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	diff "github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// cycleSoFar enrols a patient and enters drawn facts. A draw that cannot be true
// is not looked at.
func cycleSoFar(t *rapid.T, c *clinic, one civil.Date) (reminders.Patient, []plan.Fact) {
	facts := anyFacts(t, c.book.Policy, one)
	p := c.enrol(t)
	if _, all := c.enter(t, p, facts, inOrder(len(facts))); !all {
		t.Skip("these facts cannot all be true")
	}
	return p, facts
}

func propertyClinic(t *testing.T) *clinic {
	p := plan.DefaultPolicy()
	return newClinic(t, p, monday.AddDays(4).At(civil.MustTime("09:30"), p.Location()))
}

var factID = regexp.MustCompile(`f[0-9]+`)

// asPlaces puts the place of each fact in the drawn list where its ID stands, so
// that what two patients were promised can be compared.
func asPlaces(ids map[int]string, text string) string {
	places := make(map[string]string)
	for i, id := range ids {
		places[id] = string(rune('A' + i))
	}
	return factID.ReplaceAllStringFunc(text, func(id string) string { return cmp.Or(places[id], id) })
}

// comparable is what was promised, told in places. Which choice of a read-back
// stands first is drawn by its number and says nothing.
func comparable(ids map[int]string, all map[string]promise) map[string]promise {
	out := make(map[string]promise)
	for k, p := range all {
		slices.SortFunc(p.Message.Buttons, func(a, b []outbox.Button) int { return cmp.Compare(a[0].Label, b[0].Label) })
		body, err := json.Marshal(p.Message)
		if err != nil {
			panic(err)
		}
		p.Key, p.Body, p.Message = asPlaces(ids, k), asPlaces(ids, string(body)), outbox.Message{}
		out[p.Key] = p
	}
	return out
}

func TestFactsInAnyOrderOfArrivalPromiseTheSame(t *testing.T) {
	t.Parallel()
	c := propertyClinic(t)
	rapid.Check(t, func(t *rapid.T) {
		facts := anyFacts(t, c.book.Policy, monday)
		order := rapid.Permutation(inOrder(len(facts))).Draw(t, "order")
		one, two := c.enrol(t), c.enrol(t)
		idsOne, all := c.enter(t, one, facts, inOrder(len(facts)))
		if !all {
			t.Skip("these facts cannot all be true")
		}
		idsTwo, all := c.enter(t, two, facts, order)
		if !all {
			t.Fatal("what can be entered in one order is refused in another")
		}
		got, want := comparable(idsTwo, c.queued(t, two)), comparable(idsOne, c.queued(t, one))
		if d := diff.Diff(want, got); d != "" {
			t.Fatalf("in the order %v something else is promised (-in order of days +so):\n%s", order, d)
		}
	})
}

func TestReplanningTwiceChangesNothing(t *testing.T) {
	t.Parallel()
	c := propertyClinic(t)
	rapid.Check(t, func(t *rapid.T) {
		p, _ := cycleSoFar(t, c, monday)
		once := c.table(t, p, "true")
		c.replan(t, p)
		c.replan(t, p)
		if d := diff.Diff(once, c.table(t, p, "true")); d != "" {
			t.Fatalf("a plan that nothing changed changed its promises:\n%s", d)
		}
	})
}

// What she says of a dose changes the promises about this dose and no others: planning
// all anew finds nothing left to change.
func TestAnAnswerLeavesNothingToReplan(t *testing.T) {
	t.Parallel()
	c := propertyClinic(t)
	rapid.Check(t, func(t *rapid.T) {
		p, _ := cycleSoFar(t, c, c.today().AddDays(-4))
		defer c.close(t, p)
		for range 2 {
			anything(t, c, p)
			c.replan(t, p)
			answerSomething(t, c, p)
			answered := c.table(t, p, "true")
			c.replan(t, p)
			if d := diff.Diff(c.table(t, p, "true"), answered); d != "" {
				t.Fatalf("after an answer other things are promised than a new plan promises (-plan +answer):\n%s", d)
			}
		}
	})
}

// Whatever is entered, answered, hushed or lifted, and however far the day goes
// on: what has gone out stays as it was.
func TestWhatWasSentNeverChanges(t *testing.T) {
	t.Parallel()
	c := propertyClinic(t)
	rapid.Check(t, func(t *rapid.T) {
		p, _ := cycleSoFar(t, c, c.today().AddDays(-4))
		defer c.close(t, p)
		sent := make(map[string]string)
		for range rapid.IntRange(3, 10).Draw(t, "things") {
			anything(t, c, p)
			now := c.table(t, p, "state IN ('sent', 'done')")
			for key, row := range sent {
				if now[key] != row {
					t.Fatalf("%s was %s and is %s", key, row, now[key])
				}
			}
			sent = now
		}
	})
}

// today is the clinic's day.
func (c *clinic) today() civil.Date { return civil.DateOf(c.clock.Now().In(c.book.Policy.Location())) }

// close ends a cycle, so that nothing of it is sent any more.
func (c *clinic) close(t failer, p reminders.Patient) {
	c.within(t, func(ctx context.Context, tx *store.Tx) error { return c.book.CloseCycle(ctx, tx, p.ID, "negative") })
}

// anything is one of the things that happen in a clinic.
func anything(t *rapid.T, c *clinic, p reminders.Patient) {
	switch rapid.SampledFrom([]string{"time", "time", "correction", "scan", "answer", "hush", "opt out", "language", "checklist"}).Draw(t, "thing") {
	case "time":
		c.runUntil(t, c.clock.Now().Add(time.Duration(rapid.IntRange(1, 40).Draw(t, "hours"))*time.Hour))
	case "correction":
		correct(t, c, p)
	case "scan":
		c.record(t, p, plan.Fact{Kind: plan.Scan, On: c.today()})
	case "answer":
		answerSomething(t, c, p)
	case "hush":
		c.mark(t, p, c.book.Hush, rapid.Bool().Draw(t, "hushed"))
	case "opt out":
		c.mark(t, p, c.book.OptOut, rapid.Bool().Draw(t, "out"))
	case "language":
		c.within(t, func(ctx context.Context, tx *store.Tx) error {
			return c.book.SetLanguage(ctx, tx, p.ID, rapid.SampledFrom([]string{"en", "es"}).Draw(t, "language"))
		})
		c.replan(t, p)
	case "checklist":
		c.check(t, p)
	}
}

func (c *clinic) check(t failer, p reminders.Patient) {
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		return c.book.SetCheck(ctx, tx, p.ID, "consents", monday, seal.House)
	})
}

func (c *clinic) mark(t failer, p reminders.Patient, mark func(context.Context, *store.Tx, int64, bool) error, set bool) {
	c.within(t, func(ctx context.Context, tx *store.Tx) error { return mark(ctx, tx, p.ID, set) })
}

// correct moves one of the live facts by a day.
func correct(t *rapid.T, c *clinic, p reminders.Patient) {
	cycle := c.cycle(t, p)
	f := cycle.Facts[rapid.IntRange(0, len(cycle.Facts)-1).Draw(t, "corrected")].Fact
	f.Replaces, f.ID = f.ID, ""
	if slices.ContainsFunc(cycle.Facts, func(o reminders.Recorded) bool { return o.Replaces == f.Replaces }) {
		return
	}
	switch {
	case !f.At.IsZero():
		f.At = f.At.AddDate(0, 0, 1)
	case !f.On.IsZero():
		f.On = f.On.AddDays(1)
	case !f.From.IsZero():
		f.From = f.From.AddDays(1)
	}
	c.record(t, p, f)
}

func (c *clinic) cycle(t failer, p reminders.Patient) (cycle reminders.Cycle) {
	c.within(t, func(ctx context.Context, tx *store.Tx) (err error) {
		cycle, err = c.book.Cycle(ctx, tx, p.ID)
		return err
	})
	return cycle
}

func (c *clinic) doses(t failer, p reminders.Patient) (doses []reminders.Asked) {
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		pl, cycle, err := c.book.Plan(ctx, tx, p.ID)
		if err != nil {
			return err
		}
		doses, err = c.book.Doses(ctx, tx, cycle, pl)
		return err
	})
	return doses
}

func answerSomething(t *rapid.T, c *clinic, p reminders.Patient) {
	doses := c.doses(t, p)
	if len(doses) == 0 {
		return
	}
	a := doses[rapid.IntRange(0, len(doses)-1).Draw(t, "dose")]
	said := rapid.SampledFrom([]reminders.Answer{reminders.Taken, reminders.NotYet, reminders.Missed}).Draw(t, "answer")
	c.within(t, func(ctx context.Context, tx *store.Tx) error {
		return c.book.AnswerDose(ctx, tx, p.ID, a.ID, said, reminders.Said{By: p.Person})
	})
}

// A scan says nothing about medicines, read-backs and other visits, a checklist
// item nothing about the plan at all.
func TestAnUnrelatedFactChangesNoOtherPromise(t *testing.T) {
	t.Parallel()
	c := propertyClinic(t)
	rapid.Check(t, func(t *rapid.T) {
		p, _ := cycleSoFar(t, c, monday)
		before := c.queued(t, p)
		c.check(t, p)
		c.replan(t, p)
		if d := diff.Diff(before, c.queued(t, p)); d != "" {
			t.Fatalf("an item of the checklist changed what the plan promises:\n%s", d)
		}
		if _, done := c.record(t, p, plan.Fact{Kind: plan.Scan, On: monday.AddDays(4)}); !done {
			t.Skip("no scan can have been done then")
		}
		unrelated := func(p promise) bool {
			return strings.HasPrefix(p.Key, "dose/") || strings.HasPrefix(p.Key, "readback/") ||
				strings.HasPrefix(p.Key, "visit/") && !strings.HasPrefix(p.Key, "visit/monitoring")
		}
		if d := diff.Diff(only(before, unrelated), only(c.queued(t, p), unrelated)); d != "" {
			t.Fatalf("a scan changed what has nothing to do with it:\n%s", d)
		}
	})
}

func TestQuietPatientsGetNothingAndAreLookedAfter(t *testing.T) {
	t.Parallel()
	c := propertyClinic(t)
	marks := map[string]func(context.Context, *store.Tx, int64, bool) error{
		"hushed": c.book.Hush, "opted out": c.book.OptOut, "unreachable": c.book.SetUnreachable,
	}
	rapid.Check(t, func(t *rapid.T) {
		p, _ := cycleSoFar(t, c, monday)
		mark := marks[rapid.SampledFrom(slices.Sorted(maps.Keys(marks))).Draw(t, "mark")]
		before := c.queued(t, p)
		c.mark(t, p, mark, true)
		now := c.queued(t, p)
		if left := messages(now); len(left) > 0 {
			t.Fatalf("still queued: %v", slices.Sorted(maps.Keys(left)))
		}
		if d := diff.Diff(tasks(before), tasks(now)); d != "" {
			t.Fatalf("who is not written to is not looked after as before:\n%s", d)
		}
		c.mark(t, p, mark, false)
		if d := diff.Diff(before, c.queued(t, p)); d != "" {
			t.Fatalf("lifting it does not bring back what was promised:\n%s", d)
		}
	})
}

// A dose question belongs to an order. Once that is stopped, replaced or the
// cycle cancelled, nothing of its later doses is asked.
func TestWithdrawnDosesAreNotAskedAbout(t *testing.T) {
	t.Parallel()
	c := propertyClinic(t)
	rapid.Check(t, func(t *rapid.T) {
		p, _ := cycleSoFar(t, c, monday)
		order, known := c.cycle(t, p).Live(plan.OrderGiven)
		if !known {
			t.Skip("nothing is ordered")
		}
		f := plan.Fact{Kind: plan.StopOrder, Order: order.ID, On: monday.AddDays(rapid.IntRange(4, 10).Draw(t, "stopped on"))}
		until := c.at(f.On, "00:00")
		switch rapid.SampledFrom([]string{"stopped", "replaced", "cancelled"}).Draw(t, "how") {
		case "replaced":
			f = order.Fact
			f.Replaces, f.ID, f.Dose = order.ID, "", f.Dose+1
			until = time.Time{}
		case "cancelled":
			f = plan.Fact{Kind: plan.Cancelled, On: monday.AddDays(4), Reason: "thin lining"}
			until = c.at(monday.AddDays(5), "00:00")
		}
		if _, done := c.record(t, p, f); !done {
			t.Skip("that cannot be true")
		}
		for key, q := range c.queued(t, p) {
			if rest, is := strings.CutPrefix(key, "dose/"+order.ID+"@"); is {
				at, err := time.Parse("20060102T1504Z", strings.SplitN(rest, "/", 2)[0])
				if err != nil {
					t.Fatal(err)
				}
				if !at.Before(until) {
					t.Fatalf("%s is still promised for %s after the order was withdrawn from %s on", key, q.Due, until)
				}
			}
		}
	})
}

// In her night nothing sounds but what was ordered for an hour: doses, and all
// that the trigger asks for. What must be drunk before a transfer counts as such.
func TestNothingThatCanWaitSoundsInQuietHours(t *testing.T) {
	t.Parallel()
	c := propertyClinic(t)
	zone := c.book.Policy.Location()
	quiet := c.book.Policy.Messages.QuietHours
	rapid.Check(t, func(t *rapid.T) {
		// Facts are entered at any hour: a coordinator on call may be at it by night.
		day := c.clock.Now().In(zone)
		to := civil.DateOf(day).At(civil.TimeOfDay(rapid.IntRange(0, 1439).Draw(t, "entered at")), zone)
		if to.Before(c.clock.Now()) {
			to = civil.DateOf(day).AddDays(1).At(civil.TimeOfDayOf(to), zone)
		}
		if err := c.clock.Advance(context.Background(), to); err != nil {
			t.Fatal(err)
		}
		p, _ := cycleSoFar(t, c, civil.DateOf(to).AddDays(-4))
		triggers := idsOf(c.cycle(t, p), plan.TriggerOrder)
		for key, q := range messages(c.queued(t, p)) {
			at := civil.TimeOfDayOf(q.due(t).In(zone))
			night := at >= quiet.From || at < quiet.To
			aboutTrigger := slices.ContainsFunc(triggers, func(id string) bool { return strings.Contains(key, id+"/") })
			if night && !aboutTrigger && q.Kind != string(outbox.Dose) && !q.Message.Silent {
				t.Fatalf("%s would sound at %s (entered at %s)", key, q.due(t).In(zone), to)
			}
		}
	})
}

func idsOf(c reminders.Cycle, kind plan.FactKind) (ids []string) {
	for _, f := range c.Facts {
		if f.Kind == kind {
			ids = append(ids, f.ID)
		}
	}
	return ids
}
