package civil

import (
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/soniakeys/meeus/v3/julian"
	"github.com/teambition/rrule-go"
	"pgregory.net/rapid"
)

// jd is the Julian day number of d at noon, by the algorithm of Meeus,
// Astronomical Algorithms, chapter 7, which shares nothing with package time.
func jd(d Date) int {
	return int(julian.CalendarGregorianToJD(d.Year, int(d.Month), float64(d.Day)+0.5))
}

func anyDate(t *rapid.T, label string) Date {
	return Date{1990, 1, 1}.AddDays(rapid.IntRange(0, 40000).Draw(t, label))
}

func TestDaysAgainstJulianDays(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		d, n := anyDate(t, "day"), rapid.IntRange(-5000, 5000).Draw(t, "days")
		e := d.AddDays(n)
		if got := jd(e) - jd(d); got != n {
			t.Fatalf("%s + %d days = %s, which is %d days by Julian days", d, n, e, got)
		}
		if got := e.DaysSince(d); got != n {
			t.Fatalf("%s since %s: got %d, want %d", e, d, got, n)
		}
		if got, want := int(e.Weekday()), julian.DayOfWeek(float64(jd(e))+0.5-1); got != want {
			t.Fatalf("%s: got weekday %d, want %d", e, got, want)
		}
		y, m, day := julian.JDToCalendar(float64(jd(e)))
		if e != (Date{y, time.Month(m), int(day)}) {
			t.Fatalf("%s: by Julian days %d-%d-%v", e, y, m, day)
		}
	})
}

// TestEveryDayOfFourCenturies walks one whole period of the Gregorian calendar.
func TestEveryDayOfFourCenturies(t *testing.T) {
	t.Parallel()
	first := Date{1900, time.January, 1}
	d, start := first, jd(first)
	for n := range 146097 {
		if jd(d) != start+n {
			t.Fatalf("day %d: %s has Julian day %d, want %d", n, d, jd(d), start+n)
		}
		d = d.AddDays(1)
	}
	if d != (Date{2300, time.January, 1}) {
		t.Errorf("after 146097 days: got %s, want 2300-01-01", d)
	}
}

func TestParseDate(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ text, want string }{
		{"2026-03-02", "2026-03-02"}, {"2028-02-29", "2028-02-29"}, {"2000-02-29", "2000-02-29"},
		{"2027-02-29", ""}, {"1900-02-29", ""}, {"2026-13-01", ""}, {"2026-3-2", ""}, {"03/04/2026", ""},
		{"2026-03-02T08:00", ""}, {"", ""}, {"0000-00-00", ""}, {"+2026-03-02", ""},
	} {
		d, err := ParseDate(c.text)
		if d.String() != c.want || (err == nil) != (c.want != "") {
			t.Errorf("%q: got %s, %v, want %q", c.text, d, err, c.want)
		}
	}
}

func TestParseTimeOfDay(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		text string
		want int
	}{{"00:00", 0}, {"08:05", 485}, {"23:59", 1439}, {"24:00", -1}, {"8:00", -1}, {"08:60", -1}, {"08:00:00", -1}, {"", -1}, {"8 am", -1}} {
		got, err := ParseTimeOfDay(c.text)
		if c.want < 0 {
			if err == nil {
				t.Errorf("%q: got %s, want an error", c.text, got)
			}
			continue
		}
		if err != nil || int(got) != c.want || got.String() != c.text {
			t.Errorf("%q: got %d %v, want %d", c.text, got, err, c.want)
		}
	}
}

// TestAtWhenClocksChange follows RFC 5545, section 3.3.5: a skipped time is
// read with the offset before the change, a repeated one is the first.
func TestAtWhenClocksChange(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, zone, day, time, want string }{
		{"plain", "America/Chicago", "2026-03-02", "08:15", "2026-03-02T08:15:00-06:00"},
		{"skipped hour", "America/Chicago", "2026-03-08", "02:30", "2026-03-08T03:30:00-05:00"},
		{"just before it", "America/Chicago", "2026-03-08", "01:59", "2026-03-08T01:59:00-06:00"},
		{"just after it", "America/Chicago", "2026-03-08", "03:00", "2026-03-08T03:00:00-05:00"},
		{"repeated hour", "America/Chicago", "2026-11-01", "01:30", "2026-11-01T01:30:00-05:00"},
		{"after the repeated hour", "America/Chicago", "2026-11-01", "02:00", "2026-11-01T02:00:00-06:00"},
		{"skipped midnight", "America/Santiago", "2026-09-06", "00:30", "2026-09-06T01:30:00-03:00"},
		{"a change of half an hour", "Australia/Lord_Howe", "2026-10-04", "02:15", "2026-10-04T02:45:00+11:00"},
		{"a zone without changes", "Pacific/Honolulu", "2026-03-08", "02:30", "2026-03-08T02:30:00-10:00"},
		{"a quarter-hour zone", "Asia/Kathmandu", "2026-03-08", "02:30", "2026-03-08T02:30:00+05:45"},
		{"far ahead", "Pacific/Kiritimati", "2026-12-31", "23:59", "2026-12-31T23:59:00+14:00"},
	} {
		loc, err := time.LoadLocation(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		if got := MustDate(c.day).At(MustTime(c.time), loc).Format(time.RFC3339); got != c.want {
			t.Errorf("%s: got %s, want %s", c.name, got, c.want)
		}
	}
}

var zones = []string{"America/Chicago", "America/New_York", "Europe/Madrid", "America/Santiago", "Australia/Lord_Howe",
	"Asia/Kathmandu", "Pacific/Auckland", "Africa/Casablanca", "UTC"}

// TestDailyTimesAgainstRecurrenceRules: a dose at one time of day for ninety
// days is what FREQ=DAILY gives in the same zone, for times that no change of
// the clocks skips or repeats.
func TestDailyTimesAgainstRecurrenceRules(t *testing.T) {
	t.Parallel()
	for _, zone := range zones {
		loc, err := time.LoadLocation(zone)
		if err != nil {
			t.Fatal(err)
		}
		for _, start := range []string{"2026-02-10", "2026-09-15", "2027-12-20", "2028-02-01"} {
			first := MustDate(start)
			rule, err := rrule.NewRRule(rrule.ROption{Freq: rrule.DAILY, Count: 90, Dtstart: first.At(MustTime("20:00"), loc)})
			if err != nil {
				t.Fatal(err)
			}
			for n, want := range rule.All() {
				if got := first.AddDays(n).At(MustTime("20:00"), loc); !got.Equal(want) {
					t.Errorf("%s, day %d from %s: got %s, want %s", zone, n, start, got, want)
				}
			}
		}
	}
}

func TestAtShowsItsWallClock(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		loc, err := time.LoadLocation(rapid.SampledFrom(zones).Draw(t, "zone"))
		if err != nil {
			t.Fatal(err)
		}
		d := anyDate(t, "day")
		at := TimeOfDay(rapid.IntRange(0, 1439).Draw(t, "time"))
		got := d.At(at, loc)
		shown, day := TimeOfDayOf(got), DateOf(got)
		late := int(shown) - int(at) + 1440*day.DaysSince(d)
		if late < 0 || late > 180 {
			t.Fatalf("%s %s in %s: got %s", d, at, loc, got)
		}
		if late == 0 {
			if before := got.Add(-time.Hour); TimeOfDayOf(before) == at && DateOf(before) == d {
				t.Fatalf("%s %s in %s: got %s, but it showed that an hour before", d, at, loc, got)
			}
		}
	})
}

func TestText(t *testing.T) {
	t.Parallel()
	var d Date
	if err := d.UnmarshalText([]byte("2028-02-29")); err != nil || d.String() != "2028-02-29" {
		t.Errorf("got %s, %v", d, err)
	}
	if err := d.UnmarshalText(nil); err != nil || !d.IsZero() || d.String() != "" {
		t.Errorf("empty text: got %s, %v, want no date", d, err)
	}
	if err := d.UnmarshalText([]byte("soon")); err == nil {
		t.Error("soon: got no error")
	}
	var at TimeOfDay
	if err := at.UnmarshalText([]byte("22:30")); err != nil || at != 1350 {
		t.Errorf("got %s, %v", at, err)
	}
	b, err := at.MarshalText()
	if err != nil || string(b) != "22:30" {
		t.Errorf("got %s, %v", b, err)
	}
	if !(Date{}).Before(MustDate("0001-01-01")) && (Date{}).Compare(MustDate("2026-01-01")) >= 0 {
		t.Error("no date does not order before every other")
	}
}

func FuzzParseDate(f *testing.F) {
	for _, s := range []string{"2026-03-02", "2028-02-29", "", "2026-1-1", "9999-12-31", "0000-01-01"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		d, err := ParseDate(s)
		if err == nil && d.String() != s {
			t.Errorf("%q reads as %s", s, d)
		}
		if at, err := ParseTimeOfDay(s); err == nil && at.String() != s {
			t.Errorf("%q reads as %s", s, at)
		}
	})
}
