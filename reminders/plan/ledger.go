package plan

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"handrail.example/reminders/civil"
)

// ledger has the facts that stand, in a fixed order that does not depend on
// the order of their arrival.
type ledger struct {
	live []Fact
	// all is how many facts there are, those that were replaced too.
	all int
	// byID has every fact with an id, replaced or not.
	byID map[string]Fact
	// successor maps the id of a replaced fact to what replaced it.
	successor map[string]Fact
}

// onceInCycle are the kinds of which a cycle has one at most.
var onceInCycle = []FactKind{ProtocolChosen, HandedOver, PeriodStart, PeriodDue, ProgestinEnd, Embryos, LHSurge, TriggerOrder, TriggerGiven, Transferred, Cancelled, Rhesus}

// newLedger resolves what replaces what and refuses a set of facts that cannot
// all be true. asOf stands for now.
func newLedger(facts []Fact, cutOff civil.TimeOfDay, asOf time.Time) (ledger, error) {
	l := ledger{all: len(facts), byID: map[string]Fact{}, successor: map[string]Fact{}}
	if err := l.index(facts); err != nil {
		return l, err
	}
	l.live = make([]Fact, 0, len(facts))
	for _, f := range facts {
		if _, replaced := l.successor[f.ID]; (f.ID == "" || !replaced) && f.Kind != Retracted {
			l.live = append(l.live, f)
		}
	}
	slices.SortFunc(l.live, compareFacts)
	for _, check := range []func() error{
		l.checkOnce, l.checkRepeats, l.checkOrders, func() error { return l.checkNow(asOf) },
		func() error { return l.checkSequence(cutOff) },
	} {
		if err := check(); err != nil {
			return l, err
		}
	}
	return l, nil
}

func (l *ledger) index(facts []Fact) error {
	ordered := slices.Clone(facts)
	slices.SortFunc(ordered, compareFacts)
	for _, f := range ordered {
		if f.ID == "" {
			continue
		}
		if _, twice := l.byID[f.ID]; twice {
			return refuse(f, "another fact has the same id", "give it an id of its own")
		}
		l.byID[f.ID] = f
	}
	for _, f := range ordered {
		if f.Replaces == "" {
			continue
		}
		if err := l.replace(f); err != nil {
			return err
		}
	}
	return l.checkCircles(ordered)
}

func (l *ledger) replace(f Fact) error {
	old, known := l.byID[f.Replaces]
	if !known {
		return refuse(f, fmt.Sprintf("replaces %q, which is no fact's id", f.Replaces), "name the id of the fact that it corrects")
	}
	if other, twice := l.successor[f.Replaces]; twice {
		return refuse(f, fmt.Sprintf("replaces %q, which %s replaced already", f.Replaces, other), "replace that one instead")
	}
	if !mayReplace(f.Kind, old.Kind) {
		return refuse(f, fmt.Sprintf("replaces %q, which is a fact of another kind (%s)", f.Replaces, old.Kind),
			"correct it with a fact of its kind or take it back with a retracted fact")
	}
	l.successor[f.Replaces] = f
	return nil
}

// mayReplace: a correction is of the kind that it corrects, but a bleed can
// turn out to have been spotting and the other way round.
func mayReplace(kind, old FactKind) bool {
	bleed := []FactKind{PeriodStart, Spotting}
	return kind == old || kind == Retracted || slices.Contains(bleed, kind) && slices.Contains(bleed, old)
}

func (l *ledger) checkCircles(facts []Fact) error {
	for _, f := range facts {
		for n, at := 0, f; at.Replaces != ""; n++ {
			if n > len(facts) {
				return refuse(f, "replaces itself in a circle", "let it name the fact that came before it")
			}
			at = l.byID[at.Replaces]
		}
	}
	return nil
}

// compareFacts orders facts by their day, their minute, their kind and at last
// by everything that they say.
func compareFacts(a, b Fact) int {
	if c := a.day().Compare(b.day()); c != 0 {
		return c
	}
	if c := a.At.Compare(b.At); c != 0 {
		return c
	}
	if c := cmp.Compare(slices.Index(factKinds, a.Kind), slices.Index(factKinds, b.Kind)); c != 0 {
		return c
	}
	return cmp.Compare(content(a), content(b))
}

func content(f Fact) string {
	b, err := f.MarshalJSON()
	if err != nil {
		return ""
	}
	return string(b)
}

// of has the live facts of a kind, in order.
func (l ledger) of(k FactKind) []Fact {
	var out []Fact
	for i := range l.live { // a fact is large: look before it is copied
		if l.live[i].Kind == k {
			out = append(out, l.live[i])
		}
	}
	return out
}

// one is the first live fact of a kind.
func (l ledger) one(k FactKind) (Fact, bool) {
	for i := range l.live {
		if l.live[i].Kind == k {
			return l.live[i], true
		}
	}
	return Fact{}, false
}

// last is the last live fact of a kind.
func (l ledger) last(k FactKind) (Fact, bool) {
	for i := len(l.live) - 1; i >= 0; i-- {
		if l.live[i].Kind == k {
			return l.live[i], true
		}
	}
	return Fact{}, false
}

func (l ledger) checkOnce() error {
	for _, k := range onceInCycle {
		if all := l.of(k); len(all) > 1 {
			return refuse(latestPlace(all), fmt.Sprintf("a cycle has one %s and another is on record", k),
				"name the id of the earlier one in replaces if it is a correction")
		}
	}
	return nil
}

// latestPlace is the fact that is being entered, else the one that stands last
// in the list as it was handed in.
func latestPlace(all []Fact) Fact {
	return slices.MaxFunc(all, func(a, b Fact) int {
		if (a.pos == justAdded) != (b.pos == justAdded) {
			return cmp.Compare(b.pos, a.pos)
		}
		return cmp.Compare(a.pos, b.pos)
	})
}

// checkRepeats refuses two facts that answer the same question differently.
func (l ledger) checkRepeats() error {
	seen := map[string]Fact{}
	for _, f := range l.live {
		key := repeatKey(f)
		if key == "" {
			continue
		}
		if other, twice := seen[key]; twice {
			return refuse(latestPlace([]Fact{other, f}), "the same was entered before", "name the id of the earlier one in replaces if it is a correction")
		}
		seen[key] = f
	}
	return nil
}

// repeatKey is the same for two facts that cannot both stand, "" where any
// number may.
func repeatKey(f Fact) string {
	switch f.Kind {
	case BaselineFound, OBScan, Concluded, Methotrexate:
		return fmt.Sprintf("%s %s", f.Kind, f.On)
	case Allergy:
		return "allergy " + strings.ToLower(f.Allergen)
	case Dispensed:
		return fmt.Sprintf("%s %s %d", f.Kind, drugKey(f.Drug), f.At.Unix())
	case Authorised:
		return fmt.Sprintf("authorisation %s %s", drugKey(f.Drug), f.Until)
	case HCG, HCGDrawn:
		return fmt.Sprintf("%s %d", f.Kind, f.At.Unix())
	case OrderGiven:
		return fmt.Sprint("order ", medicine(f), f.Dose, f.Unit, f.Times, f.From)
	case StopOrder:
		return "stop " + f.Order
	case Visit:
		if f.Step == Transfer || f.Step == HCGFirst {
			return "visit " + string(f.Step)
		}
		return fmt.Sprintf("visit %s %s", f.Step, civil.DateOf(f.At))
	}
	return ""
}

// medicine is what an order is for, apart from how much of it.
func medicine(f Fact) string { return strings.ToLower(f.Drug + "|" + f.Product + "|" + f.Route) }

// checkOrders refuses a stop or an answer that belongs to no live order.
func (l ledger) checkOrders() error {
	for _, f := range l.live {
		if f.Kind != StopOrder && f.Kind != DoseAnswered {
			continue
		}
		order, known := l.byID[f.Order]
		if known && order.Kind == TriggerOrder {
			return refuse(f, fmt.Sprintf("order %q is a trigger order", f.Order), "enter a trigger that was given, or retract or replace its order")
		}
		if !known || order.Kind != OrderGiven {
			return refuse(f, fmt.Sprintf("order %q is not on record", f.Order), "name the id of the order")
		}
		if next, replaced := l.successor[f.Order]; replaced && f.Kind == StopOrder {
			return refuse(f, fmt.Sprintf("order %q was replaced by %s", f.Order, next), "stop the order that stands")
		}
	}
	return nil
}

// happened are the kinds that tell of something that is over, so that none can
// lie ahead of now.
var happened = []FactKind{PeriodStart, Spotting, Ready, BaselineFound, DoseAnswered, Scan, LHSurge, TriggerGiven,
	Transferred, HCG, OBScan, Concluded, Methotrexate, HandoverItem, HandedOver, Called, Cancelled, Bloods, HomeLH, HCGDrawn, Thawed,
	OnHand, Dispensed, Authorised, AntiD}

// Happened reports whether the fact tells of something that is over.
func (f Fact) Happened() bool { return slices.Contains(happened, f.Kind) }

func (l ledger) checkNow(asOf time.Time) error {
	today := civil.DateOf(asOf)
	for _, f := range l.live {
		// An answer about tonight's dose may be given before its minute.
		late := f.day().After(today) || !f.At.IsZero() && f.Kind != DoseAnswered && f.At.Truncate(time.Minute).After(asOf)
		if late && slices.Contains(happened, f.Kind) {
			return refuse(f, "is dated after now, "+asOf.Format("2006-01-02 15:04"), "correct its date or enter it when it has happened")
		}
	}
	return nil
}

// checkSequence refuses an order of events that cannot be.
func (l ledger) checkSequence(cutOff civil.TimeOfDay) error {
	if p, ok := l.one(PeriodStart); ok {
		one := DayOne(p.At, cutOff)
		for _, f := range l.live {
			if after := []FactKind{BaselineFound, TriggerGiven, TriggerOrder, LHSurge, Transferred}; slices.Contains(after, f.Kind) && f.day().Before(one) {
				return refuse(f, fmt.Sprintf("is dated before cycle day one, %s", one), "correct its date or the period's")
			}
		}
	}
	if err := l.checkTransferOrder(); err != nil {
		return err
	}
	c, cancelled := l.one(Cancelled)
	for _, f := range l.live {
		if cancelled && (f.Kind == TriggerGiven || f.Kind == Transferred) && f.day().After(c.On) {
			return refuse(f, fmt.Sprintf("the cycle was cancelled on %s", c.On), "correct its date or take the cancellation back")
		}
	}
	return nil
}

// checkTransferOrder: the trigger, then the transfer, then the scan for it.
func (l ledger) checkTransferOrder() error {
	t, ok := l.one(Transferred)
	if !ok {
		return nil
	}
	trigger, given := l.one(TriggerGiven)
	if !given {
		trigger, given = l.one(TriggerOrder)
	}
	if given && !t.On.After(countedDay(trigger)) {
		return refuse(t, fmt.Sprintf("is dated %s, not after the trigger of %s", t.On, countedDay(trigger)), "correct the date of one of them")
	}
	if s, surge := l.one(LHSurge); surge && !t.On.After(s.On) {
		return refuse(t, fmt.Sprintf("is dated %s, not after the LH surge of %s", t.On, s.On), "correct the date of one of them")
	}
	if o, scanned := l.one(OBScan); scanned && !o.On.After(t.On) {
		return refuse(o, fmt.Sprintf("is dated %s, not after the transfer of %s", o.On, t.On), "correct the date of one of them")
	}
	return nil
}

// DayOne is cycle day one of a full flow that started at t: the same day when
// it started before the cut-off, else the next.
func DayOne(t time.Time, cutOff civil.TimeOfDay) civil.Date {
	if civil.TimeOfDayOf(t) < cutOff {
		return civil.DateOf(t)
	}
	return civil.DateOf(t).AddDays(1)
}

// countedDay is the day from which a trigger counts.
func countedDay(f Fact) civil.Date {
	if !f.NightOf.IsZero() {
		return f.NightOf
	}
	return civil.DateOf(f.At)
}
