package plan

import (
	"fmt"
	"slices"
	"time"

	"handrail.example/reminders/civil"
)

// Dose is one dose that an order calls for.
type Dose struct {
	// Key names it across replans: "o3/7", the trigger "trigger/1".
	Key string
	// Order is the key of its order (the id, where it has one).
	Order string
	Class DrugClass
	// What is prescribed, as ordered.
	Drug, Product, Route string
	Amount               float64
	Unit                 string
	// At is the minute, on the clinic's wall clock also across a change of the
	// clocks. Number counts the doses of the order from 1.
	At     time.Time
	Number int
	// Next is the minute of the following dose of the same order, zero for the
	// last.
	Next time.Time
	// Taken is the answer on record, nil while there is none.
	Taken *bool
}

// doses lists what the live orders call for, by time. There are none after a
// cancellation, none before a cleared baseline where the table wants one, and
// of an order without an end those up to the horizon. What lies further back than
// the longest course is left out.
func (b *builder) doses() []Dose {
	var out []Dose
	for _, c := range b.orders {
		out = append(out, b.dosesOf(c)...)
	}
	if b.ordered && b.open(b.trigger.At) && !b.transferred {
		f := b.trigger
		out = append(out, Dose{Key: "trigger/1", Order: "trigger", Class: TriggerDrug, Drug: f.Drug, Product: f.Product,
			Route: f.Route, Amount: f.Dose, Unit: f.Unit, At: f.At, Number: 1})
	}
	b.answer(out)
	slices.SortStableFunc(out, func(x, y Dose) int { return x.At.Compare(y.At) })
	return out
}

// open reports whether t lies before the end of a cancelled cycle.
func (b *builder) open(t time.Time) bool {
	return b.cancelled.IsZero() || civil.DateOf(t).Before(b.cancelled)
}

func (b *builder) dosesOf(c course) []Dose {
	if c.held {
		return nil
	}
	last := c.last
	if last.IsZero() {
		last = b.today.AddDays(b.pol.Calendar.DoseHorizonDays)
	}
	day := c.first
	if oldest := b.today.AddDays(-maxCourse); day.Before(oldest) {
		day = oldest
	}
	out := make([]Dose, 0, max(0, last.DaysSince(day)+1)*len(c.fact.Times))
	n := day.DaysSince(c.first) * len(c.fact.Times)
	for ; !day.After(last); day = day.AddDays(1) {
		for _, t := range c.fact.Times {
			n++
			at := day.At(t, b.pol.Location())
			if c.over(n, at, b) {
				return linked(out)
			}
			if day.Before(c.notBefore) || !b.open(at) || b.withdrawn(c, day) {
				continue
			}
			f := c.fact
			out = append(out, Dose{Key: fmt.Sprintf("%s/%d", c.key, n), Order: c.key, Class: c.class, Drug: f.Drug,
				Product: f.Product, Route: f.Route, Amount: f.Dose, Unit: f.Unit, At: at, Number: n})
		}
	}
	return linked(out)
}

// over reports whether the n-th dose, at that minute, comes after the end.
func (c course) over(n int, at time.Time, b *builder) bool {
	stop := c.fact.Stop
	if stop.AfterDoses > 0 && n > stop.AfterDoses {
		return true
	}
	return stop.AtTrigger && (b.given || b.ordered) && !at.Before(b.trigger.At)
}

// linked tells each dose when the next one of its order is.
func linked(doses []Dose) []Dose {
	for i := range doses[:max(0, len(doses)-1)] {
		doses[i].Next = doses[i+1].At
	}
	return doses
}

// answer puts what was said about doses to them, by order and minute.
func (b *builder) answer(doses []Dose) {
	answers := b.l.of(DoseAnswered)
	if len(answers) == 0 {
		return
	}
	type minute struct {
		order string
		at    int64
	}
	said := map[minute]*bool{}
	for _, f := range answers {
		said[minute{f.Order, f.At.Unix()}] = f.Taken
	}
	for i, d := range doses {
		doses[i].Taken = said[minute{d.Order, d.At.Unix()}]
	}
}
