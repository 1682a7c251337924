package plan

import (
	"fmt"
	"slices"
	"strings"

	"handrail.example/reminders/civil"
)

// window is the policy's window of a rule, else the table's.
func (b *builder) window(r Rule) Window {
	if w, ok := b.pol.Windows[r.Rule]; ok {
		return w
	}
	return r.window()
}

// Words says in English when a row of a table plans its step, by the windows of p.
func (r Rule) Words(p Policy) string {
	w, set := p.Windows[r.Rule]
	if !set {
		w = r.window()
	}
	text := r.countWords(w)
	if r.When != "" {
		text += ", when " + strings.ReplaceAll(string(r.When), "_", " ")
	}
	if r.Ordered {
		text += ", only where ordered"
	}
	return text
}

func (r Rule) countWords(w Window) string {
	anchor := anchorWords(r.Anchor)
	days := fmt.Sprintf("%d to %d", w.From, w.To)
	if w.From == w.To {
		days = fmt.Sprint(w.From)
	}
	switch r.Count {
	case CountCycleDay:
		return "cycle day " + days
	case CountGestation:
		return fmt.Sprintf("%dw%dd to %dw%dd of gestation", w.From/7, w.From%7, w.To/7, w.To%7)
	case CountEmbryo:
		return fmt.Sprintf("%d days after %s for a day-5 embryo, %d for day 3, %d for day 6", w.ByEmbryoDay[5], anchor, w.ByEmbryoDay[3], w.ByEmbryoDay[6])
	}
	return days + " days after " + anchor
}

// found is a rule that counts, with the days that it gives.
type found struct {
	rule   Rule
	anchor span
	// days is the window to show; reach the window in which the planned day is
	// sought, given the anchor's own planned day.
	days, reach span
}

// rules are the rows of a step that count now and whose anchor is known, in the
// order of the table.
func (b *builder) rules(name StepName) []found {
	var out []found
	for _, r := range b.proto.Rows {
		if r.Step != name || r.When != "" && !b.conditions[r.When] {
			continue
		}
		if a, ok := b.anchor(r); ok {
			out = append(out, b.place(r, a))
		}
	}
	return out
}

func (b *builder) rule(name StepName) (found, bool) {
	all := b.rules(name)
	if len(all) == 0 {
		return found{rule: b.anyRule(name)}, false
	}
	return all[0], true
}

// anyRule is the last row of a step, which is the general one.
func (b *builder) anyRule(name StepName) Rule {
	var last Rule
	for _, r := range b.proto.Rows {
		if r.Step == name {
			last = r
		}
	}
	return last
}

// place counts a rule's window from its anchor.
func (b *builder) place(r Rule, a span) found {
	w := b.window(r)
	shift := 0
	switch r.Count {
	case CountCycleDay:
		shift = -1
	case CountGestation:
		shift = -GestationalDays(a.on, b.embryoDay, a.on)
	case CountEmbryo:
		n := w.ByEmbryoDay[b.embryoDay]
		w = Window{From: n, Preferred: n, To: n}
	}
	return found{
		rule: r, anchor: a,
		days:  span{a.from.AddDays(w.From + shift), a.on.AddDays(w.Preferred + shift), a.to.AddDays(w.To + shift)},
		reach: span{a.on.AddDays(w.From + shift), a.on.AddDays(w.Preferred + shift), a.on.AddDays(w.To + shift)},
	}
}

// anchor is what a rule counts from, if that is known.
func (b *builder) anchor(r Rule) (span, bool) {
	switch r.Anchor {
	case anchorDayOne:
		return settled(b.dayOne), !b.dayOne.IsZero()
	case anchorSurge:
		return settled(b.surge.On), b.surged
	case anchorLast:
		f, ok := b.l.last(r.Fact)
		return settled(f.day()), ok
	case anchorLastHCG:
		if len(b.values) == 0 {
			return span{}, false
		}
		return settled(civil.DateOf(b.values[len(b.values)-1].At)), true
	case anchorPath:
		return settled(b.way.on), b.way.path != ""
	case anchorFollowed:
		d := b.followedFrom()
		return settled(d), !d.IsZero()
	case anchorMethotrexate:
		return settled(b.mtx.On), !b.mtx.On.IsZero()
	case anchorInjections:
		d := b.injectionDay()
		return settled(d), !d.IsZero()
	}
	a, ok := b.anchors[StepName(r.Anchor)]
	return a, ok
}

// injectionDay is the day of the dose of injections after which she is
// monitored.
func (b *builder) injectionDay() civil.Date {
	i := slices.IndexFunc(b.orders, func(c course) bool { return c.class == Injection })
	if i < 0 {
		return civil.Date{}
	}
	left := b.pol.Calendar.InjectionDoses
	parts := b.changedOrders(b.orders[i].fact)
	for n, f := range parts[:len(parts)-1] {
		given := parts[n+1].From.DaysSince(f.From) * len(f.Times)
		if left <= given {
			return dayOfDose(f, left)
		}
		left -= given
	}
	return dayOfDose(parts[len(parts)-1], left)
}

// changedOrders has the orders that f took the place of while they ran, first
// to last, and f itself. One that differs only in its days was a slip of the
// pen and never ran.
func (b *builder) changedOrders(f Fact) []Fact {
	out := []Fact{f}
	for f.Replaces != "" {
		old := b.l.byID[f.Replaces]
		if old.From.Before(out[0].From) && (old.Dose != f.Dose || old.Drug != f.Drug || !slices.Equal(old.Times, f.Times)) {
			out = slices.Insert(out, 0, old)
		}
		f = old
	}
	return out
}
