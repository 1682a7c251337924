package audit

import "time"

// Day is a day of the calendar, counted from 1970-01-01. It has no zone.
type Day int

// DayOf is the day of t on the wall calendar of zone.
func DayOf(t time.Time, zone *time.Location) Day {
	y, m, d := t.In(zone).Date()
	return Day(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

// ParseDay reads 2026-03-02; false when it is none.
func ParseDay(s string) (Day, bool) {
	t, err := time.Parse(time.DateOnly, s)
	return Day(t.Unix() / 86400), err == nil
}

func (d Day) date() time.Time { return time.Unix(int64(d)*86400, 0).UTC() }

// String is the day as 2026-03-02.
func (d Day) String() string { return d.date().Format(time.DateOnly) }

// Weekday is its day of the week.
func (d Day) Weekday() time.Weekday { return d.date().Weekday() }

// At is the instant at which the wall clock of zone shows minute after midnight.
func (d Day) At(minute int, zone *time.Location) time.Time {
	y, m, day := d.date().Date()
	return time.Date(y, m, day, minute/60, minute%60, 0, 0, zone)
}

// Clinic is when the rehearsed clinic works and what it has promised, as its
// people know it. Times of day are minutes after midnight on its wall clock.
type Clinic struct {
	Zone      *time.Location
	Open, Lab [7]bool      // by time.Weekday
	Closed    map[Day]bool // holidays and other days on which nobody works
	// CutOff: a full flow that starts before it counts as that day.
	CutOff int
	// Eve is when she is reminded of tomorrow's visit.
	Eve int
	// QuietFrom and QuietTo are her night; Morning is when what could wait is
	// looked at.
	QuietFrom, QuietTo, Morning int
	// Tablets is the hour by which a tablet of the day is asked after, Hormones how
	// long after its minute a dose of progesterone is, Trigger the same for the
	// trigger.
	Tablets           int
	Hormones, Trigger time.Duration
	// Rings are how long a case that nobody has may at most stay silent, by urgency.
	Rings map[string]time.Duration
}

// Works reports whether patients are seen on d.
func (c Clinic) Works(d Day) bool { return c.Open[d.Weekday()] && !c.Closed[d] }

// Thaws reports whether an embryo can be transferred on d.
func (c Clinic) Thaws(d Day) bool { return c.Lab[d.Weekday()] && !c.Closed[d] }

// DayOne is cycle day one for a full flow that started at t.
func (c Clinic) DayOne(t time.Time) Day {
	d := DayOf(t, c.Zone)
	if minuteOf(t, c.Zone) >= c.CutOff {
		d++
	}
	return d
}

func minuteOf(t time.Time, zone *time.Location) int {
	t = t.In(zone)
	return t.Hour()*60 + t.Minute()
}

// Nearest is the day nearest to best within from..to that suits, the earlier on
// a tie; false when none does.
func Nearest(from, best, to Day, suits func(Day) bool) (Day, bool) {
	for n := Day(0); n <= max(best-from, to-best); n++ {
		for _, d := range []Day{best - n, best + n} {
			if d >= from && d <= to && suits(d) {
				return d, true
			}
		}
	}
	return 0, false
}

// quiet reports whether t lies in her night.
func (c Clinic) quiet(t time.Time) bool {
	m := minuteOf(t, c.Zone)
	return m >= c.QuietFrom || m < c.QuietTo
}
