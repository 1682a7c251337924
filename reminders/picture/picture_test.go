package picture

import (
	"bytes"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var pictures = flag.String("pictures", "", "a folder to write the pictures to, to be looked at")

func length(v float64) *float64 { return &v }

func month() *Month {
	return &Month{Title: "March and April 2026", Weekdays: [7]string{"Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"}, First: "2026-03-01", Weeks: 6, Today: "2026-03-11",
		Entries: []Entry{
			{On: "2026-03-04", Kind: Done, When: "Wed, Mar 4", What: "first ultrasound and blood test"},
			{On: "2026-03-04", To: "2026-03-08", Kind: Course, When: "Mar 4 to 8", What: "letrozole 5 mg"},
			{On: "2026-03-13", Kind: Booked, When: "Fri, Mar 13, 7:20 am", What: "ultrasound of follicles and lining"},
			{On: "2026-03-15", Kind: Planned, When: "Sun, Mar 15", What: "trigger injection"},
			{On: "2026-03-17", To: "2026-04-11", Kind: Course, When: "from Tue, Mar 17", What: "start of progesterone"},
			{On: "2026-03-22", Kind: Planned, When: "Sun, Mar 22", What: "embryo transfer"},
			{On: "2026-03-31", Kind: Planned, When: "Tue, Mar 31", What: "blood test, and some words that are far too long to fit on one line of it"},
		},
		Key: []KeyLine{{Booked, "booked"}, {Planned, "planned, can still move"}, {Course, "medication"}}, Foot: "Your clinic's own instructions come first."}
}

func scans() *Scans {
	return &Scans{Title: "Follicles and lining", Days: "cycle day", MM: "mm", Lead: "lead follicle", Others: "other follicles", Lining: "lining",
		Points: []Scan{{Day: 3, Follicles: []float64{5, 4, 4}, Lining: length(3.5)}, {Day: 10, Follicles: []float64{14, 11, 8}, Lining: length(6.2)}, {Day: 12, Follicles: []float64{17.5, 12}, Lining: length(7.1)}, {Day: 14, Follicles: []float64{20.5}, Lining: length(8)}},
		Levels: []Level{{7, "7 mm of lining"}}}
}

func hcgs() *HCG {
	at := func(d, h int) time.Time { return time.Date(2026, 3, d, h, 0, 0, 0, time.UTC) }
	return &HCG{Title: "hCG after the transfer of Mar 20", Value: "hCG", Least: "smallest expected rise", IU: "IU/L, logarithmic",
		Draws: []Drawn{{At: at(30, 8), Value: 86, Day: "Mar 30", Least: 128, LeastAt: at(32, 8)}, {At: at(32, 8), Value: 190, Day: "Apr 1", Least: 283, LeastAt: at(34, 8)},
			{At: at(34, 8), Value: 260, Day: "Apr 3", Least: 640, LeastAt: at(39, 8)}, {At: at(39, 8), Value: 900, Day: "Apr 8"}}}
}

func load(days int) *Load {
	l := &Load{Title: "Expected", Certain: "certain", Expected: "expected", Reach: "at most", Shut: "closed", Over: "chance of no room"}
	for n := range days {
		l.Days = append(l.Days, DayName{fmt.Sprintf("%d Mo", n+1), fmt.Sprintf("day %d", n+1)})
	}
	for _, name := range []string{"Scans", "Transfers", "Blood tests"} {
		p := Panel{Name: name, Limit: 4, Room: "room for 4"}
		for n := range days {
			b := Bar{Certain: float64(n % 3), Expected: float64(n%3) + 1.5, Reach: float64(n%3) + 4}
			if n%7 == 6 {
				b = Bar{Shut: true}
			} else if n%3 == 2 {
				b.Over = "42"
			}
			p.Bars = append(p.Bars, b)
		}
		l.Panels = append(l.Panels, p)
	}
	return l
}

func TestLoadInWords(t *testing.T) {
	t.Parallel()
	want := "Expected\nScans: room for 4\nday 1: 1.5 (certain 0, at most 4)\nday 2: 2.5 (certain 1, at most 5)\nday 3: 3.5 (certain 2, at most 6), chance of no room 42 %"
	l := load(3)
	l.Panels = l.Panels[:1]
	if got := (Spec{Load: l}).Alt(); got != want {
		t.Errorf("got %q", got)
	}
	for name, spoil := range map[string]func(*Load){
		"no panel": func(l *Load) { l.Panels = nil }, "no day": func(l *Load) { l.Panels[0].Bars = nil },
		"no number": func(l *Load) { l.Panels[0].Bars[0].Expected = math.NaN() }, "fewer than nobody": func(l *Load) { l.Panels[0].Bars[0].Certain = -1 },
	} {
		l := load(3)
		spoil(l)
		if _, err := (Spec{Load: l}).PNG(); err == nil {
			t.Errorf("%s was drawn", name)
		}
	}
}

func drawings() map[string]Spec {
	one := hcgs()
	one.Draws = one.Draws[:1]
	return map[string]Spec{"month": {Month: month()}, "scans": {Scans: scans()}, "hcg": {HCG: hcgs()}, "hcg_one": {HCG: one}, "load": {Load: load(28)}, "week": {Load: load(7)}}
}

func decoded(t *testing.T, b []byte) image.Image {
	t.Helper()
	img, err := png.Decode(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// TestPictures: a picture is a PNG of 1080 across, grey, dark on light, and the same
// each time. Run with -pictures DIR to look at them.
func TestPictures(t *testing.T) {
	t.Parallel()
	for name, spec := range drawings() {
		body, err := spec.JSON()
		if err != nil {
			t.Fatal(err)
		}
		got, err := Draw(body)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if again, err := Draw(body); err != nil || !bytes.Equal(got, again) {
			t.Errorf("%s: another picture the second time (%v)", name, err)
		}
		if *pictures != "" {
			if err := os.WriteFile(filepath.Join(*pictures, name+".png"), got, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		img := decoded(t, got)
		if w := img.Bounds().Dx(); w != 1080 {
			t.Errorf("%s: %d pixels across, want 1080", name, w)
		}
		dark, coloured := tones(img)
		if dark < 0.002 || dark > 0.3 || coloured > 0 {
			t.Errorf("%s: %.4f of it is dark, %d pixels have a colour", name, dark, coloured)
		}
		if len(body) > 4000 || len(got) > 200_000 {
			t.Errorf("%s: %d bytes to keep, %d to send", name, len(body), len(got))
		}
	}
}

// tones is the share of dark pixels and the number of those with a colour.
func tones(img image.Image) (dark float64, coloured int) {
	b, n := img.Bounds(), 0
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			c := color.NRGBAModel.Convert(img.At(x, y)).(color.NRGBA)
			if c.R != c.G || c.G != c.B {
				coloured++
			}
			if c.R < 0x80 {
				n++
			}
		}
	}
	return float64(n) / float64(b.Dx()*b.Dy()), coloured
}

// TestNothingRunsOverTheEdge: the outermost pixels stay white, whatever the words.
func TestNothingRunsOverTheEdge(t *testing.T) {
	t.Parallel()
	m := month()
	for i := range m.Entries {
		m.Entries[i].What = strings.Repeat("a long word ", 20)
	}
	m.Title = strings.Repeat("March ", 40)
	long, tall := hcgs(), scans()
	long.Title, tall.Title = strings.Repeat("hCG ", 40), strings.Repeat("lining ", 40)
	for name, spec := range map[string]Spec{"month": {Month: m}, "scans": {Scans: tall}, "hcg": {HCG: long}} {
		b, err := spec.PNG()
		if err != nil {
			t.Fatal(err)
		}
		img := decoded(t, b)
		white := func(x, y int) {
			if c := color.GrayModel.Convert(img.At(x, y)).(color.Gray); c.Y < 0xf0 {
				t.Fatalf("%s: something at %d, %d", name, x, y)
			}
		}
		for y := range img.Bounds().Dy() {
			for _, x := range []int{0, 3, 1076, 1079} {
				white(x, y)
			}
		}
		for x := range img.Bounds().Dx() {
			for _, y := range []int{0, 3, img.Bounds().Dy() - 4, img.Bounds().Dy() - 1} {
				white(x, y)
			}
		}
	}
}

// TestTheWordsSayWhatIsDrawn: everything that is marked is in the text for those who
// cannot see it.
func TestTheWordsSayWhatIsDrawn(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		spec Spec
		want []string
	}{
		"month": {Spec{Month: month()}, []string{"Fri, Mar 13, 7:20 am: ultrasound of follicles and lining", "Mar 4 to 8: letrozole 5 mg", "Sun, Mar 22: embryo transfer (planned, can still move)"}},
		"scans": {Spec{Scans: scans()}, []string{"cycle day 12: lead follicle 17.5 mm, other follicles 12 mm lining 7.1 mm"}},
		"hcg":   {Spec{HCG: hcgs()}, []string{"Mar 30: 86 IU/L", "Apr 3: 260 IU/L (smallest expected rise 283)"}},
	} {
		for _, w := range c.want {
			if got := c.spec.Alt(); !strings.Contains(got, w) {
				t.Errorf("%s: no %q in\n%s", name, w, got)
			}
		}
	}
}

func TestWhatCannotBeDrawnIsRefused(t *testing.T) {
	t.Parallel()
	for name, body := range map[string]string{
		"nothing":          `{}`,
		"two things":       `{"month":{"first":"2026-03-01","weeks":5},"hcg":{"draws":[{"at":"2026-03-01T08:00:00Z","value":1}]}}`,
		"no JSON":          `month`,
		"no first day":     `{"month":{"weeks":5}}`,
		"too many weeks":   `{"month":{"first":"2026-03-01","weeks":500}}`,
		"no scan":          `{"scans":{"points":[{"day":3}]}}`,
		"no draw":          `{"hcg":{"draws":[]}}`,
		"less than none":   `{"hcg":{"draws":[{"at":"2026-03-01T08:00:00Z","value":-1}]}}`,
		"a giant follicle": `{"scans":{"points":[{"day":3,"follicles":[1e300]}]}}`,
	} {
		if _, err := Draw([]byte(body)); err == nil {
			t.Errorf("%s: drawn", name)
		}
	}
}

// TestOddValuesAreDrawn: any sound values give a picture, in any order, with gaps, alike
// or far apart.
func TestOddValuesAreDrawn(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		h := &HCG{Title: "x", Value: "v", Least: "l", IU: "u"}
		at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
		for i := range rapid.IntRange(1, 6).Draw(t, "draws") {
			at = at.Add(time.Duration(rapid.IntRange(0, 400).Draw(t, "hours")) * time.Hour)
			h.Draws = append(h.Draws, Drawn{At: at, Value: rapid.SampledFrom([]float64{0, 0.3, 1, 4.9, 86, 2e6}).Draw(t, "value"), Day: fmt.Sprint(i),
				Least: rapid.SampledFrom([]float64{0, 1, 500}).Draw(t, "least"), LeastAt: at.Add(48 * time.Hour)})
		}
		if _, err := (Spec{HCG: h}).png(24); err != nil {
			t.Fatal(err)
		}
	})
}

func FuzzDraw(f *testing.F) {
	for _, s := range drawings() {
		b, err := s.JSON()
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if got, err := Draw(b); err == nil && len(got) == 0 {
			t.Error("neither a picture nor an error")
		}
	})
}

// BenchmarkMonth draws a month; the floor is what it takes to press as many pixels that
// are already there into a file.
func BenchmarkMonth(b *testing.B) {
	spec := Spec{Month: month()}
	b.Run("draw", func(b *testing.B) {
		for b.Loop() {
			if _, err := spec.PNG(); err != nil {
				b.Fatal(err)
			}
		}
	})
	body, err := spec.PNG()
	if err != nil {
		b.Fatal(err)
	}
	img, err := png.Decode(bytes.NewReader(body))
	if err != nil {
		b.Fatal(err)
	}
	b.Run("floor", func(b *testing.B) {
		for b.Loop() {
			if err := png.Encode(io.Discard, img); err != nil {
				b.Fatal(err)
			}
		}
	})
}
