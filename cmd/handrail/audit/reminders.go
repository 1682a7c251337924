package audit

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// order is a course of medication as it was ordered and stopped.
type order struct {
	*Entry
	id      string    // as the program numbers it
	entered time.Time // when it was on record
	stopped Day       // no dose on or after that day; 0 for none
}

// orders are those on record, with their ends.
func (p *patient) orders() (all []order) {
	for _, e := range p.entries {
		got := p.j.itemOf(e.Chat, e.Update, e.Stated)
		if got == nil {
			continue
		}
		f := p.factOf(got.id)
		switch {
		case f == nil:
		case e.Kind == "order":
			all = append(all, order{Entry: e, id: fmt.Sprintf("f%d", f.id), entered: f.at})
		case e.Kind == "trigger_order":
			all = append(all, order{Entry: e, id: "trigger", entered: f.at})
		case e.Kind == "stop_order":
			for i := range all {
				if all[i].Drug == e.Drug && all[i].stopped == 0 {
					all[i].stopped = e.On
				}
			}
		}
	}
	return all
}

// minutes are the doses of an order up to the end of the rehearsal.
func (o order) minutes(j *judge) (all []time.Time) {
	if o.Class == "trigger" {
		return []time.Time{o.At}
	}
	for d := o.On; d <= DayOf(j.End, j.Clinic.Zone); d++ {
		if o.Days > 0 && d >= o.On+Day(o.Days) || o.stopped != 0 && d >= o.stopped {
			break
		}
		for _, m := range o.Times {
			all = append(all, d.At(m, j.Clinic.Zone))
		}
	}
	return all
}

// deadline is when a dose of which nothing is heard is a human's: a tablet at a fixed
// hour of its day, progesterone after some hours or before the next, put off from
// the night to the morning where the next dose allows, the trigger after an hour.
func (j *judge) deadline(class string, at, next time.Time) time.Time {
	c := j.Clinic
	switch class {
	case "trigger":
		return at.Add(c.Trigger)
	case "tablet":
		if by := DayOf(at, c.Zone).At(c.Tablets, c.Zone); by.After(at) {
			return by
		}
		return at.Add(2 * time.Hour)
	}
	by := at.Add(c.Hormones)
	if !next.IsZero() && next.Before(by) {
		by = next
	}
	if !c.quiet(by) {
		return by
	}
	d := DayOf(by, c.Zone)
	if d.At(c.Morning, c.Zone).Before(by) {
		d++
	}
	if morning := d.At(c.Morning, c.Zone); next.IsZero() || morning.Before(next) {
		return morning
	}
	return by
}

// judgeDoses: she was asked about each dose in its time, or had answered, or a human
// was told; and where she never answered a human was told.
func (p *patient) judgeDoses() {
	over := p.endOfCycle()
	for _, o := range p.orders() {
		all, held := o.minutes(p.j), false
		for i, at := range all {
			var next time.Time
			if i+1 < len(all) {
				next = all[i+1]
			}
			by := p.j.deadline(o.Class, at, next)
			// Near the end of an order its last dose has no next one.
			if !at.After(o.entered) || by.After(p.j.End.Add(-settleTime)) || !by.Before(over) {
				continue
			}
			if o.Class == "tablet" && !p.letStart(at) {
				held = true
				continue
			}
			p.judgeDose(o, at, by)
		}
		if held && !p.toldOfHeld(o) {
			p.j.find(&p.j.v.RemindersLost, "order %s of %s waits for a baseline that lets her start, and nobody was told", o.id, p.handle)
		}
	}
}

// letStart reports whether a baseline that was known at an instant let her start:
// before that nobody asks about a tablet.
func (p *patient) letStart(at time.Time) bool {
	start := (&dates{facts: p.known(at)}).last("baseline")
	return start != nil && start.Word == "start"
}

// toldOfHeld reports whether a human was told that an order waits.
func (p *patient) toldOfHeld(o order) bool {
	prefix := fmt.Sprintf("cycle/%d/open/held/%s/", p.cycle, o.id)
	return slices.ContainsFunc(p.j.casesOf[p.id], func(c *aCase) bool { return strings.HasPrefix(c.key, prefix) })
}

// endOfCycle is when nothing more is asked of her: her cycle was closed or
// cancelled.
func (p *patient) endOfCycle() time.Time {
	over := p.j.End
	if !p.closed.IsZero() {
		over = p.closed
	}
	for _, e := range p.entries {
		if at := p.handled(e); (e.Kind == "cancelled" || e.Kind == "baseline" && e.Word == "cancel") && at.Before(over) {
			over = at
		}
	}
	return over
}

func (p *patient) judgeDose(o order, at, by time.Time) {
	j := p.j
	j.v.Expected++
	dose := o.id + "@" + at.UTC().Format("20060102T1504Z")
	concern := fmt.Sprintf("patient/%d/dose/%s", p.id, dose)
	early, settled := p.lastAnswer(o, dose, at), p.lastAnswer(o, dose, by)
	if !early && !p.quiet(at) && !p.wasAsked(dose, at, by) && !j.caused(concern) {
		j.find(&j.v.RemindersLost, "%s was not asked about dose %s", p.handle, dose)
	}
	if !settled && !j.caused(concern) && !p.lateAnswer(o, dose, by) {
		j.find(&j.v.RemindersLost, "nothing was heard from %s of dose %s, and nobody was told", p.handle, dose)
	}
}

// lastAnswer reports whether a dose was settled by what she said before an instant.
func (p *patient) lastAnswer(o order, dose string, before time.Time) bool {
	done := false
	for _, a := range p.answers {
		if a.dose == dose && !a.at.After(before) {
			done = a.said != "not_yet"
		}
	}
	if o.Class != "trigger" {
		return done
	}
	return done || slices.ContainsFunc(p.entries, func(e *Entry) bool { return e.Kind == "trigger" && !p.handled(e).After(before) })
}

// lateAnswer allows for an answer at the very minute of the deadline.
func (p *patient) lateAnswer(o order, dose string, by time.Time) bool {
	return p.lastAnswer(o, dose, by.Add(time.Minute))
}

// wasAsked reports whether a question about a dose reached her in its time, or one
// that did not is with a human.
func (p *patient) wasAsked(dose string, at, by time.Time) bool {
	prefix := fmt.Sprintf("cycle/%d/dose/%s", p.cycle, dose)
	return p.reached(prefix, at, by)
}

func (p *patient) reached(prefix string, from, to time.Time) bool {
	for _, w := range p.rows {
		if !strings.HasPrefix(w.key, prefix) {
			continue
		}
		if (w.state == "failed" || w.state == "expired") && p.told(w) {
			return true
		}
		if w.state != "sent" {
			continue
		}
		if got, has := p.seen(w); has && !got.Before(from) && got.Before(to.Add(time.Second)) {
			return true
		}
	}
	return false
}

// judgeVisits: on the evening before a visit that stood, she was reminded of it.
func (p *patient) judgeVisits() {
	j := p.j
	for _, e := range p.entries {
		if e.Kind != "visit" {
			continue
		}
		d := DayOf(e.At, j.Clinic.Zone)
		eve := (d - 1).At(j.Clinic.Eve, j.Clinic.Zone)
		to := d.At(0, j.Clinic.Zone)
		if !p.handled(e).Before(eve) || !to.Before(j.End) || !eve.Before(p.endOfCycle()) || p.quiet(eve) || p.untold(eve) || !p.stands(e, d, eve) {
			continue
		}
		j.v.Expected++
		if !p.reached(fmt.Sprintf("cycle/%d/visit/%s/%s", p.cycle, e.Step, d), eve, to) {
			j.find(&j.v.RemindersLost, "%s was not reminded of %s on %s", p.handle, e.Step, d)
		}
	}
}

// stands reports whether a visit was still to come on its eve, by what was known.
func (p *patient) stands(visit *Entry, d Day, eve time.Time) bool {
	known := p.known(eve)
	for _, later := range known[slices.Index(known, visit)+1:] {
		if later.Kind == "visit" && later.Step == visit.Step && visit.Step != "monitoring" {
			return false // it was moved
		}
		if later.Kind == shownBy[visit.Step] {
			return false
		}
	}
	// Nobody is woken for what hangs on something that has not happened: a scan on a
	// baseline that let her start, a test on a transfer.
	so := &dates{facts: known}
	if visit.Step == "monitoring" && !p.letStart(eve) || visit.Step == "hcg_first" && so.last("transfer") == nil {
		return false
	}
	return slices.Contains(datesOf(p.j.Clinic, known)[visit.Step], d)
}

// known is what had been stated of her by an instant.
func (p *patient) known(at time.Time) (all []*Entry) {
	for _, e := range p.entries {
		if !p.handled(e).After(at) {
			all = standing(append(all, e))
		}
	}
	return all
}

// standing leaves out of statements, of which the last is new, those whose place it
// takes.
func standing(all []*Entry) []*Entry {
	e := all[len(all)-1]
	return slices.DeleteFunc(all, func(old *Entry) bool {
		if old == e || old.Kind != e.Kind {
			return false
		}
		switch e.Kind {
		case "period_start", "trigger_order":
			return true
		}
		return false
	})
}

// untold reports whether a result of hers waited to be told at an instant, or had
// only just been.
func (p *patient) untold(at time.Time) bool {
	for _, c := range p.j.casesOf[p.id] {
		if c.reason == "result_to_tell" && !c.opened.After(at) && (c.closed.IsZero() || !c.closed.Before(at)) {
			return true
		}
	}
	return false
}

// askedBack is how long after it was ordered she must have been asked to repeat an
// instruction: at once, or in the morning.
const askedBack = 14 * time.Hour

// judgeReadBacks: what she must not misunderstand she was asked to repeat, or a human
// has it.
func (p *patient) judgeReadBacks() {
	j := p.j
	for _, e := range p.entries {
		ask := e.Kind == "order" || e.Kind == "stop_order" || e.Kind == "trigger_order" || e.Kind == "visit" && e.Step == "transfer"
		it := j.itemOf(e.Chat, e.Update, e.Stated)
		if !ask || it == nil || !e.Sure {
			continue
		}
		f := p.statedBy(e, it.id)
		if f == nil || !p.ahead(e, f.at) || f.at.Add(askedBack).After(j.End) || p.quiet(f.at) || p.replacedWithin(e, f.at.Add(askedBack)) || !f.at.Add(askedBack).Before(p.endOfCycle()) {
			continue
		}
		j.v.Expected++
		if !p.reached(fmt.Sprintf("cycle/%d/readback/f%d/", p.cycle, f.id), f.at, f.at.Add(askedBack)) && !j.caused(fmt.Sprintf("fact/%d/readback", f.id)) {
			j.find(&j.v.RemindersLost, "%s was not asked to repeat fact %d (%s)", p.handle, f.id, e.Kind)
		}
	}
}

// ahead reports whether an instruction still lay ahead when it was on record: what is
// entered late was told to her otherwise.
func (p *patient) ahead(e *Entry, entered time.Time) bool {
	zone := p.j.Clinic.Zone
	switch e.Kind {
	case "order":
		return e.On.At(e.Times[0], zone).After(entered)
	case "stop_order":
		return e.On >= DayOf(entered, zone)
	}
	return e.At.After(entered.Add(time.Hour))
}

// replacedWithin reports whether another statement of the kind took the place of one
// before an instant.
func (p *patient) replacedWithin(e *Entry, by time.Time) bool {
	later := p.entries[slices.Index(p.entries, e)+1:]
	return slices.ContainsFunc(later, func(o *Entry) bool { return o.Kind == e.Kind && o.Step == e.Step && p.handled(o).Before(by) })
}
