package plan

import (
	"strings"
	"testing"

	"handrail.example/reminders/civil"
)

// listedHolidays is the list that the invented clinic's policy had before it named a
// calendar: the six holidays that its staff keep, written down by hand from the dates
// that 5 U.S.C. 6103 gives, each on its own day, on the Monday after where that is a
// Sunday. From memory.
var listedHolidays = []Holiday{
	{civil.MustDate("2026-01-01"), "New Year's Day"}, {civil.MustDate("2026-05-25"), "Memorial Day"}, {civil.MustDate("2026-07-04"), "Independence Day"},
	{civil.MustDate("2026-09-07"), "Labor Day"}, {civil.MustDate("2026-11-26"), "Thanksgiving Day"}, {civil.MustDate("2026-12-25"), "Christmas Day"},
	{civil.MustDate("2027-01-01"), "New Year's Day"}, {civil.MustDate("2027-05-31"), "Memorial Day"}, {civil.MustDate("2027-07-05"), "Independence Day"},
	{civil.MustDate("2027-09-06"), "Labor Day"}, {civil.MustDate("2027-11-25"), "Thanksgiving Day"}, {civil.MustDate("2027-12-25"), "Christmas Day"},
	{civil.MustDate("2028-01-01"), "New Year's Day"}, {civil.MustDate("2028-05-29"), "Memorial Day"}, {civil.MustDate("2028-07-04"), "Independence Day"},
	{civil.MustDate("2028-09-04"), "Labor Day"}, {civil.MustDate("2028-11-23"), "Thanksgiving Day"}, {civil.MustDate("2028-12-25"), "Christmas Day"},
}

// TestTheCalendarGivesTheListedHolidays: on every day of three years the clinic and
// its laboratory are open as they were by the list.
func TestTheCalendarGivesTheListedHolidays(t *testing.T) {
	t.Parallel()
	byCalendar, byList := DefaultPolicy(), DefaultPolicy()
	byList.Opening.Calendar, byList.Opening.Holidays = HolidayCalendar{}, listedHolidays
	for d := civil.MustDate("2026-01-01"); d.Year < 2029; d = d.AddDays(1) {
		if got, want := byCalendar.OpenClinic(d), byList.OpenClinic(d); got != want {
			t.Errorf("clinic open on %s: got %v, want %v", d, got, want)
		}
		if got, want := byCalendar.OpenLab(d), byList.OpenLab(d); got != want {
			t.Errorf("laboratory open on %s: got %v, want %v", d, got, want)
		}
	}
}

// TestHolidaysOfYearsToCome: the fourth Thursday of November and the first Monday of
// September (5 U.S.C. 6103(a)) by counting, for as long as a date is plausible; in
// Spain the sixth of January and no Thanksgiving.
func TestHolidaysOfYearsToCome(t *testing.T) {
	t.Parallel()
	us, es := DefaultPolicy(), DefaultPolicy()
	es.Opening.Calendar = HolidayCalendar{Of: "es"}
	for year := 2026; year <= maxYear; year++ {
		thanks := nthWeekday(civil.Date{Year: year, Month: 11, Day: 1}, 4, 4)
		labor := nthWeekday(civil.Date{Year: year, Month: 9, Day: 1}, 1, 1)
		if us.ClosedClinic(thanks) != closedHoliday || us.ClosedClinic(labor) != closedHoliday {
			t.Errorf("%d: %s or %s is no holiday", year, thanks, labor)
		}
		if es.ClosedClinic(thanks) == closedHoliday || es.ClosedClinic(civil.Date{Year: year, Month: 1, Day: 6}) != closedHoliday {
			t.Errorf("%d: the holidays of Spain are others", year)
		}
	}
}

// nthWeekday is the nth of a weekday from the first of a month on.
func nthWeekday(first civil.Date, weekday, n int) civil.Date {
	for d := first; ; d = d.AddDays(1) {
		if int(d.Weekday()) == weekday {
			return d.AddDays(7 * (n - 1))
		}
	}
}

func TestClosedDays(t *testing.T) {
	t.Parallel()
	thursday := civil.MustDate("2026-03-12")
	for name, c := range map[string]struct {
		closed      []ClosedDay
		clinic, lab string
	}{
		"as ever":                 {nil, "", ""},
		"a storm":                 {[]ClosedDay{{thursday, WholeClinic}}, closedLately, closedLately},
		"the laboratory alone":    {[]ClosedDay{{thursday, LabOnly}}, "", closedLately},
		"the laboratory at first": {[]ClosedDay{{thursday, WholeClinic}, {thursday, LabOnly}}, closedLately, closedLately},
		"another day":             {[]ClosedDay{{thursday.AddDays(1), WholeClinic}}, "", ""},
	} {
		p := DefaultPolicy().WithClosed(c.closed)
		if got := p.ClosedClinic(thursday); got != c.clinic {
			t.Errorf("%s: clinic: got %q, want %q", name, got, c.clinic)
		}
		if got := p.ClosedLab(thursday); got != c.lab {
			t.Errorf("%s: laboratory: got %q, want %q", name, got, c.lab)
		}
	}
	if len(DefaultPolicy().WithClosed([]ClosedDay{{thursday, LabOnly}}).DaysOff()) != len(DefaultPolicy().DaysOff()) {
		t.Error("a day closed later counts as a holiday")
	}
}

func TestFaultsOfRoomAndCalendar(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ file, field string }{
		"no such country":      {`opening: {calendar: {of: atlantis}}`, "opening.calendar.of"},
		"another's holiday":    {`opening: {calendar: {of: es}}`, "opening.calendar.days[0]"},
		"slots end first":      {`room: {monitoring: {from: "09:00", to: "08:00"}}`, "room.monitoring.to"},
		"slots too close":      {`room: {monitoring: {every: 30s}}`, "room.monitoring.every"},
		"no room at all":       {`room: {monitoring: {rooms: 0}}`, "room.monitoring.rooms"},
		"no blood at all":      {`room: {blood: {per_day: 0}}`, "room.blood.per_day"},
		"two limits":           {`room: {transfer: {per_day: 3}}`, "room.transfer.per_day"},
		"closed days in files": {`closed: []`, "closed"},
	} {
		_, err := ParsePolicy([]byte(c.file))
		if err == nil || !strings.Contains(err.Error(), c.field) {
			t.Errorf("%s: got %v, want a fault at %s", name, err, c.field)
		}
	}
	for _, fine := range []string{`opening: {calendar: {of: es, days: []}}`, `opening: {calendar: {of: ""}}`, `opening: {from: "08:00", to: "12:00"}`} {
		if _, err := ParsePolicy([]byte(fine)); err != nil {
			t.Errorf("%s: %v", fine, err)
		}
	}
}
