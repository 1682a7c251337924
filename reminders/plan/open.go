package plan

import (
	"time"

	"handrail.example/reminders/civil"
)

// room answers which days are open, by one policy. Its sets make each question
// one look-up.
type room struct {
	pol      Policy
	clinic   [7]bool
	lab      [7]bool
	feasts   map[civil.Date]bool // of the country's calendar
	holidays map[civil.Date]bool
	labOff   map[civil.Date]bool
	full     map[civil.Date]bool
	shut     map[civil.Date]ClosedPart
}

func newRoom(p Policy) room {
	r := room{pol: p, feasts: p.Opening.Calendar.kept(p.Opening.Days), holidays: map[civil.Date]bool{}, labOff: map[civil.Date]bool{},
		full: map[civil.Date]bool{}, shut: map[civil.Date]ClosedPart{}}
	for _, d := range p.Opening.Days {
		r.clinic[d] = true
	}
	for _, d := range p.Lab.Days {
		r.lab[d] = true
	}
	for _, h := range p.Opening.Holidays {
		r.holidays[h.On] = true
	}
	for _, h := range p.Lab.Holidays {
		r.labOff[h.On] = true
	}
	for _, d := range p.Lab.Full {
		r.full[d] = true
	}
	for _, d := range p.Closed {
		if r.shut[d.On] != WholeClinic {
			r.shut[d.On] = d.Part
		}
	}
	return r
}

// The reasons why a day cannot take a visit, as codes in words.yaml.
const (
	closedClinic  = "clinic closed"
	closedHoliday = "a holiday"
	closedLab     = "laboratory closed"
	closedFull    = "laboratory full"
	closedLately  = "closed for the day"
)

// clinicClosed is "" on an open day, else what is the matter.
func (r room) clinicClosed(d civil.Date) string {
	switch {
	case r.holidays[d] || r.feasts[d]:
		return closedHoliday
	case !r.clinic[d.Weekday()]:
		return closedClinic
	case r.shut[d] == WholeClinic:
		return closedLately
	}
	return ""
}

// labClosed is "" on a day with room for a transfer, else what is the matter.
func (r room) labClosed(d civil.Date) string {
	switch {
	case r.holidays[d] || r.feasts[d] || r.labOff[d]:
		return closedHoliday
	case !r.lab[d.Weekday()]:
		return closedLab
	case r.shut[d] != "":
		return closedLately
	case r.full[d]:
		return closedFull
	}
	return ""
}

// nearest is the day nearest to the preferred one within from..to that suits,
// the earlier on a tie; zero when none does.
func nearest(from, preferred, to civil.Date, suits func(civil.Date) bool) civil.Date {
	reach := max(preferred.DaysSince(from), to.DaysSince(preferred))
	for n := 0; n <= reach; n++ {
		for _, d := range []civil.Date{preferred.AddDays(-n), preferred.AddDays(n)} {
			if !d.Before(from) && !d.After(to) && suits(d) {
				return d
			}
		}
	}
	return civil.Date{}
}

// OpenClinic reports whether the clinic sees patients on d.
func (p Policy) OpenClinic(d civil.Date) bool { return newRoom(p).clinicClosed(d) == "" }

// OpenLab reports whether a transfer can be planned for d.
func (p Policy) OpenLab(d civil.Date) bool { return newRoom(p).labClosed(d) == "" }

// ClosedClinic is "" on a day on which patients are seen, else what keeps it from
// being one, as a word of the phrasebook.
func (p Policy) ClosedClinic(d civil.Date) string { return newRoom(p).clinicClosed(d) }

// ClosedLab is "" on a day on which a transfer can be planned, else what keeps it
// from being one, as a word of the phrasebook.
func (p Policy) ClosedLab(d civil.Date) string { return newRoom(p).labClosed(d) }

// Location is the clinic's zone.
func (p Policy) Location() *time.Location { return p.Clinic.Zone.Location }
