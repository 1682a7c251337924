package plan

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"handrail.example/reminders/civil"
)

// course is a live order with its days.
type course struct {
	fact  Fact
	key   string
	class DrugClass
	first civil.Date
	// last is the day of the last dose; zero while no end is known.
	last civil.Date
	// stopped is the day of a stop order: no dose from that day on.
	stopped civil.Date
	// held: it waits for a cleared baseline.
	held bool
	// notBefore: no dose before that day, because the baseline was cleared then.
	notBefore civil.Date
}

// courses has the live orders, by first day, class and id.
func (b *builder) courses() []course {
	var out []course
	unnamed := map[string]int{}
	for _, f := range b.l.of(OrderGiven) {
		c := course{fact: f, key: f.ID, class: ClassOf(f.Drug), first: f.From}
		if c.key == "" {
			unnamed[f.Drug]++
			c.key = fmt.Sprintf("%s-%d", f.Drug, unnamed[f.Drug])
		}
		b.setEnd(&c)
		b.setHold(&c)
		out = append(out, c)
	}
	slices.SortStableFunc(out, func(x, y course) int {
		return cmp.Or(x.first.Compare(y.first), cmp.Compare(x.class, y.class), cmp.Compare(x.key, y.key))
	})
	return out
}

func (b *builder) setEnd(c *course) {
	stop := c.fact.Stop
	switch {
	case stop.AfterDoses > 0:
		c.last = dayOfDose(c.fact, stop.AfterDoses)
	case stop.AfterDays > 0:
		c.last = c.first.AddDays(stop.AfterDays - 1)
	case stop.AtTrigger && (b.given || b.ordered):
		c.last = lastDayBefore(c.fact.Times, b.trigger.At)
	}
	for _, f := range b.l.of(StopOrder) {
		if f.Order != c.fact.ID || c.fact.ID == "" {
			continue
		}
		c.stopped = f.On
		if c.last.IsZero() || !c.last.Before(f.On) {
			c.last = f.On.AddDays(-1)
		}
	}
}

// dayOfDose is the day of the n-th dose of an order, from 1.
func dayOfDose(order Fact, n int) civil.Date {
	return order.From.AddDays((n - 1) / len(order.Times))
}

// lastDayBefore is the last day on which one of the times comes before t.
func lastDayBefore(times []civil.TimeOfDay, t time.Time) civil.Date {
	if d := civil.DateOf(t); d.At(times[0], t.Location()).Before(t) {
		return d
	}
	return civil.DateOf(t).AddDays(-1)
}

// setHold makes an order wait for a cleared baseline where the table says so. What
// ripens follicles and has no place in the table waits too.
func (b *builder) setHold(c *course) {
	known := false
	waits := false
	for _, r := range b.proto.Rows {
		if slices.Contains(r.Drugs, c.class) {
			known = true
			waits = waits || r.Cleared
		}
	}
	if waits || !known && (c.class == Tablet || c.class == Injection) {
		c.held = b.cleared.IsZero()
		c.notBefore = b.cleared
	}
}

// never reports whether a course ended before it began.
func (c course) never() bool { return !c.last.IsZero() && c.last.Before(c.first) }

// planOrders makes a row for each order that belongs to the step, or one for
// the order that is still to come.
func (b *builder) planOrders(name StepName) {
	f, ok := b.rule(name)
	n := 0
	for i, c := range b.orders {
		if slices.Contains(f.rule.Drugs, c.class) {
			b.planOrder(name, f, ok, c)
			b.checkDouble(name, c, b.orders[:i])
			n++
		}
	}
	if n > 0 || !ok || f.rule.Ordered {
		return
	}
	b.planUnordered(name, f)
}

func (b *builder) planOrder(name StepName, f found, ok bool, c course) {
	s := Step{Key: string(name) + "/" + c.key, Name: name, Rule: f.rule.Rule, Phrase: f.rule.Phrase,
		From: c.first, On: c.first, To: c.last, base: c.first, Booked: true, Order: c.key,
		At: c.first.At(c.fact.Times[0], b.pol.Location())}
	s.Reasons = append(s.Reasons, because("ordered", "drug", c.fact.Drug, "dose", dose(c.fact), "from", c.first.String()), c.endReason())
	if c.last.IsZero() {
		s.To = b.expectedEnd(c)
	}
	if s.To.Before(s.From) {
		s.To = s.From
	}
	s.Status = b.courseStatus(c, &s)
	if b.passedHeld(&s, f.rule, c) {
		b.add(s)
		return
	}
	if ok {
		b.checkStart(s, f, c)
	}
	b.add(s)
	if _, planned := b.anchors[name]; !planned && !c.never() {
		// What counts from it counts from its first dose, not from a later change.
		b.anchors[name] = settled(b.changedOrders(c.fact)[0].From)
	}
}

// checkDouble notes an order that runs beside an earlier one for the same
// medicine, so that she would be asked to take both.
func (b *builder) checkDouble(name StepName, c course, earlier []course) {
	for _, e := range earlier {
		if medicine(e.fact) == medicine(c.fact) && !c.never() && !e.never() && (e.last.IsZero() || !e.last.Before(c.first)) {
			s := Step{Name: name, Key: string(name) + "/" + c.key}
			b.conflict(s, because("order_double", "drug", c.fact.Drug, "from", c.first.String(), "other", e.first.String()))
		}
	}
}

// passedHeld drops an order that waited for a baseline until it was pointless.
func (b *builder) passedHeld(s *Step, r Rule, c course) bool {
	if !c.held || s.Status == Done {
		return false
	}
	b.passed(s, r)
	return s.Status == Dropped
}

func dose(f Fact) string { return fmt.Sprintf("%v %s", f.Dose, f.Unit) }

func (c course) endReason() Reason {
	stop := c.fact.Stop
	switch {
	case c.never():
		return because("ends_before_begin")
	case !c.stopped.IsZero() && c.last == c.stopped.AddDays(-1):
		return because("stopped", "on", c.stopped.String())
	case stop.AfterDoses > 0:
		return because("ends_after_doses", "doses", fmt.Sprint(stop.AfterDoses), "last", c.last.String())
	case stop.AfterDays > 0:
		return because("ends_after_days", "days", fmt.Sprint(stop.AfterDays), "last", c.last.String())
	case stop.AtTrigger:
		return because("ends_at_trigger")
	}
	return because("ends_by_order")
}

// expectedEnd is where an order without a known end is expected to end: at the
// trigger, or where luteal medication usually does. Nothing ends by it.
func (b *builder) expectedEnd(c course) civil.Date {
	if c.class == Progesterone || c.class == Estrogen {
		if f, ok := b.rule(LutealEnd); ok {
			return f.days.to
		}
	}
	if a, ok := b.anchors[Trigger]; ok {
		return a.to
	}
	if f, ok := b.rule(Trigger); ok {
		return f.days.to
	}
	return c.first
}

// extend shows orders without a known end up to where they are expected to end, which
// for those that begin before the transfer is known only once it is planned.
func (b *builder) extend() {
	for i := range b.plan.Steps {
		s := &b.plan.Steps[i]
		at := slices.IndexFunc(b.orders, func(c course) bool { return s.Order != "" && c.key == s.Order })
		if at < 0 || !b.orders[at].last.IsZero() || s.Status == Dropped {
			continue
		}
		if end := b.expectedEnd(b.orders[at]); end.After(s.To) {
			s.To = end
		}
	}
}

// courseStatus is where an order stands; it adds the reason for a wait.
func (b *builder) courseStatus(c course, s *Step) Status {
	switch {
	case c.never():
		return Dropped
	case c.held:
		s.Reasons = append(s.Reasons, because("held"))
		if b.today.After(c.first) {
			return Missed
		}
		return Projected
	case b.today.Before(c.first):
		return Projected
	case c.last.IsZero() || !b.today.After(c.last):
		return Due
	}
	return Done
}

// checkStart notes an order that begins at an unusual time.
func (b *builder) checkStart(s Step, f found, c course) {
	if c.never() {
		return
	}
	outside := c.first.Before(f.days.from) || c.first.After(f.days.to)
	if f.rule.Fit == FitStart && f.anchor.firm() && outside {
		b.conflict(s, because("order_outside", "from", c.first.String(), "earliest", f.days.from.String(), "latest", f.days.to.String()))
	}
	if !b.dayOne.IsZero() && c.first.Before(b.dayOne) {
		b.conflict(s, because("order_before_day_one", "from", c.first.String(), "day_one", b.dayOne.String()))
	}
	if c.first.Before(c.notBefore) {
		b.conflict(s, because("order_before_cleared", "from", c.first.String(), "cleared", c.notBefore.String()))
	}
}

// planUnordered shows where an order is expected.
func (b *builder) planUnordered(name StepName, f found) {
	s := Step{Key: string(name) + "/1", Name: name, Rule: f.rule.Rule, Phrase: f.rule.Phrase,
		From: f.days.from, On: f.days.on, To: f.days.to}
	if a, ok := b.anchors[Baseline]; ok && f.rule.Cleared && a.on.After(s.On) {
		s.On = a.on
		if s.To.Before(s.On) {
			s.To = s.On
		}
	}
	fits := b.countReason("counted", f, s.On)
	if f.rule.Fit == FitDated {
		fits = b.expectStart(&s, f)
	}
	s.base = s.On
	s.Reasons = append(s.Reasons, fits, because("no_order"))
	s.Status = b.byDay(s)
	b.passed(&s, f.rule)
	b.add(s)
	b.anchors[name] = span{s.From, s.On, s.To}
}

// planEnd makes the row for the end of the orders of a step's drugs.
func (b *builder) planEnd(name StepName) {
	f, ok := b.rule(name)
	if !ok {
		return
	}
	s := Step{Key: string(name) + "/1", Name: name, Rule: f.rule.Rule, Phrase: f.rule.Phrase,
		From: f.days.from, On: f.days.on, To: f.days.to}
	ends, open := b.endsOf(f.rule.Drugs)
	switch {
	case open > 0:
		s.Reasons = append(s.Reasons, b.countReason("counted", f, s.On), because("needs_stop_order"))
		s.Status = b.byDay(s)
	case ends.IsZero():
		s.Reasons = append(s.Reasons, b.countReason("counted", f, s.On), because("nothing_to_end"))
		s.Status = b.byDay(s)
	default:
		b.knownEnd(&s, f, ends)
	}
	s.base = s.On
	b.passed(&s, f.rule)
	b.add(s)
}

// knownEnd is the row when every order has its last day.
func (b *builder) knownEnd(s *Step, f found, last civil.Date) {
	s.On, s.Booked = last, true
	s.Reasons = append(s.Reasons, because("end_ordered", "last", last.String()))
	s.Status = b.byDay(*s)
	if b.today.After(last) {
		s.Status = Done
	}
	early := last.Before(s.From)
	if ongoing := !b.conditions[WhenNegative] && !b.conditions[WhenLost] && !b.conditions[WhenEctopic] && b.cancelled.IsZero(); f.anchor.firm() && ongoing && (early || last.After(s.To)) {
		b.conflict(*s, because("end_outside", "last", last.String(), "earliest", s.From.String(), "latest", s.To.String()))
	}
	if early {
		s.From = last
	}
	if last.After(s.To) {
		s.To = last
	}
}

// endsOf is the latest end of the courses of some classes that ever began, and
// how many still need a stop order: those without an end, and after a result
// that ends the cycle those that would run on past it.
func (b *builder) endsOf(classes []DrugClass) (last civil.Date, open int) {
	over := b.overSince()
	for _, c := range b.orders {
		runsOn := !over.IsZero() && c.stopped.IsZero() && !c.last.Before(over)
		switch {
		case !slices.Contains(classes, c.class) || c.never():
		case c.last.IsZero() || runsOn:
			open++
		case c.last.After(last):
			last = c.last
		}
	}
	return last, open
}

// overSince is the day of the result that ended the cycle, zero while none did.
func (b *builder) overSince() civil.Date {
	switch {
	case b.conditions[WhenLost]:
		return b.way.on
	case b.conditions[WhenEctopic]:
		return b.way.on
	case b.conditions[WhenNegative]:
		return civil.DateOf(b.values[len(b.values)-1].At)
	}
	return civil.Date{}
}
