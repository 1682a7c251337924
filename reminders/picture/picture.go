// Package picture draws what staff and patients are shown as a picture: a patient's
// month, follicles and lining over the days of a cycle, hCG on a logarithmic scale
// beside its smallest expected rise, how full the clinic's days ahead are.
//
// It owns what a picture looks like: sizes and letters that are legible on a phone,
// shapes and dashes that tell things apart in grey, and the words for those who cannot
// see it (Alt). It is pure: a Spec holds everything that is drawn, in words that were
// chosen before, and the same Spec gives the same bytes.
//
// It refuses to know what the values mean. It computes nothing and names nothing by
// itself.
package picture

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/color"
	stddraw "image/draw"
	"image/png"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
)

// Spec is what to draw: exactly one of its fields is set. It is small, so that it can
// be kept where the picture could not.
type Spec struct {
	Month *Month `json:"month,omitempty"`
	Scans *Scans `json:"scans,omitempty"`
	HCG   *HCG   `json:"hcg,omitempty"`
	Load  *Load  `json:"load,omitempty"`
}

// Media is the type of every picture.
const Media = "image/png"

// errSpec is about a Spec that says nothing, or too much.
var errSpec = errors.New("a picture needs exactly one thing to draw")

// Draw draws what the JSON of a Spec says, as PNG.
func Draw(spec []byte) ([]byte, error) {
	s, err := read(spec)
	if err != nil {
		return nil, err
	}
	return s.PNG()
}

// Check reports what would keep the JSON of a Spec from being drawn.
func Check(spec []byte) error {
	s, err := read(spec)
	if err != nil {
		return err
	}
	_, err = s.drawing()
	return err
}

func read(spec []byte) (s Spec, err error) {
	if json.Unmarshal(spec, &s) != nil {
		// The error would quote what it could not read.
		return s, errors.New("what to draw cannot be read")
	}
	return s, nil
}

// drawing is one of the kinds of picture.
type drawing interface {
	check() error
	size() (width, height vg.Length)
	draw(c draw.Canvas) error
	Alt() string
}

var (
	_ drawing = (*Month)(nil)
	_ drawing = (*Scans)(nil)
	_ drawing = (*HCG)(nil)
	_ drawing = (*Load)(nil)
)

func (s Spec) drawing() (drawing, error) {
	var all []drawing
	if s.Month != nil {
		all = append(all, s.Month)
	}
	if s.Scans != nil {
		all = append(all, s.Scans)
	}
	if s.HCG != nil {
		all = append(all, s.HCG)
	}
	if s.Load != nil {
		all = append(all, s.Load)
	}
	if len(all) != 1 {
		return nil, errSpec
	}
	return all[0], all[0].check()
}

// Alt says what the picture shows, for those who cannot see it; "" for a Spec that
// cannot be drawn.
func (s Spec) Alt() string {
	d, err := s.drawing()
	if err != nil {
		return ""
	}
	return d.Alt()
}

// JSON is the Spec as Draw reads it.
func (s Spec) JSON() ([]byte, error) {
	if _, err := s.drawing(); err != nil {
		return nil, err
	}
	return json.Marshal(s)
}

// Pixels: 1080 across, which phones show without scaling it up.
const dotsPerInch = 180

// PNG draws the picture.
func (s Spec) PNG() ([]byte, error) { return s.png(dotsPerInch) }

func (s Spec) png(dots int) ([]byte, error) {
	d, err := s.drawing()
	if err != nil {
		return nil, err
	}
	width, height := d.size()
	img := vgimg.NewWith(vgimg.UseWH(width, height), vgimg.UseDPI(dots), vgimg.UseBackgroundColor(color.White))
	if err := d.draw(draw.New(img)); err != nil {
		return nil, fmt.Errorf("draw a picture: %w", err)
	}
	var b bytes.Buffer
	if err := png.Encode(&b, greyed(img.Image())); err != nil {
		return nil, fmt.Errorf("write a picture: %w", err)
	}
	return b.Bytes(), nil
}

// sixteen are the greys of a written picture; more would not be seen, and half of a
// byte a dot is quicker to press into a file.
var sixteen = func() color.Palette {
	p := make(color.Palette, 16)
	for i := range p {
		p[i] = color.Gray{Y: uint8(17 * i)}
	}
	return p
}()

// greyed is a picture in sixteen greys. All that is drawn is grey already, so any of
// its colours tells how light it is.
func greyed(img image.Image) *image.Paletted {
	dots, is := img.(*image.RGBA)
	if !is {
		dots = image.NewRGBA(img.Bounds())
		stddraw.Draw(dots, dots.Bounds(), img, img.Bounds().Min, stddraw.Src)
	}
	out := image.NewPaletted(img.Bounds(), sixteen)
	for i := range out.Pix {
		out.Pix[i] = uint8((int(dots.Pix[4*i]) + 8) / 17)
	}
	return out
}

// The greys. Nothing is told apart by colour alone.
var (
	ink   = color.Gray{Y: 0x10}
	faint = color.Gray{Y: 0x5c}
	hair  = color.Gray{Y: 0xb8}
	wash  = color.Gray{Y: 0xe8}
)

// letters without serifs stay legible when they are small.
var letters = font.Font{Typeface: plot.DefaultFont.Typeface, Variant: "Sans"}

// lettering is a text style of a size in points.
func lettering(size vg.Length, c color.Color) text.Style {
	return text.Style{Color: c, Font: font.From(letters, size), XAlign: draw.XLeft, YAlign: draw.YBottom, Handler: plot.DefaultTextHandler}
}

// heading is a bold text style.
func heading(size vg.Length) text.Style {
	s := lettering(size, ink)
	s.Font.Weight = xfont.WeightBold
	return s
}

// fitted is a text cut so that it is no wider than width, with an ellipsis where it
// was cut.
func fitted(s text.Style, words string, width vg.Length) string {
	if s.Width(words) <= width {
		return words
	}
	runes := []rune(words)
	for len(runes) > 0 && s.Width(string(runes)+"…") > width {
		runes = runes[:len(runes)-1]
	}
	return string(runes) + "…"
}
