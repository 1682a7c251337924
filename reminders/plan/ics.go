package plan

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	ics "github.com/arran4/golang-ical"
)

// ICSOptions says how a calendar file is written.
type ICSOptions struct {
	// Cycle makes the events' UIDs unique among patients; it must not name her.
	// "" is fine for a file that stands alone.
	Cycle string
	// Clinic is the calendar's name.
	Clinic string
	// Title gives an event its words; nil means neutral ones, which tell a
	// stranger nothing.
	Title func(Step) string
	// Keep chooses the rows; nil keeps all. What hangs on a result must not
	// reach a patient before a person has told her: see ResultBound.
	Keep func(Step) bool
	// Gone are events of earlier files that are in the plan no more, by the names that
	// EventNames gave them then: they are cancelled.
	Gone map[string]Step
}

// EventNames names each row of a plan that has a day as its event is named: by its
// step and its place among the rows of that step. An order that comes, or takes the
// place of another, keeps the name of the row that stood there before.
func EventNames(p Plan) map[string]Step {
	out := map[string]Step{}
	n := map[StepName]int{}
	for _, s := range p.Steps {
		n[s.Name]++
		if !s.On.IsZero() {
			out[fmt.Sprintf("%s-%d", s.Name, n[s.Name])] = s
		}
	}
	return out
}

// GoneEvents are the events that files made after each of the facts, in their order,
// could have held and that one made after all of them does not. shown are the rows of
// a plan that a file holds.
func GoneEvents(p Policy, facts []Fact, asOf time.Time, shown func(Plan) []Step) map[string]Step {
	gone := map[string]Step{}
	for i := range len(facts) + 1 {
		built, err := Build(p, facts[:i], asOf)
		if err != nil {
			continue // what she was never shown
		}
		held := map[string]bool{}
		for _, s := range shown(built) {
			held[s.Key] = true
		}
		for name, s := range EventNames(built) {
			if !held[s.Key] {
				continue
			}
			if gone[name] = s; i == len(facts) {
				delete(gone, name)
			}
		}
	}
	return gone
}

// ResultBound reports whether a row's place or absence gives away a result of
// the pregnancy test.
func ResultBound(s Step) bool {
	switch s.Name {
	case HCGRepeat, HCGDay4, HCGDay7, OBUltrasound, LutealEnd, Handover, FollowUp:
		return true
	}
	return false
}

// neutralTitle names a step without drug, embryo, pregnancy or result.
func neutralTitle(s Step) string {
	switch s.Name {
	case Stimulation, LiningEstrogen, Surge, Trigger, LutealEstrogen, LutealProgesterone, LutealEnd:
		return "Reminder"
	}
	return "Appointment"
}

// ICS writes the calendar as iCalendar (RFC 5545). An event keeps its UID when
// it moves and its SEQUENCE never falls, so a program that has read an earlier
// file updates instead of doubling; a dropped row is CANCELLED, and so is what is in
// Gone. Rows without a day are left out.
func ICS(p Plan, o ICSOptions) ([]byte, error) {
	title := o.Title
	if title == nil {
		title = neutralTitle
	}
	cal := ics.NewCalendarFor("handrail")
	cal.SetProductId("-//Handrail//Cycle calendar//EN")
	cal.SetMethod(ics.MethodPublish)
	if o.Clinic != "" {
		cal.SetXWRCalName(o.Clinic)
	}
	names := EventNames(p)
	kept := map[string]bool{}
	for _, name := range inOrder(names) {
		if s := names[name]; o.Keep == nil || o.Keep(s) {
			kept[name] = true
			event(cal, p, s, named(name, o.Cycle), title(s))
		}
	}
	for _, name := range inOrder(o.Gone) {
		if s := o.Gone[name]; !kept[name] {
			s.Status = Dropped
			event(cal, p, s, named(name, o.Cycle), title(s))
		}
	}
	var b strings.Builder
	if err := cal.SerializeTo(&b, ics.WithNewLineWindows); err != nil {
		return nil, fmt.Errorf("writing the calendar: %w", err)
	}
	return []byte(b.String()), nil
}

// named is the UID of an event.
func named(name, cycle string) string {
	if cycle != "" {
		name += "." + cycle
	}
	return name + "@handrail"
}

// inOrder has the names of events by step and day.
func inOrder(events map[string]Step) []string {
	return slices.SortedFunc(maps.Keys(events), func(x, y string) int {
		a, b := events[x], events[y]
		return cmp.Or(cmp.Compare(slices.Index(StepNames, a.Name), slices.Index(StepNames, b.Name)), a.On.Compare(b.On), cmp.Compare(x, y))
	})
}

func event(cal *ics.Calendar, p Plan, s Step, uid, title string) {
	e := cal.AddEvent(uid)
	e.SetDtStampTime(p.AsOf)
	e.SetSequence(p.Revision)
	e.SetSummary(title)
	e.SetStatus(eventStatus(s))
	e.SetTimeTransparency(ics.TransparencyTransparent)
	if s.At.IsZero() {
		e.SetAllDayStartAt(s.On.At(0, time.UTC))
		e.SetAllDayEndAt(s.On.AddDays(1).At(0, time.UTC))
		return
	}
	e.SetStartAt(s.At)
	e.SetEndAt(s.At.Add(eventLength))
}

// eventLength is how long a visit or a dose is shown.
const eventLength = 15 * time.Minute

func eventStatus(s Step) ics.ObjectStatus {
	switch {
	case s.Status == Dropped:
		return ics.ObjectStatusCancelled
	case s.Booked:
		return ics.ObjectStatusConfirmed
	}
	return ics.ObjectStatusTentative
}
