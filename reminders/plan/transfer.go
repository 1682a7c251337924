package plan

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"handrail.example/reminders/civil"
)

// planTrigger makes the row of the trigger: as given, as ordered, or the
// evening on which it is expected.
func (b *builder) planTrigger(name StepName) {
	f, ok := b.rule(name)
	s := Step{Key: string(name) + "/1", Name: name, Rule: f.rule.Rule, Phrase: f.rule.Phrase}
	switch {
	case b.given || b.ordered:
		b.fixedTrigger(&s)
	case ok && !f.rule.Ordered:
		b.expectTrigger(&s, f)
	default:
		return
	}
	b.passed(&s, f.rule)
	b.add(s)
	b.anchors[name] = span{s.From, s.base, s.To}
	b.checkSurge(s)
}

// checkSurge notes how an LH surge and the trigger stand to each other.
func (b *builder) checkSurge(s Step) {
	if b.measured && b.conditions[WhenSurge] && !b.ordered && !b.transferred {
		b.conflict(s, because("surge_measured", "on", b.surge.On.String(), "value", fmt.Sprint(*b.surge.LH), "limit", fmt.Sprint(b.pol.Trigger.LHSurge)))
	}
	if b.surged && !b.measured && b.triggered().IsZero() && !b.transferred {
		b.conflict(s, because("surge_before_trigger", "on", b.surge.On.String()))
	}
	if b.surged && b.ordered && !b.given && b.conditions[WhenSurge] && !b.transferred {
		b.conflict(s, because("surge_trigger_ordered", "on", b.surge.On.String(), "at", b.trigger.At.Format("2006-01-02 15:04")))
	}
	if b.surged && !b.conditions[WhenSurge] {
		b.conflict(s, because("surge_after_trigger", "on", b.surge.On.String()))
	}
}

func (b *builder) fixedTrigger(s *Step) {
	day := countedDay(b.trigger)
	s.From, s.On, s.To, s.base, s.At, s.Booked = day, day, day, day, b.trigger.At, true
	s.firm = true
	minute := b.trigger.At.Format("2006-01-02 15:04")
	if b.given {
		s.Status = Done
		s.Reasons = append(s.Reasons, because("trigger_given", "at", minute))
		b.compareWithOrder(s)
	} else {
		s.Status = b.byDay(*s)
		s.Reasons = append(s.Reasons, because("trigger_ordered", "at", minute, "drug", b.trigger.Drug, "dose", dose(b.trigger)))
		if b.transferred {
			s.Status = Done
			s.Reasons = append(s.Reasons, because("trigger_unrecorded", "on", b.transfer.On.String()))
		}
	}
	if !b.trigger.NightOf.IsZero() {
		s.Reasons = append(s.Reasons, because("night_of", "on", day.String()))
	} else if civil.TimeOfDayOf(b.trigger.At) < b.pol.Calendar.AfterMidnightUntil {
		b.conflict(*s, because("after_midnight", "at", minute, "night", day.AddDays(-1).String(), "on", day.String()))
	}
}

// compareWithOrder says how far the trigger was from its ordered minute.
func (b *builder) compareWithOrder(s *Step) {
	order, ok := b.l.one(TriggerOrder)
	if !ok {
		return
	}
	switch late := b.trigger.At.Sub(order.At).Round(time.Minute); {
	case late > 0:
		s.Reasons = append(s.Reasons, because("given_late", "by", spell(late), "at", order.At.Format("2006-01-02 15:04")))
	case late < 0:
		s.Reasons = append(s.Reasons, because("given_early", "by", spell(-late), "at", order.At.Format("2006-01-02 15:04")))
	}
}

// spell is a duration in hours and minutes, "1 h 30 min".
func spell(d time.Duration) string {
	h, m := int(d.Hours()), int(d.Minutes())%60
	switch {
	case h == 0:
		return fmt.Sprintf("%d min", m)
	case m == 0:
		return fmt.Sprintf("%d h", h)
	}
	return fmt.Sprintf("%d h %d min", h, m)
}

// expectTrigger finds the evening nearest to the usual one that leads to a
// transfer on a day with room. It is not before a scan that took place or is
// booked.
func (b *builder) expectTrigger(s *Step, f found) {
	s.From, s.To = f.days.from, f.days.to
	want := f.reach.on
	if look, ok := b.anchors[Monitoring]; ok && look.firm() && look.on.After(want) {
		want = look.on
	}
	if want.After(s.To) {
		s.To = want
	}
	s.base = want
	s.On = nearest(s.From, want, s.To, b.eveningWorks)
	if !s.On.IsZero() {
		s.base = s.On
	}
	s.Reasons = append(s.Reasons, b.eveningReason(f, want, s.On), because("trigger_not_ordered"))
	s.Status = b.byDay(*s)
	if s.On.IsZero() && !b.transferred && s.Status != Dropped {
		b.conflict(*s, because("no_evening", "from", s.From.String(), "to", s.To.String()))
	}
}

// eveningWorks reports whether a trigger on d leads to a transfer day with room.
// Where the transfer counts from a surge every evening does, or none.
func (b *builder) eveningWorks(d civil.Date) bool {
	return b.conditions[WhenSurge] || b.room.labClosed(d.AddDays(b.transferOffset(Trigger))) == ""
}

// transferOffset is how many days after a step the transfer falls that counts
// from it.
func (b *builder) transferOffset(from StepName) int {
	for _, r := range b.proto.Rows {
		if r.Step == Transfer && r.Anchor == string(from) && r.Count == CountEmbryo {
			return b.window(r).ByEmbryoDay[b.embryoDay]
		}
	}
	return 0
}

// evenings are the evenings around an intended trigger that lead to a transfer
// day with room, none of them before today.
func (b *builder) evenings(around civil.Date) []civil.Date {
	if b.conditions[WhenSurge] {
		return nil
	}
	var out []civil.Date
	for n := -b.pol.Calendar.EveningsEitherSide; n <= b.pol.Calendar.EveningsEitherSide; n++ {
		d := around.AddDays(n)
		if !d.Before(b.today) && (b.dayOne.IsZero() || !d.Before(b.dayOne)) && b.eveningWorks(d) {
			out = append(out, d)
		}
	}
	return out
}

// TriggerEvenings are the evenings around an intended trigger whose transfer
// falls on a day on which the laboratory has room, by the facts at hand. None
// lies before asOf.
func TriggerEvenings(p Policy, facts []Fact, around civil.Date, asOf time.Time) ([]civil.Date, error) {
	b, err := begin(p, facts, asOf)
	if err != nil {
		return nil, err
	}
	return b.evenings(around), nil
}

// planTransfer makes the row of the transfer: done, booked, or on the very day
// that the trigger or the surge gives.
func (b *builder) planTransfer(name StepName) {
	f, ok := b.rule(name)
	s := Step{Key: string(name) + "/1", Name: name, Rule: f.rule.Rule, Phrase: f.rule.Phrase}
	visit, booked := b.transferVisit()
	switch {
	case b.transferred:
		s.On, s.Status, s.Booked = b.transfer.On, Done, true
		s.Reasons = append(s.Reasons, because("transfer_done", "on", s.On.String(), "age", fmt.Sprint(b.embryoDay)))
		if booked && civil.DateOf(visit.At) == s.On {
			s.At = visit.At
		}
	case booked:
		s.On, s.At, s.Booked = civil.DateOf(visit.At), visit.At, true
		s.Reasons = append(s.Reasons, because("booked", "at", visit.At.Format("2006-01-02 15:04")))
	case !ok:
		return
	}
	s.From, s.To, s.base = s.On, s.On, s.On
	s.firm = s.Booked || f.anchor.firm()
	if ok && (f.anchor.firm() || !s.Booked) {
		s.From, s.To = f.days.from, f.days.to
		s.Reasons = append(s.Reasons, b.offsetReason(f))
	}
	b.settleTransfer(&s, f, ok)
	b.add(s)
	b.anchors[name] = span{s.From, s.base, s.To}
	if s.Booked {
		b.anchors[name] = settled(s.base)
	}
}

func (b *builder) transferVisit() (Fact, bool) {
	for _, f := range b.l.of(Visit) {
		if f.Step == Transfer {
			return f, true
		}
	}
	return Fact{}, false
}

// settleTransfer finds the day of a transfer that is not booked, its status and
// its conflicts.
func (b *builder) settleTransfer(s *Step, f found, ok bool) {
	if s.Booked {
		if s.Status != Done {
			s.Status = b.byDay(*s)
		}
		b.checkTransfer(*s, f, ok)
		return
	}
	s.base = f.days.on
	suits := func(d civil.Date) bool { return b.room.labClosed(d) == "" }
	switch {
	case suits(s.base):
		s.On = s.base
	case f.rule.Anchor == string(Surge) && !f.anchor.firm():
		// The surge is only guessed; nothing is wrong before it has come.
		s.On = nearest(s.From, s.base, s.To, suits)
		s.Reasons = append(s.Reasons, because("transfer_awaited", "on", s.base.String(), "weekday", s.base.Weekday().String(), "closed", b.room.labClosed(s.base)))
	}
	s.Status = b.byDay(*s)
	if f.rule.Anchor == string(Surge) && !f.anchor.firm() && !b.today.After(s.To) {
		s.Status = Projected
	}
	if s.On.IsZero() {
		b.conflict(*s, b.labReason(s.base, f), b.otherDays(f)...)
		return
	}
	s.base = s.On
}

// checkTransfer notes an unusual day of a transfer that is booked or done.
func (b *builder) checkTransfer(s Step, f found, ok bool) {
	if why := b.room.labClosed(s.On); why != "" && !(s.Status == Done && why == closedFull) {
		b.conflict(s, b.labReason(s.On, f), b.otherDays(f)...)
	}
	if ok && f.days.from == f.days.to && s.On != f.days.on {
		b.conflict(s, because("transfer_unusual", "on", s.On.String(), "age", fmt.Sprint(b.embryoDay),
			"days", fmt.Sprint(s.On.DaysSince(f.anchor.on)), "anchor", f.rule.Anchor,
			"usual", fmt.Sprint(f.days.on.DaysSince(f.anchor.on)), "expected", f.days.on.String()))
	}
	if said, known := b.l.one(Embryos); known && b.transferred && said.EmbryoDay != b.embryoDay {
		b.conflict(s, because("embryo_differs", "said", fmt.Sprint(said.EmbryoDay), "age", fmt.Sprint(b.embryoDay)))
	}
}

func (b *builder) labReason(d civil.Date, f found) Reason {
	code := "lab_closed"
	switch start := f.rule.Anchor == string(LutealProgesterone); {
	case start && b.started():
		code = "lab_closed_started"
	case start:
		code = "lab_closed_start"
	case b.given || b.transferred:
		code = "lab_closed_given"
	case b.conditions[WhenSurge] || f.rule.Anchor == string(Surge):
		code = "lab_closed_surge"
	}
	return because(code, "on", d.String(), "weekday", d.Weekday().String(), "closed", b.room.labClosed(d))
}

// otherDays are the days to which what the transfer counts from could still be
// moved: other evenings of the trigger, other first days of progesterone.
func (b *builder) otherDays(f found) []civil.Date {
	if f.rule.Anchor == string(LutealProgesterone) {
		return b.otherStarts(f.anchor.on)
	}
	if b.given || b.transferred || f.rule.Anchor == string(Surge) {
		return nil
	}
	if b.ordered {
		return b.evenings(b.triggered())
	}
	return b.evenings(b.anchors[Trigger].on)
}

// started reports whether progesterone of the protocol has begun.
func (b *builder) started() bool {
	return b.transferred || slices.ContainsFunc(b.orders, func(c course) bool {
		return c.class == Progesterone && !c.never() && !c.first.At(c.fact.Times[0], b.pol.Location()).After(b.asOf)
	})
}

// otherStarts are the first days of progesterone around an intended one that lead to
// a transfer day with room; none once it has begun.
func (b *builder) otherStarts(around civil.Date) []civil.Date {
	if b.started() {
		return nil
	}
	var out []civil.Date
	for n := -b.pol.Calendar.EveningsEitherSide; n <= b.pol.Calendar.EveningsEitherSide; n++ {
		if d := around.AddDays(n); !d.Before(b.today) && b.startWorks(d) {
			out = append(out, d)
		}
	}
	return out
}

// startWorks reports whether progesterone from d leads to a transfer day with room.
func (b *builder) startWorks(d civil.Date) bool {
	return b.room.labClosed(d.AddDays(b.transferOffset(LutealProgesterone))) == ""
}

// expectStart finds the first day of progesterone nearest to the usual one that
// leads to a transfer day with room, not before a scan that took place or is booked.
func (b *builder) expectStart(s *Step, f found) Reason {
	want := s.On
	if look, ok := b.anchors[Monitoring]; ok && look.firm() && look.on.After(want) {
		want = look.on
	}
	if want.After(s.To) {
		s.To = want
	}
	s.On = nearest(s.From, want, s.To, b.startWorks)
	switch {
	case s.On.IsZero():
		s.On = want
		b.conflict(*s, because("no_start", "from", s.From.String(), "to", s.To.String()))
	case s.On != want:
		transfer := want.AddDays(b.transferOffset(LutealProgesterone))
		return b.countReason("start_moved", f, s.On, "wanted", b.label(f, want), "transfer", transfer.String(),
			"weekday", transfer.Weekday().String(), "closed", b.room.labClosed(transfer))
	}
	return b.countReason("counted", f, s.On)
}

// planAwaited makes the row of what nobody plans: the LH surge.
func (b *builder) planAwaited(name StepName) {
	f, ok := b.rule(name)
	s := Step{Key: string(name) + "/1", Name: name, Rule: f.rule.Rule, Phrase: f.rule.Phrase}
	came, done := b.l.one(f.rule.Fact)
	switch {
	case done:
		s.From, s.On, s.To, s.firm, s.Status = came.day(), came.day(), came.day(), true, Done
		s.Reasons = append(s.Reasons, b.doneReason(mark{on: s.On}))
	case ok:
		s.From, s.On, s.To = f.days.from, f.days.on, f.days.to
		s.Reasons = append(s.Reasons, b.countReason("counted", f, s.On), because("awaited"))
		s.Status = Projected
		if b.today.After(s.To) {
			s.Status = Missed
		}
		b.passed(&s, f.rule)
	default:
		return
	}
	s.base = s.On
	b.add(s)
	b.anchors[name] = span{s.From, s.On, s.To}
}

// checkProtocol notes what was entered and has no place in the protocol: the wrong
// one may have been chosen.
func (b *builder) checkProtocol() {
	has := func(fits func(Rule) bool) bool { return slices.ContainsFunc(b.proto.Rows, fits) }
	for _, k := range []FactKind{LHSurge, TriggerOrder, TriggerGiven} {
		f, ok := b.l.one(k)
		if !ok || has(func(r Rule) bool { return r.Anchor == anchorSurge && k == LHSurge || r.Step == Trigger && k != LHSurge }) {
			continue
		}
		b.conflict(Step{Name: Transfer}, because("not_in_protocol", "fact", string(k), "on", f.day().String(), "protocol", b.proto.Name))
	}
	for _, c := range b.orders {
		if c.class == OtherDrug || c.class == TriggerDrug || has(func(r Rule) bool { return r.Fit != FitEnd && slices.Contains(r.Drugs, c.class) }) {
			continue
		}
		b.conflict(Step{Name: Transfer}, because("order_not_in_protocol", "drug", c.fact.Drug, "from", c.first.String(), "protocol", b.proto.Name))
	}
}

// isHCG reports whether a trigger drug is hCG, so that a blood test would find
// it. A drug that was not named is taken for hCG, which is the careful reading.
func isHCG(drug string) bool {
	name := strings.ToLower(drug)
	return name == "" || strings.Contains(name, "hcg") || strings.Contains(name, "gonadotrop")
}
