package picture

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Scans are follicles and lining over the days of a cycle, in mm.
type Scans struct {
	Title string `json:"title"`
	// Days names the horizontal axis, MM the vertical one; Lead, Others and Lining
	// what is drawn.
	Days   string `json:"days"`
	MM     string `json:"mm"`
	Lead   string `json:"lead"`
	Others string `json:"others"`
	Lining string `json:"lining"`
	Points []Scan `json:"points"`
	// Levels are lines across, such as the lining that a policy asks for.
	Levels []Level `json:"levels,omitempty"`
}

// Scan is what was seen on one day of the cycle.
type Scan struct {
	Day       int       `json:"day"`
	Follicles []float64 `json:"follicles,omitempty"`
	Lining    *float64  `json:"lining,omitempty"`
}

// Level is a line across a chart.
type Level struct {
	At   float64 `json:"at"`
	Says string  `json:"says"`
}

// HCG are values in IU/L by the time of the draw, on a logarithmic scale.
type HCG struct {
	Title string `json:"title"`
	// Value and Least name the two lines, IU the vertical axis.
	Value string  `json:"value"`
	Least string  `json:"least"`
	IU    string  `json:"iu"`
	Draws []Drawn `json:"draws"`
}

// Drawn is one value.
type Drawn struct {
	At    time.Time `json:"at"`
	Value float64   `json:"value"`
	// Day is its place on the axis in words.
	Day string `json:"day"`
	// Least is the smallest value that was to be expected at LeastAt, counted from
	// this one; 0 for none.
	Least   float64   `json:"least,omitempty"`
	LeastAt time.Time `json:"least_at,omitzero"`
}

const chartWidth, chartHeight = 6 * vg.Inch, 5.4 * vg.Inch

func (s *Scans) size() (vg.Length, vg.Length) { return chartWidth, chartHeight }
func (h *HCG) size() (vg.Length, vg.Length)   { return chartWidth, chartHeight }

func (s *Scans) check() error {
	seen := false
	for _, p := range s.Points {
		seen = seen || len(p.Follicles) > 0 || p.Lining != nil
		if !sound(p.Follicles...) || p.Lining != nil && !sound(*p.Lining) {
			return errors.New("a scan needs diameters of 0 to 1000 mm")
		}
	}
	if !seen {
		return errors.New("there is no scan to draw")
	}
	return nil
}

func (h *HCG) check() error {
	if len(h.Draws) == 0 {
		return errors.New("there is no hCG to draw")
	}
	for _, d := range h.Draws {
		if math.IsNaN(d.Value) || d.Value < 0 || d.Value > 1e9 || math.IsNaN(d.Least) || d.Least < 0 || d.Least > 1e12 || d.At.IsZero() {
			return errors.New("a value of hCG needs its time and 0 to 1000000000 IU/L")
		}
	}
	return nil
}

func sound(mm ...float64) bool {
	return !slices.ContainsFunc(mm, func(v float64) bool { return math.IsNaN(v) || v < 0 || v > 1000 })
}

// Alt lists the values.
func (s *Scans) Alt() string {
	rows := []string{s.Title}
	for _, p := range s.Points {
		row := fmt.Sprintf("%s %d:", s.Days, p.Day)
		if lead, others := split(p.Follicles); len(p.Follicles) > 0 {
			row += fmt.Sprintf(" %s %v mm", s.Lead, lead)
			if len(others) > 0 {
				row += fmt.Sprintf(", %s %s mm", s.Others, joined(others))
			}
		}
		if p.Lining != nil {
			row += fmt.Sprintf(" %s %v mm", s.Lining, *p.Lining)
		}
		rows = append(rows, row)
	}
	return strings.Join(rows, "\n")
}

// Alt lists the values and what was to be expected at least.
func (h *HCG) Alt() string {
	rows := []string{h.Title}
	for i, d := range h.Draws {
		row := fmt.Sprintf("%s: %v IU/L", d.Day, d.Value)
		if i > 0 && h.Draws[i-1].Least > 0 && h.Draws[i-1].LeastAt.Equal(d.At) {
			row += fmt.Sprintf(" (%s %.0f)", h.Least, h.Draws[i-1].Least)
		}
		rows = append(rows, row)
	}
	return strings.Join(rows, "\n")
}

func split(mm []float64) (lead float64, others []float64) {
	if len(mm) == 0 {
		return 0, nil
	}
	sorted := slices.Sorted(slices.Values(mm))
	slices.Reverse(sorted)
	return sorted[0], sorted[1:]
}

func joined(mm []float64) string {
	words := make([]string, len(mm))
	for i, v := range mm {
		words[i] = fmt.Sprint(v)
	}
	return strings.Join(words, " ")
}

// blank is a chart with our letters and no frame.
func blank(title, x, y string) *plot.Plot {
	p := plot.New()
	p.BackgroundColor = nil
	p.Title.Text, p.X.Label.Text, p.Y.Label.Text = title, x, y
	p.Title.TextStyle = heading(17)
	p.Title.TextStyle.XAlign, p.Title.TextStyle.YAlign = draw.XCenter, draw.YTop
	p.Title.Text = fitted(p.Title.TextStyle, title, chartWidth-3*margin)
	p.Title.Padding = 6
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		a.Label.TextStyle.Font = font.From(letters, 14)
		a.Tick.Label.Font = font.From(letters, 14)
		a.LineStyle.Width, a.Tick.LineStyle.Width = 1, 1
	}
	p.Legend.TextStyle.Font = font.From(letters, 14)
	p.Legend.Top, p.Legend.Left = true, true
	p.Legend.Padding = 3
	p.Legend.ThumbnailWidth = 28
	grid := plotter.NewGrid()
	grid.Vertical.Width = 0
	grid.Horizontal.Color = hair
	grid.Horizontal.Width = 0.5
	p.Add(grid)
	return p
}

// series adds a line with marks, and a row to the legend.
func series(p *plot.Plot, name string, at plotter.XYs, shape draw.GlyphDrawer, dashes []vg.Length) error {
	line, marks, err := plotter.NewLinePoints(at)
	if err != nil {
		return err
	}
	line.Color, line.Width, line.Dashes = ink, 2, dashes
	marks.Color, marks.Radius, marks.Shape = ink, 5, shape
	p.Add(line, marks)
	p.Legend.Add(name, line, marks)
	return nil
}

var dashed, dotted = []vg.Length{7, 4}, []vg.Length{1.5, 4}

func (s *Scans) draw(c draw.Canvas) error {
	p := blank(s.Title, s.Days, s.MM)
	var lead, others, lining plotter.XYs
	for _, pt := range s.Points {
		x := float64(pt.Day)
		if first, rest := split(pt.Follicles); len(pt.Follicles) > 0 {
			lead = append(lead, plotter.XY{X: x, Y: first})
			for _, v := range rest {
				others = append(others, plotter.XY{X: x, Y: v})
			}
		}
		if pt.Lining != nil {
			lining = append(lining, plotter.XY{X: x, Y: *pt.Lining})
		}
	}
	if len(lead) > 0 {
		if err := series(p, s.Lead, lead, draw.CircleGlyph{}, nil); err != nil {
			return err
		}
	}
	if len(others) > 0 {
		dots, err := plotter.NewScatter(others)
		if err != nil {
			return err
		}
		dots.Color, dots.Radius, dots.Shape = faint, 3, draw.CircleGlyph{}
		p.Add(dots)
		p.Legend.Add(s.Others, dots)
	}
	if len(lining) > 0 {
		if err := series(p, s.Lining, lining, draw.PyramidGlyph{}, dashed); err != nil {
			return err
		}
	}
	s.frame(p)
	p.Draw(inset(c))
	return nil
}

// frame sets the axes and draws the levels across.
func (s *Scans) frame(p *plot.Plot) {
	first, last := s.Points[0].Day, s.Points[0].Day
	for _, pt := range s.Points {
		first, last = min(first, pt.Day), max(last, pt.Day)
	}
	p.X.Min, p.X.Max = float64(first)-0.8, float64(last)+0.8
	p.Y.Min, p.Y.Max = 0, 5*math.Ceil((p.Y.Max+6)/5)
	step := 1 + (last-first)/9
	var ticks []plot.Tick
	for d := first; d <= last; d += step {
		ticks = append(ticks, plot.Tick{Value: float64(d), Label: fmt.Sprint(d)})
	}
	p.X.Tick.Marker = plot.ConstantTicks(ticks)
	for _, l := range s.Levels {
		across := plotter.NewFunction(func(float64) float64 { return l.At })
		across.Color, across.Width, across.Dashes = ink, 1, dotted
		p.Add(across)
		p.Legend.Add(l.Says, across)
	}
}

func inset(c draw.Canvas) draw.Canvas { return draw.Crop(c, margin, -margin, margin/2, -margin/2) }

func (h *HCG) draw(c draw.Canvas) error {
	p := blank(h.Title, "", h.IU)
	origin := h.Draws[0].At
	hours := func(t time.Time) float64 { return t.Sub(origin).Hours() }
	floor := func(v float64) float64 { return math.Max(v, 1) }
	var values plotter.XYs
	var ticks []plot.Tick
	for _, d := range h.Draws {
		values = append(values, plotter.XY{X: hours(d.At), Y: floor(d.Value)})
		ticks = append(ticks, plot.Tick{Value: hours(d.At), Label: d.Day})
	}
	if err := series(p, h.Value, values, draw.CircleGlyph{}, nil); err != nil {
		return err
	}
	if err := h.leasts(p, hours, floor); err != nil {
		return err
	}
	p.Y.Scale, p.Y.Tick.Marker = plot.LogScale{}, powers{}
	// Room for a day on either side, and for the legend above.
	p.X.Min, p.X.Max = p.X.Min-16, p.X.Max+16
	p.Y.Min, p.Y.Max = math.Max(1, p.Y.Min/2), math.Max(10, p.Y.Max*4)
	p.X.Tick.Marker = plot.ConstantTicks(apart(ticks, p.X.Max-p.X.Min))
	p.Draw(inset(c))
	return nil
}

// leasts are the smallest expected rises, each from the value that it counts from.
func (h *HCG) leasts(p *plot.Plot, hours func(time.Time) float64, floor func(float64) float64) error {
	named := false
	for _, d := range h.Draws {
		if d.Least <= 0 || d.LeastAt.IsZero() {
			continue
		}
		line, marks, err := plotter.NewLinePoints(plotter.XYs{{X: hours(d.At), Y: floor(d.Value)}, {X: hours(d.LeastAt), Y: floor(d.Least)}})
		if err != nil {
			return err
		}
		line.Color, line.Width, line.Dashes = ink, 1.6, dashed
		marks.Color, marks.Radius, marks.Shape = ink, 0, draw.CrossGlyph{}
		p.Add(line)
		if !named {
			p.Legend.Add(h.Least, line)
			named = true
		}
	}
	return nil
}

// apart leaves out the labels of ticks that would run into each other.
func apart(ticks []plot.Tick, width float64) []plot.Tick {
	last := math.Inf(-1)
	for i := range ticks {
		if ticks[i].Value-last < width/6 {
			ticks[i].Label = ""
			continue
		}
		last = ticks[i].Value
	}
	return ticks
}

// powers labels 1, 10, 100 and marks 2 to 9 between them.
type powers struct{}

// Ticks are those of a decimal logarithm.
func (powers) Ticks(low, high float64) []plot.Tick {
	var ticks []plot.Tick
	few := high/low < 300
	for p := math.Pow(10, math.Floor(math.Log10(low))); p <= high; p *= 10 {
		for n := 1.0; n < 10; n++ {
			t := plot.Tick{Value: n * p}
			if n == 1 || few && (n == 2 || n == 5) {
				t.Label = fmt.Sprintf("%.0f", n*p)
			}
			if t.Value >= low && t.Value <= high {
				ticks = append(ticks, t)
			}
		}
	}
	return ticks
}
