package picture

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Load is how full the days ahead are: a panel for each sort of visit, a bar for each
// day. What is certain is dark, what is expected besides is light, a thin line reaches
// to how many it may well become.
type Load struct {
	Title string `json:"title"`
	// Certain, Expected and Reach name the parts of a bar, Shut a day on which
	// nobody is seen, Over the figures above bars.
	Certain  string `json:"certain"`
	Expected string `json:"expected"`
	Reach    string `json:"reach"`
	Shut     string `json:"shut"`
	Over     string `json:"over"`
	// Days are the names of the days, in order, the same for every panel.
	Days   []DayName `json:"days"`
	Panels []Panel   `json:"panels"`
}

// DayName is a day below its bar, and in the words for those who cannot see it.
type DayName struct {
	Short string `json:"s"`
	Long  string `json:"l"`
}

// Panel is one sort of visit.
type Panel struct {
	Name string `json:"name"`
	// Limit is for how many there is room, 0 for no line; Room says so.
	Limit int    `json:"limit,omitempty"`
	Room  string `json:"room,omitempty"`
	Bars  []Bar  `json:"bars"`
}

// Bar is a day. Its names are short where it is kept.
type Bar struct {
	// Certain and Expected are numbers of patients, Expected with the certain ones.
	Certain  float64 `json:"c,omitempty"`
	Expected float64 `json:"e,omitempty"`
	Reach    float64 `json:"r,omitempty"`
	Shut     bool    `json:"s,omitempty"`
	// Over is the chance that there is not room for all, in figures; "" for none
	// worth saying.
	Over string `json:"o,omitempty"`
}

const (
	panelHeight vg.Length = 150
	loadHead    vg.Length = 92
)

func (l *Load) size() (vg.Length, vg.Length) {
	return chartWidth, loadHead + vg.Length(len(l.Panels))*panelHeight + margin
}

func (l *Load) check() error {
	if len(l.Panels) == 0 || len(l.Panels) > 6 {
		return errors.New("a load needs 1 to 6 panels")
	}
	for _, p := range l.Panels {
		if len(p.Bars) == 0 || len(p.Bars) > 60 || len(p.Bars) != len(l.Days) || p.Limit < 0 {
			return errors.New("a panel of a load needs 1 to 60 days, each with its name")
		}
		for _, b := range p.Bars {
			for _, v := range []float64{b.Certain, b.Expected, b.Reach} {
				if math.IsNaN(v) || v < 0 || v > 1e6 {
					return errors.New("a day of a load needs 0 to 1000000 patients")
				}
			}
		}
	}
	return nil
}

// Alt says every day on which somebody is expected.
func (l *Load) Alt() string {
	rows := []string{l.Title}
	for _, p := range l.Panels {
		rows = append(rows, strings.TrimSuffix(p.Name+": "+p.Room, ": "))
		for i, b := range p.Bars {
			if row := l.words(l.Days[i].Long, b); row != "" {
				rows = append(rows, row)
			}
		}
	}
	return strings.Join(rows, "\n")
}

func (l *Load) words(day string, b Bar) string {
	if b.Expected < 0.05 && b.Reach == 0 {
		return ""
	}
	row := fmt.Sprintf("%s: %.1f (%s %.0f, %s %.0f)", day, b.Expected, l.Certain, b.Certain, l.Reach, b.Reach)
	if b.Shut {
		row += ", " + l.Shut
	}
	if b.Over != "" {
		row += ", " + l.Over + " " + b.Over + " %"
	}
	return row
}

func (l *Load) draw(c draw.Canvas) error {
	top := c.Max.Y - margin
	head := heading(17)
	head.YAlign = draw.YTop
	c.FillText(head, vg.Point{X: c.Min.X + margin, Y: top}, fitted(head, l.Title, c.Max.X-c.Min.X-2*margin))
	l.key(c, top-42)
	top = c.Max.Y - loadHead
	for _, p := range l.Panels {
		panel{p, l.Days, draw.Canvas{Canvas: c.Canvas, Rectangle: vg.Rectangle{
			Min: vg.Point{X: c.Min.X + margin + 24, Y: top - panelHeight + 34}, Max: vg.Point{X: c.Max.X - margin, Y: top - 22}}}}.draw()
		top -= panelHeight
	}
	return nil
}

// key explains the parts of a bar, in two rows.
func (l *Load) key(c draw.Canvas, y vg.Length) {
	at := vg.Point{X: c.Min.X + margin, Y: y}
	small := lettering(11, ink)
	for i, k := range []struct {
		says string
		mark func(x, y vg.Length)
	}{
		{l.Certain, func(x, y vg.Length) { block(c, x, y, 10, 10, true) }},
		{l.Expected, func(x, y vg.Length) { block(c, x, y, 10, 10, false) }},
		{strings.TrimSuffix(l.Reach, ":"), func(x, y vg.Length) { c.StrokeLine2(draw.LineStyle{Color: ink, Width: 1}, x+5, y, x+5, y+10) }},
		{l.Shut, func(x, y vg.Length) { cross(c, x, y, 10, 10) }},
		{"% " + l.Over, func(vg.Length, vg.Length) {}},
	} {
		if i == 3 {
			at = vg.Point{X: c.Min.X + margin, Y: y - 16}
		}
		k.mark(at.X, at.Y)
		if i < 4 {
			at.X += 14
		}
		c.FillText(small, at, k.says)
		at.X += small.Width(k.says) + 14
	}
}

// panel is a panel being drawn, on the canvas of its bars.
type panel struct {
	Panel
	days []DayName
	c    draw.Canvas
}

func (p panel) draw() {
	most := float64(p.Limit) * 1.15
	for _, b := range p.Bars {
		most = max(most, b.Reach, b.Expected)
	}
	most = max(most, 2)
	name, c := lettering(12, ink), p.c
	c.FillText(name, vg.Point{X: c.Min.X - 24, Y: c.Max.Y + 16}, fitted(name, strings.TrimSuffix(p.Name+": "+p.Room, ": "), c.Max.X-c.Min.X+24))
	y := func(v float64) vg.Length { return c.Min.Y + vg.Length(v/most)*(c.Max.Y-c.Min.Y) }
	wide := (c.Max.X - c.Min.X) / vg.Length(len(p.Bars))
	for i, b := range p.Bars {
		p.name(p.days[i].Short, c.Min.X+vg.Length(i)*wide, wide)
		p.bar(b, c.Min.X+vg.Length(i)*wide, wide, y)
	}
	c.StrokeLine2(draw.LineStyle{Color: ink, Width: 1}, c.Min.X, c.Min.Y, c.Max.X, c.Min.Y)
	p.mark(fmt.Sprintf("%.0f", most), y(most))
	p.mark("0", c.Min.Y)
	if p.Limit > 0 {
		at := y(float64(p.Limit))
		c.StrokeLine2(draw.LineStyle{Color: ink, Width: 1.4, Dashes: dashed}, c.Min.X, at, c.Max.X, at)
		p.mark(fmt.Sprint(p.Limit), at)
	}
}

// mark is a figure at the axis. The greatest one gives way to that of the limit.
func (p panel) mark(says string, y vg.Length) {
	if near := p.c.Max.Y - y; near == 0 && p.Limit > 0 {
		return
	}
	small := lettering(10, ink)
	small.XAlign, small.YAlign = draw.XRight, draw.YCenter
	p.c.FillText(small, vg.Point{X: p.c.Min.X - 4, Y: y}, says)
}

// letters are those of a column.
func (p panel) letters(wide vg.Length) (vg.Length, text.Style) {
	size := min(11, wide*0.62)
	label := lettering(size, ink)
	label.XAlign = draw.XCenter
	return size, label
}

// name is what a day is called, a word a line.
func (p panel) name(says string, x, wide vg.Length) {
	size, label := p.letters(wide)
	label.YAlign = draw.YTop
	for n, line := range strings.Split(says, " ") {
		p.c.FillText(label, vg.Point{X: x + wide/2, Y: p.c.Min.Y - 3 - vg.Length(n)*(size+1)}, line)
	}
}

func (p panel) bar(b Bar, x, wide vg.Length, y func(float64) vg.Length) {
	c, gap := p.c, wide/6
	if b.Shut {
		mark := min(10, wide-2*gap)
		cross(c, x+(wide-mark)/2, c.Min.Y, mark, 8)
	}
	if b.Expected > 0 {
		block(c, x+gap, c.Min.Y, wide-2*gap, y(b.Expected)-c.Min.Y, false)
	}
	if b.Certain > 0 {
		block(c, x+gap, c.Min.Y, wide-2*gap, y(b.Certain)-c.Min.Y, true)
	}
	if b.Reach > b.Expected {
		c.StrokeLine2(draw.LineStyle{Color: ink, Width: 1}, x+wide/2, y(b.Expected), x+wide/2, y(b.Reach))
	}
	if b.Over == "" {
		return
	}
	size, label := p.letters(wide)
	// Above the thin line, on white, so that no other line runs through it.
	top := min(y(max(b.Reach, b.Expected)), c.Max.Y-size)
	c.FillPolygon(sixteen[15], box(vg.Point{X: x, Y: top}, wide, size+1))
	c.FillText(label, vg.Point{X: x + wide/2, Y: top + 1}, b.Over)
}

// block is a full or a light rectangle with an edge.
func block(c draw.Canvas, x, y, wide, high vg.Length, full bool) {
	shade := hair
	if full {
		shade = ink
	}
	c.FillPolygon(shade, box(vg.Point{X: x, Y: y}, wide, high))
	c.StrokeLines(draw.LineStyle{Color: ink, Width: 0.7}, []vg.Point{{X: x, Y: y}, {X: x + wide, Y: y}, {X: x + wide, Y: y + high}, {X: x, Y: y + high}, {X: x, Y: y}})
}

// cross is the mark of a closed day.
func cross(c draw.Canvas, x, y, wide, high vg.Length) {
	style := draw.LineStyle{Color: faint, Width: 1}
	c.StrokeLine2(style, x, y, x+wide, y+high)
	c.StrokeLine2(style, x, y+high, x+wide, y)
}
