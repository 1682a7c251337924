package desk

import (
	"slices"
	"strings"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/triage/care"
)

// cyclePicture is her cycle drawn to one scale: a row a step, a column a day.
type cyclePicture struct {
	Days, Width int // of the whole, in days and in units of the drawing
	Today       int // where today's line is, 0 for outside
	Weeks       []week
	Rows        []pictureRow
}

// week is where a week begins.
type week struct {
	X     int
	Label string // its Monday, as 03-09
}

// pictureRow is one step. The places are in units of the drawing.
type pictureRow struct {
	Name, When, Window, Status string
	Booked, Moved              bool
	WindowX, WindowWidth       int
	X                          int // its day; 0 where there is none
	Today, Width               int
	Reasons                    []string
	Conflict                   bool
}

// dayWide is how wide a day is drawn.
const dayWide = 7

// draw draws a plan.
func draw(p plan.Plan, today civil.Date, w care.Words) cyclePicture {
	var first, last civil.Date
	for _, s := range p.Steps {
		for _, d := range []civil.Date{s.From, s.On, s.To} {
			if d.IsZero() {
				continue
			}
			if first.IsZero() || d.Before(first) {
				first = d
			}
			if last.IsZero() || d.After(last) {
				last = d
			}
		}
	}
	if first.IsZero() {
		return cyclePicture{}
	}
	first, last = first.AddDays(-1), last.AddDays(2)
	pic := cyclePicture{Days: last.DaysSince(first), Width: last.DaysSince(first) * dayWide}
	at := func(d civil.Date) int { return d.DaysSince(first) * dayWide }
	if !today.Before(first) && !today.After(last) {
		pic.Today = at(today) + dayWide/2
	}
	for d := first.AddDays((8 - int(first.Weekday())) % 7); d.Before(last); d = d.AddDays(7) {
		pic.Weeks = append(pic.Weeks, week{at(d), d.String()[5:]})
	}
	for _, s := range p.Steps {
		pic.Rows = append(pic.Rows, rowOf(s, p, pic, at, w))
	}
	return pic
}

func rowOf(s plan.Step, p plan.Plan, pic cyclePicture, at func(civil.Date) int, w care.Words) pictureRow {
	row := pictureRow{Name: w.StepName(s.Name), Status: string(s.Status), Booked: s.Booked, Today: pic.Today, Width: pic.Width}
	if !s.From.IsZero() && !s.To.IsZero() {
		row.WindowX, row.WindowWidth = at(s.From), at(s.To)-at(s.From)+dayWide
		if s.From != s.To && s.Status != plan.Done {
			row.Window = "[" + s.From.String()[5:] + " – " + s.To.String()[5:] + "]"
		}
	}
	switch {
	case !s.At.IsZero():
		row.When = s.At.In(w.Zone).Format("2006-01-02 15:04")
	case !s.On.IsZero():
		row.When = s.On.String()
	}
	if !s.On.IsZero() {
		row.X = at(s.On) + dayWide/2
	}
	for _, r := range s.Reasons {
		row.Reasons = append(row.Reasons, w.Why(r))
		row.Moved = row.Moved || strings.HasPrefix(r.Code, "moved_") || strings.HasPrefix(r.Code, "paired_") || strings.HasPrefix(r.Code, "evening_moved")
	}
	row.Conflict = slices.ContainsFunc(p.Conflicts, func(k plan.Conflict) bool { return k.Key == s.Key && k.Key != "" })
	return row
}
