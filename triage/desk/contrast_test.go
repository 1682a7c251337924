package desk_test

import (
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// Contrast as WCAG 2.2 defines it (success criterion 1.4.3, AA: 4.5 to 1 for
// text; 1.4.11: 3 to 1 for the edges of controls).
func TestColoursAreReadable(t *testing.T) {
	t.Parallel()
	css, err := os.ReadFile("page/desk.css")
	if err != nil {
		t.Fatal(err)
	}
	screen, _, _ := strings.Cut(string(css), "@media print") // on paper there is black and white
	schemes := palettes(screen)
	if len(schemes) != 2 {
		t.Fatalf("%d palettes in the style sheet, want light and dark", len(schemes))
	}
	pairs := []struct {
		text, ground string
		least        float64
	}{
		{"ink", "ground", 4.5}, {"ink", "sheet", 4.5}, {"ink", "wash", 4.5},
		{"soft", "ground", 4.5}, {"soft", "sheet", 4.5}, {"soft", "wash", 4.5},
		{"mark", "ground", 4.5}, {"mark", "sheet", 4.5}, {"mark", "wash", 4.5}, {"on-mark", "mark", 4.5},
		{"grave", "ground", 4.5}, {"grave", "sheet", 4.5}, {"grave", "wash", 4.5}, {"on-grave", "grave", 4.5}, {"ink", "late", 4.5}, {"soft", "late", 4.5},
		{"edge", "sheet", 3}, {"edge", "ground", 3}, {"grave", "late", 3},
	}
	for i, palette := range schemes {
		for _, p := range pairs {
			if got := contrast(palette[p.text], palette[p.ground]); got < p.least {
				t.Errorf("palette %d: %s on %s is %.2f to 1, want at least %.1f", i, p.text, p.ground, got, p.least)
			}
		}
	}
}

// palettes reads the custom properties of each :root block.
func palettes(css string) []map[string][3]float64 {
	var out []map[string][3]float64
	for _, block := range regexp.MustCompile(`(?s):root \{(.*?)\}`).FindAllStringSubmatch(css, -1) {
		palette := map[string][3]float64{}
		for _, m := range regexp.MustCompile(`--([a-z-]+): #([0-9a-f]{6})`).FindAllStringSubmatch(block[1], -1) {
			n, _ := strconv.ParseUint(m[2], 16, 32)
			palette[m[1]] = [3]float64{float64(n >> 16), float64(n >> 8 & 255), float64(n & 255)}
		}
		out = append(out, palette)
	}
	return out
}

func contrast(a, b [3]float64) float64 {
	x, y := luminance(a), luminance(b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

func luminance(c [3]float64) float64 {
	var lin [3]float64
	for i, v := range c {
		if v /= 255; v <= 0.04045 {
			lin[i] = v / 12.92
		} else {
			lin[i] = math.Pow((v+0.055)/1.055, 2.4)
		}
	}
	return 0.2126*lin[0] + 0.7152*lin[1] + 0.0722*lin[2]
}
