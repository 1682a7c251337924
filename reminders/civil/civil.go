// Package civil has the calendar day and the wall-clock time that a clinic
// speaks in: "cycle day 3", "the trigger at 22:00". Neither knows a time zone;
// Date.At joins them with one and states what happens when clocks change.
//
// The package owns the arithmetic of days and refuses everything that depends
// on what day it is now.
package civil

import (
	"fmt"
	"time"
)

// Date is a day of the Gregorian calendar, without a time or a zone. The zero
// Date means "no date" and orders before every other.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// TimeOfDay is a wall-clock time in minutes after midnight, 0 to 1439.
type TimeOfDay int

// ParseDate reads an ISO 8601 calendar date, YYYY-MM-DD. A day that does not
// exist (2027-02-29) is an error.
func ParseDate(s string) (Date, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return Date{}, fmt.Errorf("%q is not a date: write it as 2026-03-02", s)
	}
	return DateOf(t), nil
}

// MustDate is ParseDate for constants in tables and tests; it panics on a bad
// one.
func MustDate(s string) Date {
	d, err := ParseDate(s)
	if err != nil {
		panic(err)
	}
	return d
}

// DateOf is the day on which t falls in t's own location.
func DateOf(t time.Time) Date {
	y, m, d := t.Date()
	return Date{y, m, d}
}

// IsZero reports whether d is no date at all.
func (d Date) IsZero() bool { return d == Date{} }

// AddDays is the day n days after d; n may be negative.
func (d Date) AddDays(n int) Date {
	return DateOf(time.Date(d.Year, d.Month, d.Day+n, 0, 0, 0, 0, time.UTC))
}

// DaysSince is the number of days from o to d, negative when d comes first.
// It counts calendar days, so a change of the clocks between them is no matter.
func (d Date) DaysSince(o Date) int {
	return int(d.utc().Sub(o.utc()) / (24 * time.Hour))
}

// Compare orders dates: negative when d is before o, 0 when equal, positive
// when after.
func (d Date) Compare(o Date) int { return d.utc().Compare(o.utc()) }

// Before reports whether d comes before o.
func (d Date) Before(o Date) bool { return d.Compare(o) < 0 }

// After reports whether d comes after o.
func (d Date) After(o Date) bool { return d.Compare(o) > 0 }

// Weekday is the day of the week of d.
func (d Date) Weekday() time.Weekday { return d.utc().Weekday() }

// At is the instant at which the wall clock of loc shows t on day d.
//
// Where the clocks change it follows RFC 5545, section 3.3.5: a time that is
// skipped is read with the offset in force before the change (02:30 in a gap
// of one hour becomes 03:30), and a time that occurs twice means the first.
func (d Date) At(t TimeOfDay, loc *time.Location) time.Time {
	wall := time.Date(d.Year, d.Month, d.Day, 0, int(t), 0, 0, time.UTC)
	// The offsets in force a day to either side bracket any change here.
	_, before := wall.Add(-24 * time.Hour).In(loc).Zone()
	_, after := wall.Add(24 * time.Hour).In(loc).Zone()
	early := wall.Add(-time.Duration(before) * time.Second).In(loc)
	if before == after || shows(early, wall) {
		return early
	}
	if late := wall.Add(-time.Duration(after) * time.Second).In(loc); shows(late, wall) {
		return late
	}
	return early
}

// String is the ISO 8601 form, or "" for the zero Date.
func (d Date) String() string {
	if d.IsZero() {
		return ""
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.Year, d.Month, d.Day)
}

// MarshalText writes the ISO 8601 form.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads the ISO 8601 form; empty text is the zero Date.
func (d *Date) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		*d = Date{}
		return nil
	}
	v, err := ParseDate(string(b))
	if err != nil {
		return err
	}
	*d = v
	return nil
}

func (d Date) utc() time.Time { return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC) }

func shows(t, wall time.Time) bool {
	return DateOf(t) == DateOf(wall) && t.Hour() == wall.Hour() && t.Minute() == wall.Minute()
}

// ParseTimeOfDay reads HH:MM on the 24-hour clock, 00:00 to 23:59.
func ParseTimeOfDay(s string) (TimeOfDay, error) {
	t, err := time.Parse("15:04", s)
	if err != nil || len(s) != len("15:04") {
		return 0, fmt.Errorf("%q is not a time of day: write it as 08:00 or 22:30", s)
	}
	return TimeOfDayOf(t), nil
}

// MustTime is ParseTimeOfDay for constants in tables and tests; it panics on a
// bad one.
func MustTime(s string) TimeOfDay {
	t, err := ParseTimeOfDay(s)
	if err != nil {
		panic(err)
	}
	return t
}

// TimeOfDayOf is the wall-clock time that t shows in t's own location, to the
// minute.
func TimeOfDayOf(t time.Time) TimeOfDay { return TimeOfDay(t.Hour()*60 + t.Minute()) }

// String is HH:MM on the 24-hour clock.
func (t TimeOfDay) String() string { return fmt.Sprintf("%02d:%02d", int(t)/60, int(t)%60) }

// MarshalText writes HH:MM.
func (t TimeOfDay) MarshalText() ([]byte, error) { return []byte(t.String()), nil }

// UnmarshalText reads HH:MM.
func (t *TimeOfDay) UnmarshalText(b []byte) error {
	v, err := ParseTimeOfDay(string(b))
	if err != nil {
		return err
	}
	*t = v
	return nil
}
