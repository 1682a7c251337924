package plan

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/rickar/cal/v2"
	"github.com/rickar/cal/v2/ar"
	austria "github.com/rickar/cal/v2/at"
	"github.com/rickar/cal/v2/be"
	"github.com/rickar/cal/v2/br"
	"github.com/rickar/cal/v2/ca"
	"github.com/rickar/cal/v2/ch"
	"github.com/rickar/cal/v2/de"
	"github.com/rickar/cal/v2/dk"
	"github.com/rickar/cal/v2/es"
	"github.com/rickar/cal/v2/fr"
	"github.com/rickar/cal/v2/gb"
	"github.com/rickar/cal/v2/ie"
	"github.com/rickar/cal/v2/it"
	"github.com/rickar/cal/v2/nl"
	"github.com/rickar/cal/v2/no"
	"github.com/rickar/cal/v2/nz"
	"github.com/rickar/cal/v2/pl"
	"github.com/rickar/cal/v2/se"
	"github.com/rickar/cal/v2/us"
	"github.com/rickar/cal/v2/za"

	"handrail.example/reminders/civil"
)

// HolidayCalendar says which holidays of a country the clinic keeps, in every year.
// What a country's calendar lacks, and what the clinic keeps by itself, stands in a
// list of days beside it.
type HolidayCalendar struct {
	// Of is the country by its code (us, es); "" for none.
	Of string `yaml:"of"`
	// Days are the holidays that are kept, by the names that the calendar has for
	// them; none for all of them.
	Days []string `yaml:"days"`
}

// countries are the calendars that can be named.
var countries = map[string][]*cal.Holiday{
	"ar": ar.Holidays, "at": austria.Holidays, "be": be.Holidays, "br": br.Holidays, "ca": ca.Holidays, "ch": ch.Holidays, "de": de.Holidays,
	"dk": dk.Holidays, "es": es.Holidays, "fr": fr.Holidays, "gb": gb.Holidays, "ie": ie.Holidays, "it": it.Holidays, "nl": nl.Holidays,
	"no": no.Holidays, "nz": nz.Holidays, "pl": pl.Holidays, "se": se.Holidays, "us": us.Holidays, "za": za.Holidays,
}

// The parts of the clinic that can be closed for a day.
const (
	// WholeClinic: nobody is seen and nothing is transferred.
	WholeClinic ClosedPart = "clinic"
	// LabOnly: the laboratory rests, patients are seen.
	LabOnly ClosedPart = "lab"
)

// ClosedPart is what of the clinic is closed.
type ClosedPart string

// ClosedDay is a day that was closed after the policy had been written: a storm, an
// illness.
type ClosedDay struct {
	On   civil.Date
	Part ClosedPart
}

// kept is the calendar's holidays that these opening days make days off. A holiday is
// kept on its day; where the clinic does not open on that weekday anyway, also on the
// day that the calendar has it observed on.
func (h HolidayCalendar) kept(open []Weekday) map[civil.Date]bool {
	if h.Of == "" {
		return nil
	}
	key := fmt.Sprint(h.Of, "/", strings.Join(h.Days, "/"), "/", open)
	if known, ok := reckoned.Load(key); ok {
		return known.(map[civil.Date]bool)
	}
	days := make(map[civil.Date]bool)
	for _, holiday := range countries[h.Of] {
		if len(h.Days) > 0 && !slices.Contains(h.Days, holiday.Name) {
			continue
		}
		for year := minYear; year <= maxYear; year++ {
			addHoliday(days, holiday, year, open)
		}
	}
	reckoned.Store(key, days)
	return days
}

// reckoned remembers what a calendar comes to: it is asked for with every plan.
var reckoned sync.Map

func addHoliday(days map[civil.Date]bool, holiday *cal.Holiday, year int, open []Weekday) {
	actual, observed := holiday.Calc(year)
	if actual.IsZero() {
		return
	}
	days[civil.DateOf(actual)] = true
	if !slices.Contains(open, Weekday(actual.Weekday())) {
		days[civil.DateOf(observed)] = true
	}
}

// DaysOff are the holidays of the policy, its calendar's and its own, on which nobody
// works. Days that were closed later are not among them.
func (p Policy) DaysOff() map[civil.Date]bool {
	days := maps.Clone(p.Opening.Calendar.kept(p.Opening.Days))
	if days == nil {
		days = make(map[civil.Date]bool)
	}
	for _, h := range p.Opening.Holidays {
		days[h.On] = true
	}
	return days
}

// WithClosed is the policy with days that were closed since it was written.
func (p Policy) WithClosed(days []ClosedDay) Policy {
	p.Closed = slices.Concat(p.Closed, days)
	return p
}

// check names a country or a holiday that no calendar has.
func (h HolidayCalendar) check(fs *Faults) {
	if h.Of == "" {
		return
	}
	oneOf(fs, "opening.calendar.of", h.Of, sortedKeys(countries))
	var names []string
	for _, holiday := range countries[h.Of] {
		names = append(names, holiday.Name)
	}
	for i, day := range h.Days {
		if len(names) > 0 {
			oneOf(fs, fmt.Sprintf("opening.calendar.days[%d]", i), day, names)
		}
	}
}

// Slots are the places of one sort of visit on an open day.
type Slots struct {
	// From and To bound the wall clock, To exclusive, as far as the clinic is open then;
	// Every is how far apart they begin.
	From  civil.TimeOfDay `yaml:"from"`
	To    civil.TimeOfDay `yaml:"to"`
	Every time.Duration   `yaml:"every"`
	// Rooms is how many are seen at the same minute; 0 where only the day is counted.
	Rooms int `yaml:"rooms"`
	// PerDay is how many a day takes; 0 for as many as the slots hold.
	PerDay int `yaml:"per_day"`
}

// Room is how many patients a day takes, by what they come for.
type Room struct {
	// Monitoring are baselines and scans, Blood the draws for hCG. Of transfers the
	// number is Lab.TransfersPerDay.
	Monitoring Slots `yaml:"monitoring"`
	Blood      Slots `yaml:"blood"`
	Transfer   Slots `yaml:"transfer"`
}

func (p Policy) checkRoom(fs *Faults) {
	for _, s := range []struct {
		name string
		got  Slots
	}{{"monitoring", p.Room.Monitoring}, {"blood", p.Room.Blood}, {"transfer", p.Room.Transfer}} {
		s.got.check("room."+s.name, fs)
	}
	if m := p.Room.Monitoring; m.Rooms < 1 {
		fs.add("room.monitoring.rooms", m.Rooms, "must be 1 to 50")
	}
	if p.Room.Blood.PerDay < 1 {
		fs.add("room.blood.per_day", p.Room.Blood.PerDay, "must be 1 to 1000")
	}
	if p.Room.Transfer.PerDay != 0 {
		fs.add("room.transfer.per_day", p.Room.Transfer.PerDay, "must be left out: lab.transfers_per_day is the number of a day")
	}
}

func (s Slots) check(field string, fs *Faults) {
	if s.From >= s.To {
		fs.add(field+".to", s.To, fmt.Sprintf("must be later than %s, from", s.From))
	}
	if s.Every < time.Minute || s.Every > 4*time.Hour || s.Every%time.Minute != 0 {
		fs.add(field+".every", s.Every, "must be whole minutes, 1m to 4h")
	}
	within(fs, field+".rooms", s.Rooms, 0, 50)
	within(fs, field+".per_day", s.PerDay, 0, 1000)
}
