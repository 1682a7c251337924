package picture

import (
	"errors"
	"strings"
	"time"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Month is some weeks of a calendar, with what falls on their days listed below.
type Month struct {
	Title string `json:"title"`
	// Weekdays are the names above the columns; First is the day in the first cell,
	// as 2026-03-02, and Weeks how many rows follow, 1 to 8.
	Weekdays [7]string `json:"weekdays"`
	First    string    `json:"first"`
	Weeks    int       `json:"weeks"`
	Today    string    `json:"today"`
	Entries  []Entry   `json:"entries"`
	// Key explains the shapes; Foot stands under everything.
	Key  []KeyLine `json:"key,omitempty"`
	Foot string    `json:"foot,omitempty"`
}

// Kind is the shape by which an entry is marked.
type Kind string

// The kinds of entries.
const (
	Booked  Kind = "booked"  // a full square
	Planned Kind = "planned" // an empty square
	Done    Kind = "done"    // a tick
	Course  Kind = "course"  // a bar over days
)

// Entry is something on a day, or over days up to To.
type Entry struct {
	On   string `json:"on"`
	To   string `json:"to,omitempty"`
	Kind Kind   `json:"kind"`
	// When and What are its line in the list.
	When string `json:"when"`
	What string `json:"what"`
}

// KeyLine explains a shape.
type KeyLine struct {
	Kind Kind   `json:"kind"`
	Says string `json:"says"`
}

const (
	monthWidth           = 6 * vg.Inch
	margin     vg.Length = 14
	cellHeight vg.Length = 52
	lineHeight vg.Length = 21
	headHeight vg.Length = 62
	mostLines            = 14
)

func day(s string) (time.Time, error) { return time.Parse(time.DateOnly, s) }

func (m *Month) check() error {
	if _, err := day(m.First); err != nil || m.Weeks < 1 || m.Weeks > 8 {
		return errors.New("a month needs a first day and 1 to 8 weeks")
	}
	for _, e := range m.Entries {
		if _, err := day(e.On); err != nil {
			return errors.New("an entry of a month needs a day")
		}
	}
	return nil
}

func (m *Month) lines() int { return min(len(m.Entries), mostLines) }

func (m *Month) size() (vg.Length, vg.Length) {
	below := vg.Length(m.lines()+2) * lineHeight
	return monthWidth, headHeight + vg.Length(m.Weeks)*cellHeight + below + 2*margin
}

// Alt lists everything that is marked.
func (m *Month) Alt() string {
	rows := []string{m.Title}
	for _, e := range m.Entries {
		rows = append(rows, e.When+": "+e.What+m.planned(e))
	}
	if m.Foot != "" {
		rows = append(rows, m.Foot)
	}
	return strings.Join(rows, "\n")
}

// planned says of an entry what its empty square says.
func (m *Month) planned(e Entry) string {
	for _, k := range m.Key {
		if k.Kind == Planned && e.Kind == Planned {
			return " (" + k.Says + ")"
		}
	}
	return ""
}

// sheet is a month being drawn.
type sheet struct {
	*Month
	c         draw.Canvas
	first     time.Time
	left, top vg.Length
	cell      vg.Length
}

func (m *Month) draw(c draw.Canvas) error {
	first, err := day(m.First)
	if err != nil {
		return err
	}
	s := sheet{Month: m, c: c, first: first, left: c.Min.X + margin, top: c.Max.Y - headHeight}
	s.cell = (c.Max.X - c.Min.X - 2*margin) / 7
	s.head()
	s.grid()
	on := map[string]int{}
	for i, e := range m.Entries {
		s.mark(e, on)
		if i < m.lines() {
			s.list(i, e)
		}
	}
	s.foot()
	return nil
}

func (s sheet) head() {
	style := heading(20)
	s.c.FillText(style, vg.Point{X: s.left, Y: s.c.Max.Y - margin - 20}, fitted(style, s.Title, 7*s.cell))
	names := lettering(13, faint)
	names.XAlign = draw.XCenter
	for i, name := range s.Weekdays {
		s.c.FillText(names, vg.Point{X: s.left + (vg.Length(i)+0.5)*s.cell, Y: s.top + 5}, name)
	}
}

// corner is the lower left corner of the n-th cell.
func (s sheet) corner(n int) vg.Point {
	return vg.Point{X: s.left + vg.Length(n%7)*s.cell, Y: s.top - vg.Length(n/7+1)*cellHeight}
}

func box(at vg.Point, w, h vg.Length) []vg.Point {
	return []vg.Point{at, {X: at.X + w, Y: at.Y}, {X: at.X + w, Y: at.Y + h}, {X: at.X, Y: at.Y + h}, at}
}

func (s sheet) grid() {
	for n := range 7 * s.Weeks {
		at, date := s.corner(n), s.first.AddDate(0, 0, n)
		style := lettering(15, ink)
		if today := date.Format(time.DateOnly) == s.Today; today {
			s.c.FillPolygon(wash, box(at, s.cell, cellHeight))
			style = heading(15)
		}
		s.c.StrokeLines(draw.LineStyle{Color: hair, Width: 0.7}, box(at, s.cell, cellHeight))
		s.c.FillText(style, vg.Point{X: at.X + 4, Y: at.Y + cellHeight - 18}, date.Format("2"))
	}
}

// place is the number of a day's cell, false where it has none.
func (s sheet) place(on string) (int, bool) {
	d, err := day(on)
	n := int(d.Sub(s.first) / (24 * time.Hour)) // days of UTC are 24 hours long
	return n, err == nil && !d.Before(s.first) && n < 7*s.Weeks
}

const square vg.Length = 15

// mark puts an entry into the grid; on counts the marks of each day, of which two
// stand one above the other.
func (s sheet) mark(e Entry, on map[string]int) {
	if e.Kind == Course {
		s.bar(e)
		return
	}
	if n, ok := s.place(e.On); ok && on[e.On] < 2 {
		at := s.corner(n)
		at.X += s.cell - square - 6
		at.Y += cellHeight - square - 6 - vg.Length(on[e.On])*(square+3)
		s.shape(e.Kind, at)
		on[e.On]++
	}
}

// shape draws the mark of a kind with its lower left corner at a point.
func (s sheet) shape(k Kind, at vg.Point) {
	line := draw.LineStyle{Color: ink, Width: 1.6}
	switch k {
	case Booked:
		s.c.FillPolygon(ink, box(at, square, square))
	case Planned:
		s.c.StrokeLines(line, box(at, square, square))
	case Done:
		line.Width = 2.2
		s.c.StrokeLines(line, []vg.Point{{X: at.X + 1, Y: at.Y + square/2}, {X: at.X + square/2.5, Y: at.Y + 2}, {X: at.X + square, Y: at.Y + square - 1}})
	case Course:
		s.c.FillPolygon(faint, box(vg.Point{X: at.X - 2, Y: at.Y + square/3}, square+4, 6))
	}
}

// bar marks every day of a course at the foot of its cell.
func (s sheet) bar(e Entry) {
	from, err := day(e.On)
	if err != nil {
		return
	}
	to, err := day(e.To)
	if err != nil {
		to = from
	}
	for n := range 7 * s.Weeks {
		if d := s.first.AddDate(0, 0, n); !d.Before(from) && !d.After(to) {
			s.c.FillPolygon(faint, box(vg.Point{X: s.corner(n).X, Y: s.corner(n).Y + 4}, s.cell, 6))
		}
	}
}

// lineAt is where the n-th line under the grid stands.
func (s sheet) lineAt(n int) vg.Point {
	return vg.Point{X: s.left, Y: s.top - vg.Length(s.Weeks)*cellHeight - vg.Length(n+1)*lineHeight - 4}
}

func (s sheet) list(n int, e Entry) {
	at := s.lineAt(n)
	s.shape(e.Kind, vg.Point{X: at.X + 1, Y: at.Y + 1})
	when, what := heading(13), lettering(13, ink)
	x := at.X + square + 8
	s.c.FillText(when, vg.Point{X: x, Y: at.Y}, e.When)
	x += when.Width(e.When) + 7
	s.c.FillText(what, vg.Point{X: x, Y: at.Y}, fitted(what, e.What, s.left+7*s.cell-x))
}

// foot explains the shapes in one line, and ends with another.
func (s sheet) foot() {
	n := s.lines()
	style := lettering(11, faint)
	at := s.lineAt(n)
	at.Y -= 6
	for _, k := range s.Key {
		s.shape(k.Kind, vg.Point{X: at.X + 1, Y: at.Y})
		at.X += square + 6
		s.c.FillText(style, at, k.Says)
		at.X += style.Width(k.Says) + 14
	}
	at = s.lineAt(n + 1)
	at.Y -= 8
	s.c.FillText(style, at, fitted(style, s.Foot, 7*s.cell))
}
