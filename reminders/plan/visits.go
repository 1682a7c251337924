package plan

import (
	"fmt"
	"slices"
	"time"

	"handrail.example/reminders/civil"
)

// mark is a day on which something of a step took place or is booked.
type mark struct {
	on   civil.Date
	at   time.Time
	done bool
	what Fact
}

// marks has the days of a step, in order, one for each day.
func (b *builder) marks(name StepName, r Rule) []mark {
	byDay := map[civil.Date]mark{}
	for _, f := range b.l.of(Visit) {
		if f.Step == name {
			byDay[civil.DateOf(f.At)] = mark{on: civil.DateOf(f.At), at: f.At, what: f}
		}
	}
	for _, f := range b.shown(name, r) {
		if name == HCGFirst {
			clear(byDay) // once drawn, what was booked for it is over
		}
		m := mark{on: f.day(), at: f.At, done: true, what: f}
		if booked, ok := byDay[m.on]; ok && m.at.IsZero() {
			m.at = booked.at
		}
		byDay[m.on] = m
	}
	out := make([]mark, 0, len(byDay))
	for _, m := range byDay {
		out = append(out, m)
	}
	slices.SortFunc(out, func(x, y mark) int { return x.on.Compare(y.on) })
	return out
}

// shown are the facts that show a step done.
func (b *builder) shown(name StepName, r Rule) []Fact {
	switch {
	case r.Fact == "":
		return nil
	case name == HCGFirst:
		return b.values[:min(1, len(b.values))]
	case name == HCGRepeat:
		return b.repeats()
	case name == HCGDay4:
		return oneOrNone(b.day4Value())
	case name == HCGDay7:
		return oneOrNone(b.day7Value())
	}
	return b.l.of(r.Fact)
}

func oneOrNone(f Fact, ok bool) []Fact {
	if !ok {
		return nil
	}
	return []Fact{f}
}

// repeats are the hCG values after the first, without those of methotrexate's days.
func (b *builder) repeats() []Fact {
	own := map[int64]bool{}
	for _, f := range append(oneOrNone(b.day4Value()), oneOrNone(b.day7Value())...) {
		own[f.At.Unix()] = true
	}
	var out []Fact
	for _, f := range b.values[min(1, len(b.values)):] {
		if !own[f.At.Unix()] {
			out = append(out, f)
		}
	}
	return out
}

// planVisits makes a row for each visit and each finding of a step, and one for
// the visit that is still to be booked.
func (b *builder) planVisits(name StepName) {
	f, ok := b.rule(name)
	marks := b.marks(name, f.rule)
	home := b.atHome(name, marks)
	for i, m := range marks {
		b.planMark(name, i, m, home)
	}
	if ok && !f.rule.Ordered && b.outstanding(name, marks, f) {
		b.planOpen(name, len(marks), f)
	}
}

// home says which mark carries the step's own window; the others are extra
// visits on days that a person chose.
type home struct {
	index int
	f     found
	known bool
}

func (b *builder) atHome(name StepName, marks []mark) home {
	h := home{index: 0}
	for i, m := range marks {
		f, ok := b.ruleFor(name, m.on)
		if !ok {
			continue
		}
		if !h.known {
			h.f, h.known = f, true
		}
		if !m.on.Before(f.days.from) && !m.on.After(f.days.to) {
			return home{i, f, true}
		}
	}
	// Scans before the window are extra ones; the window is still to come.
	if h.known && name == Monitoring && marks[len(marks)-1].on.Before(h.f.days.from) && marks[len(marks)-1].done {
		h.index = -1
	}
	return h
}

// ruleFor is the rule that counted for a day: the first whose anchor lies
// before it.
func (b *builder) ruleFor(name StepName, on civil.Date) (found, bool) {
	all := b.rules(name)
	for _, f := range all {
		if f.anchor.on.Before(on) {
			return f, true
		}
	}
	if len(all) == 0 {
		return found{rule: b.anyRule(name)}, false
	}
	return all[len(all)-1], true
}

func (b *builder) planMark(name StepName, i int, m mark, h home) {
	rule := h.f.rule
	if !h.known {
		rule = b.anyRule(name)
	}
	s := Step{Key: fmt.Sprintf("%s/%d", name, i+1), Name: name, Rule: rule.Rule, Phrase: rule.Phrase,
		From: m.on, On: m.on, To: m.on, At: m.at, base: m.on, Booked: true, firm: true}
	if i == h.index && h.known {
		s.From, s.To = h.f.days.from, h.f.days.to
	}
	if m.done {
		s.Status = Done
		s.Reasons = append(append(s.Reasons, b.doneReason(m)), findings(m.what)...)
	} else {
		s.Status = b.byDay(s)
		s.Reasons = append(s.Reasons, because("booked", "at", m.at.Format("2006-01-02 15:04")))
		b.passed(&s, rule)
	}
	if i == h.index && h.known {
		s.Reasons = append(s.Reasons, b.windowReason(h.f))
	}
	if i == 0 && name == Baseline {
		s.Reasons = append(s.Reasons, b.dayOneReason()...)
	}
	b.checkMark(s, m, h, i)
	b.add(s)
	b.anchors[name] = settled(m.on)
}

// checkMark notes what is unusual about a visit or a finding.
func (b *builder) checkMark(s Step, m mark, h home, i int) {
	if why := b.room.clinicClosed(m.on); why != "" && s.Name != Call {
		b.conflict(s, because("on_closed_day", "on", m.on.String(), "weekday", m.on.Weekday().String(), "closed", why), b.instead(s)...)
	} else if t := civil.TimeOfDayOf(m.at); !m.done && s.Name != Call && (t < b.pol.Opening.From || t >= b.pol.Opening.To) {
		b.conflict(s, because("outside_hours", "at", m.at.Format("2006-01-02 15:04"), "from", b.pol.Opening.From.String(), "to", b.pol.Opening.To.String()))
	}
	if i == h.index && h.known && (m.on.Before(s.From) || m.on.After(s.To)) {
		b.conflict(s, because("outside_window", "on", m.on.String(), "from", s.From.String(), "to", s.To.String()), b.openDays(s.From, s.To)...)
	}
	if m.what.Kind == HCG {
		b.checkDraw(s, m)
	}
}

// checkDraw notes what makes an hCG value hard to read.
func (b *builder) checkDraw(s Step, m mark) {
	b.checkResidue(s, m.what)
	if !b.transferred {
		b.conflict(s, because("no_transfer"))
	} else if s.Name == HCGFirst && b.tooEarly(m.what) && m.what.IUPerL < b.pol.HCG.NegativeBelow {
		b.conflict(s, because("negative_too_early"))
	}
	i := slices.IndexFunc(b.values, func(f Fact) bool { return f.At.Equal(m.at) })
	if i < 1 || b.conditions[WhenFollowed] || b.conditions[WhenMethotrexate] || b.resolved() {
		return // values that are followed down come days apart
	}
	if between := m.at.Sub(b.values[i-1].At); between < b.pol.HCG.IntervalFrom || between > b.pol.HCG.IntervalTo {
		b.conflict(s, because("interval_unusual", "hours", fmt.Sprintf("%.4g", between.Hours()),
			"from", fmt.Sprintf("%.4g", b.pol.HCG.IntervalFrom.Hours()), "to", fmt.Sprintf("%.4g", b.pol.HCG.IntervalTo.Hours())))
	}
}

// checkEarlyValues notes hCG values that were drawn before the transfer and so
// say nothing about it.
func (b *builder) checkEarlyValues() {
	for _, f := range b.l.of(HCG) {
		if !b.transferred || civil.DateOf(f.At).After(b.transfer.On) {
			continue
		}
		s := Step{Name: HCGFirst}
		b.conflict(s, because("before_transfer", "on", civil.DateOf(f.At).String(), "transfer", b.transfer.On.String()))
		b.checkResidue(s, f)
	}
}

// checkResidue notes a draw so soon after hCG was given that it may be found.
func (b *builder) checkResidue(s Step, draw Fact) {
	last := b.lastHCGDose(draw.At)
	if days := civil.DateOf(draw.At).DaysSince(last); !last.IsZero() && days < b.pol.HCG.TriggerClearedDays {
		b.conflict(s, because("trigger_in_blood", "days", fmt.Sprint(days), "cleared", fmt.Sprint(b.pol.HCG.TriggerClearedDays)))
	}
}

// openDays are the open days of a window that are not over.
func (b *builder) openDays(from, to civil.Date) []civil.Date {
	if from.Before(b.today) {
		from = b.today
	}
	var out []civil.Date
	for d := from; !d.After(to) && len(out) < 14; d = d.AddDays(1) {
		if b.room.clinicClosed(d) == "" {
			out = append(out, d)
		}
	}
	return out
}

// instead are the days that a visit on a closed day could move to.
func (b *builder) instead(s Step) []civil.Date {
	if days := b.openDays(s.From, s.To); len(days) > 0 {
		return days
	}
	return b.openDaysAround(settled(s.On))
}

// openDaysAround are the last open day before a window and the first after it,
// within a week, as far as they are not over.
func (b *builder) openDaysAround(w span) []civil.Date {
	var out []civil.Date
	suits := func(d civil.Date) bool { return b.room.clinicClosed(d) == "" && !d.Before(b.today) }
	for _, d := range []civil.Date{
		nearest(w.from.AddDays(-7), w.from.AddDays(-1), w.from.AddDays(-1), suits),
		nearest(w.to.AddDays(1), w.to.AddDays(1), w.to.AddDays(7), suits),
	} {
		if !d.IsZero() {
			out = append(out, d)
		}
	}
	return out
}

// outstanding reports whether a visit of the step is still to be planned.
func (b *builder) outstanding(name StepName, marks []mark, f found) bool {
	if _, drawn := b.day7Value(); name == HCGRepeat && b.conditions[WhenMethotrexate] && !drawn {
		return false // days 4 and 7 come first
	}
	if len(marks) == 0 {
		return true
	}
	last := marks[len(marks)-1]
	if !last.done { // a booked visit serves, or was missed and is a person's to move
		return false
	}
	switch name {
	case Baseline:
		return b.conditions[WhenRescan]
	case Monitoring:
		return last.on.Before(f.days.from)
	case HCGRepeat:
		return b.conditions[WhenUnclear] && !b.scannedAfter(last.on) || b.conditions[WhenFollowed] || b.conditions[WhenUnknown]
	case OBUltrasound:
		return b.conditions[WhenUncertain] || b.conditions[WhenUnknown]
	}
	return false
}

func (b *builder) scannedAfter(d civil.Date) bool {
	f, ok := b.l.last(OBScan)
	return ok && !f.On.Before(d)
}

// planOpen finds the day of a visit that is still to be booked.
func (b *builder) planOpen(name StepName, n int, f found) {
	s := Step{Key: fmt.Sprintf("%s/%d", name, n+1), Name: name, Rule: f.rule.Rule, Phrase: f.rule.Phrase,
		From: f.days.from, To: f.days.to, base: f.days.on, firm: f.anchor.firm()}
	suits := func(d civil.Date) bool { return b.room.clinicClosed(d) == "" }
	if f.rule.Fit == FitPair {
		s.On = b.pairDay(f, suits)
	} else {
		s.On = nearest(f.reach.from, f.reach.on, f.reach.to, suits)
	}
	if !s.On.IsZero() {
		s.base = s.On
	}
	s.Reasons = append(s.Reasons, b.fitReason(f, s.On))
	if name == Baseline && n == 0 {
		s.Reasons = append(s.Reasons, b.dayOneReason()...)
	}
	s.Status = b.byDay(s)
	b.passed(&s, f.rule)
	if s.On.IsZero() && s.Status != Dropped {
		b.conflict(s, because("no_open_day", "from", f.reach.from.String(), "to", f.reach.to.String()), b.openDaysAround(f.reach)...)
	}
	b.add(s)
	b.anchors[name] = span{s.From, s.base, s.To}
	if s.From == s.To {
		b.anchors[name] = settled(s.base)
	}
}

// pairDay is the nearest day that is open and lets the step that follows fall
// on its preferred day, else the nearest that lets it fall in its window at
// all, else the nearest open day.
func (b *builder) pairDay(f found, suits func(civil.Date) bool) civil.Date {
	w := b.window(b.anyRule(f.rule.With))
	exact := func(d civil.Date) bool { return suits(d) && suits(d.AddDays(w.Preferred)) }
	loose := func(d civil.Date) bool {
		return suits(d) && !nearest(d.AddDays(w.From), d.AddDays(w.Preferred), d.AddDays(w.To), suits).IsZero()
	}
	for _, fits := range []func(civil.Date) bool{exact, loose, suits} {
		if d := nearest(f.reach.from, f.reach.on, f.reach.to, fits); !d.IsZero() {
			return d
		}
	}
	return civil.Date{}
}

// lastHCGDose is the day of the last hCG that she was given before t, by
// trigger or by order; zero when there was none.
func (b *builder) lastHCGDose(t time.Time) civil.Date {
	var last civil.Date
	if b.given && isHCG(b.triggerDrug()) {
		last = countedDay(b.trigger)
	}
	for _, c := range b.orders {
		if c.class != TriggerDrug || !isHCG(c.fact.Drug) {
			continue
		}
		for _, d := range b.dosesOf(c) {
			if d.At.Before(t) && civil.DateOf(d.At).After(last) {
				last = civil.DateOf(d.At)
			}
		}
	}
	return last
}

// triggerDrug is what was given, else what was ordered, else "".
func (b *builder) triggerDrug() string {
	if b.trigger.Drug != "" {
		return b.trigger.Drug
	}
	f, _ := b.l.one(TriggerOrder)
	return f.Drug
}
