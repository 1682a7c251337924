package plan

import (
	"fmt"
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
// file updates instead of doubling; a dropped row is CANCELLED. Rows without a
// day are left out.
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
	for _, s := range p.Steps {
		if s.On.IsZero() || o.Keep != nil && !o.Keep(s) {
			continue
		}
		event(cal, p, s, o.Cycle, title(s))
	}
	var b strings.Builder
	if err := cal.SerializeTo(&b, ics.WithNewLineWindows); err != nil {
		return nil, fmt.Errorf("writing the calendar: %w", err)
	}
	return []byte(b.String()), nil
}

func event(cal *ics.Calendar, p Plan, s Step, cycle, title string) {
	uid := strings.ReplaceAll(s.Key, "/", "-")
	if cycle != "" {
		uid += "." + cycle
	}
	e := cal.AddEvent(uid + "@handrail")
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
