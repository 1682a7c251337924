package plan

import (
	"cmp"
	"slices"
	"time"

	"handrail.example/reminders/civil"
)

// openEnds lists what a person must settle, with the time by which it must be
// before her.
func (b *builder) openEnds() []OpenEnd {
	var out []OpenEnd
	add := func(key string, step StepName, due time.Time, why Reason) {
		out = append(out, OpenEnd{Key: key, Step: step, Why: why, Due: due})
	}
	b.openPeriod(add)
	b.openDrawn(add)
	if !b.cancelled.IsZero() {
		b.openAfterCancel(add)
		return out
	}
	for _, s := range b.plan.Steps {
		b.openStep(s, add)
	}
	b.openOrders(add)
	b.openHomeLH(add)
	b.openThaw(add)
	b.openSupply(add)
	b.openResults(add)
	b.atOnce(out)
	slices.SortStableFunc(out, func(x, y OpenEnd) int { return cmp.Or(x.Due.Compare(y.Due), cmp.Compare(x.Key, y.Key)) })
	return out
}

type addOpen func(key string, step StepName, due time.Time, why Reason)

// morning and evening are the opening and the closing hour of a day.
func (b *builder) morning(d civil.Date) time.Time { return d.At(b.pol.Opening.From, b.pol.Location()) }
func (b *builder) evening(d civil.Date) time.Time { return d.At(b.pol.Opening.To, b.pol.Location()) }

// openPeriod: a period or a bleed that is expected and does not come.
func (b *builder) openPeriod(add addOpen) {
	if !b.dayOne.IsZero() || !b.cancelled.IsZero() {
		return
	}
	if f, ok := b.l.one(PeriodDue); ok {
		due := f.On.AddDays(b.pol.Calendar.PeriodLateDays)
		add("period_late", "", b.morning(due), because("open_period_late", "on", f.On.String()))
	}
	if f, ok := b.l.one(ProgestinEnd); ok {
		due := f.On.AddDays(b.pol.Calendar.BleedWithinDays)
		add("bleed_late", "", b.morning(due), because("open_bleed_late", "on", f.On.String()))
	}
}

// openAfterCancel: every order that is still running needs a stop order.
func (b *builder) openAfterCancel(add addOpen) {
	for _, c := range b.orders {
		if !c.never() && c.stopped.IsZero() && c.first.Before(b.cancelled) && (c.last.IsZero() || !c.last.Before(b.cancelled)) {
			add("stop/"+c.key, "", b.morning(b.cancelled), because("open_stop_after_cancel", "on", b.cancelled.String(), "order", c.key))
		}
	}
}

// openStep: a planned visit that nobody shows done by the close of its day.
func (b *builder) openStep(s Step, add addOpen) {
	if s.Status == Done || s.Status == Dropped || !s.firm {
		return
	}
	switch s.Name {
	case Stimulation, LiningEstrogen, LutealEstrogen, LutealProgesterone, LutealEnd, Surge:
	case Trigger:
		if !b.given && b.ordered {
			late := b.trigger.At.Add(b.pol.Messages.DoseDeadlines[TriggerDrug].After)
			add(s.Key, s.Name, late, because("open_trigger_unconfirmed", "at", s.At.Format("2006-01-02 15:04")))
		}
	case Call:
		add(s.Key, s.Name, s.At, because("open_call", "at", s.At.Format("2006-01-02 15:04")))
	case Handover:
		add(s.Key, s.Name, b.evening(s.To), because("open_handover", "on", s.To.String()))
	default:
		if s.On.IsZero() {
			add(s.Key, s.Name, b.unplannedDue(s), because("open_not_planned"))
		} else {
			add(s.Key, s.Name, b.evening(s.On), because("open_not_done", "on", s.On.String()))
		}
	}
}

// unplannedDue is when a step without a day must be before a person: a transfer
// before the trigger is given, any other the day before its window.
func (b *builder) unplannedDue(s Step) time.Time {
	switch {
	case s.Name == Transfer && b.given:
		return b.trigger.At
	case s.Name == Transfer && b.ordered:
		return b.morning(b.triggered())
	}
	return b.morning(s.From.AddDays(-1))
}

// openOrders: an order that is due and not on record, or waits for a decision.
func (b *builder) openOrders(add addOpen) {
	_, open := b.endsOf([]DrugClass{Progesterone, Estrogen})
	for _, s := range b.plan.Steps {
		switch {
		case s.Status == Done || s.Status == Dropped:
		case (s.Name == Stimulation || s.Name == LiningEstrogen) && !s.Booked && !b.cleared.IsZero():
			add(s.Key, s.Name, b.evening(b.cleared), because("open_no_start_order", "on", b.cleared.String()))
		case s.Name == LutealProgesterone && !s.Booked && b.anchorFirm(s.Name):
			add(s.Key, s.Name, b.morning(s.On), because("open_no_luteal_order", "on", s.On.String()))
		case s.Name == Surge:
			add(s.Key, s.Name, b.morning(s.To.AddDays(1)), because("open_no_surge", "to", s.To.String()))
		case s.Name == LutealEnd && open > 0 && b.transferred:
			add(s.Key, s.Name, b.morning(s.On), b.endReason(s))
		}
	}
	for _, c := range b.orders {
		if s, ok := b.preparation(c); ok && c.held && s.Status != Dropped {
			add("held/"+c.key, s.Name, b.evening(c.first), because("open_held", "from", c.first.String()))
		}
	}
	b.openDecision(add)
}

// preparation is the row of an order that waits for a cleared baseline.
func (b *builder) preparation(c course) (Step, bool) {
	if s, ok := b.plan.Step(string(Stimulation) + "/" + c.key); ok {
		return s, true
	}
	return b.plan.Step(string(LiningEstrogen) + "/" + c.key)
}

func (b *builder) endReason(s Step) Reason {
	switch {
	case b.conditions[WhenNegative]:
		return because("open_stop_after_negative", "on", s.From.String())
	case b.conditions[WhenEctopic]:
		return because("open_stop_after_ectopic", "on", s.From.String())
	case b.conditions[WhenLost]:
		return because("open_stop_after_scan", "on", s.From.String())
	}
	return because("open_luteal_end", "on", s.On.String())
}

// anchorFirm reports whether the rule that counts for a step hangs on something
// settled.
func (b *builder) anchorFirm(name StepName) bool {
	f, ok := b.rule(name)
	return ok && f.anchor.firm()
}

// openDecision: a scan that led to nothing by the close of its day.
func (b *builder) openDecision(add addOpen) {
	scan, ok := b.l.last(Scan)
	if !ok || b.given || b.ordered || b.transferred || b.surged {
		return
	}
	for _, v := range b.l.of(Visit) {
		if civil.DateOf(v.At).After(scan.On) {
			return
		}
	}
	if m, planned := b.anchors[Monitoring]; planned && m.on.After(scan.On) {
		return
	}
	if b.transferOffset(LutealProgesterone) > 0 && b.anchors[LutealProgesterone].firm() && !b.anchors[LutealProgesterone].on.IsZero() {
		return // progesterone is ordered, which is the decision
	}
	add("decision/"+scan.On.String(), Monitoring, b.evening(scan.On), because("open_no_decision", "on", scan.On.String()))
}

// openResults: a result is told and acted on by a person, at once.
func (b *builder) openResults(add addOpen) {
	if n := len(b.values); n > 0 && !b.scannedAfter(civil.DateOf(b.values[n-1].At)) {
		last := b.values[n-1]
		verdict := "positive"
		if b.plan.HCG != nil {
			verdict = string(b.plan.HCG.Verdict)
		}
		add("result/"+last.At.UTC().Format("200601021504"), HCGRepeat, last.At,
			because("open_result", "on", civil.DateOf(last.At).String(), "verdict", verdict))
	}
	b.openPath(add)
	b.openMethotrexate(add)
}
