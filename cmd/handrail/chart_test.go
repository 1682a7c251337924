package main

import (
	"bytes"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const charted = `[{"fact":"period_start","at":"2026-03-02T08:15"},{"fact":"baseline","on":"2026-03-04","decision":"start"},
{"fact":"scan","on":"2026-03-11","right_mm":[14,10],"lining_mm":6.2},{"fact":"scan","on":"2026-03-13","right_mm":[17.5,12],"lining_mm":7.4},
{"fact":"trigger","at":"2026-03-14T21:30"},{"fact":"transfer","on":"2026-03-21","embryo_day":5},
{"fact":"hcg","at":"2026-03-30T08:00","iu_per_l":100},{"fact":"hcg","at":"2026-04-01T08:00","iu_per_l":140}]`

// The smallest rise from 100 IU/L in 48 hours is 49 per cent: Barnhart 2016, Obstet
// Gynecol 128:504.
func TestChartsAreDrawnAndSaid(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	follicles, hcg, month := filepath.Join(dir, "f.png"), filepath.Join(dir, "h.png"), filepath.Join(dir, "m.png")
	got := handrail(t, charted, "chart", "--as-of", "2026-04-01", "--follicles", follicles, "--hcg", hcg)
	for _, want := range []string{"cycle day 12: lead follicle 17.5 mm", "Apr 1: 140 IU/L (smallest expected rise 149)"} {
		if got.code != 0 || !strings.Contains(got.out, want) {
			t.Errorf("no %q in %d\n%s%s", want, got.code, got.out, got.err)
		}
	}
	// The lines of older and smaller studies: 53 (Barnhart 2004) and 66 per cent.
	for _, wrong := range []string{"rise 153", "rise 166"} {
		if strings.Contains(got.out, wrong) {
			t.Errorf("the chart has the %s", wrong)
		}
	}
	got = handrail(t, charted, "plan", "--as-of", "2026-03-12", "--png", month)
	if got.code != 2 || !strings.Contains(got.err, "is dated after now") {
		t.Errorf("facts after now: %d %s", got.code, got.err)
	}
	got = handrail(t, charted, "plan", "--as-of", "2026-04-01", "--png", month)
	if got.code != 0 || !strings.Contains(got.out, "Mar 30") {
		t.Errorf("the month: %d\n%s%s", got.code, got.out, got.err)
	}
	for _, file := range []string{follicles, hcg, month} {
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := png.Decode(bytes.NewReader(b)); err != nil {
			t.Errorf("%s: %v", filepath.Base(file), err)
		}
	}
}

func TestWhatCannotBeChartedIsRefused(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "x.png")
	for name, c := range map[string]struct {
		facts string
		args  []string
		want  string
	}{
		"nothing named": {charted, []string{"chart", "--as-of", "2026-04-01"}, "give --follicles FILE, --hcg FILE or both"},
		"no scan":       {"[]", []string{"chart", "--follicles", file}, "there is no scan"},
		"no hCG":        {"[]", []string{"chart", "--hcg", file}, "there is no hCG"},
		"empty month":   {"[]", []string{"plan", "--png", file}, "to draw"},
		"no folder":     {charted, []string{"chart", "--as-of", "2026-04-01", "--hcg", filepath.Join(file, "y.png")}, "cannot be written"},
		"two forms":     {charted, []string{"plan", "--png", file, "--ics"}, "exclude each other"},
	} {
		if got := handrail(t, c.facts, c.args...); got.code != 2 || !strings.Contains(got.err, c.want) {
			t.Errorf("%s: got %d %q, want %q", name, got.code, got.err, c.want)
		}
	}
}
