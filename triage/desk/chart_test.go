package desk_test

import (
	"bytes"
	"context"
	"image/png"
	"net/http"
	"strings"
	"testing"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/desk"
)

// scanned is a patient whose lining is thin while the follicle is large.
func (c *clinic) scanned() {
	lining, lh := 6.6, 4.0
	c.enters(plan.Fact{Kind: plan.Scan, On: civil.MustDate("2026-03-09"), RightMM: []float64{14, 10}, LeftMM: []float64{9}, LiningMM: &lining})
	c.enters(plan.Fact{Kind: plan.Scan, On: civil.MustDate("2026-03-11"), RightMM: []float64{18, 12}, LeftMM: []float64{11}, LiningMM: &lining, Pattern: plan.Trilaminar})
	c.enters(plan.Fact{Kind: plan.Bloods, On: civil.MustDate("2026-03-11"), LH: &lh})
}

// The charts of a patient's page are pictures that only staff get, that no browser
// keeps, and that say what they show; looking is on record.
func TestChartsOnAPatientsPage(t *testing.T) {
	t.Parallel()
	c := open(t)
	b := c.as(triage.Reader)
	if p := b.get("/patients/P-105"); strings.Contains(p.body, "/charts/") {
		t.Error("a chart of nothing")
	}
	if p := b.get("/patients/P-105/charts/follicles.png"); p.status != http.StatusNotFound {
		t.Errorf("a chart of nothing: %d", p.status)
	}
	c.scanned()
	p := b.get("/patients/P-105")
	p.says(t, `src="/patients/P-105/charts/follicles.png"`, "cycle day 11: lead follicle 18 mm, other follicles 12 11 mm lining 6.6 mm")
	if strings.Contains(p.body, "hcg.png") {
		t.Error("a chart of hCG without a value")
	}
	if csp := p.header.Get("Content-Security-Policy"); !strings.Contains(csp, "img-src 'self'") {
		t.Errorf("pictures are not let in: %s", csp)
	}
	before := c.deeds(triage.SeePatients)
	chart := b.get("/patients/P-105/charts/follicles.png")
	img, err := png.Decode(bytes.NewReader([]byte(chart.body)))
	if err != nil || img.Bounds().Dx() != 1080 || img.Bounds().Dy() != 972 {
		t.Fatalf("%d, no picture of the size that the page says: %v", chart.status, err)
	}
	if h := chart.header; h.Get("Content-Type") != "image/png" || h.Get("Cache-Control") != "no-store" || len(chart.body) > largest {
		t.Errorf("%d bytes with %v", len(chart.body), h)
	}
	if after := c.deeds(triage.SeePatients); after != before+1 {
		t.Errorf("%d looks after one at a chart, %d before", after, before)
	}
	for _, path := range []string{"/patients/P-105/charts/hcg.png", "/patients/P-105/charts/x", "/patients/P-105/charts/..%2f..%2fme", "/patients/P-999/charts/hcg.png"} {
		if p := b.get(path); p.status != http.StatusNotFound {
			t.Errorf("%s: %d", path, p.status)
		}
	}
}

// The clinician's sheet lays criteria, cautions and options beside each other: a lining
// under 7 mm (Liu 2018, Hum Reprod 33:1883) is not met and is said so, and no option is
// marked before another.
func TestTheCliniciansSheet(t *testing.T) {
	t.Parallel()
	c := open(t)
	b := c.as(triage.Physician)
	b.get("/patients/P-105").says(t, `href="/patients/P-105/sheet"`)
	b.get("/patients/P-105/sheet").says(t, "Nothing measured is on record yet.")
	c.scanned()
	before := c.deeds(triage.SeePatients)
	p := b.get("/patients/P-105/sheet")
	p.says(t, "P-105 Citlali Vern", "NOT met", "6.6 mm (2026-03-11)", "18 mm (2026-03-11)", "not measured", "To weigh: lining 6.6 mm is under 7 mm",
		"Options, side by side", " of 4", "/patients/P-105/enter/trigger_order", "Duijkers 2004")
	if after := c.deeds(triage.SeePatients); after != before+1 {
		t.Errorf("%d looks after one at the sheet, %d before", after, before)
	}
	if strings.Contains(p.body, "P-105 cancel") {
		t.Error("the page says how it is entered in chat")
	}
	if p := c.as(triage.Reader).get("/patients/P-105/sheet"); p.status != http.StatusOK || strings.Contains(p.body, "/enter/") {
		t.Errorf("who may not enter is shown how: %d", p.status)
	}
	c.enters(plan.Fact{Kind: plan.TriggerGiven, At: at(11, 8, 0)})
	settled := b.get("/patients/P-105/sheet")
	settled.says(t, "What the calendar counts from", "Andersen 1995", "embryo transfer")
	if strings.Contains(settled.body, "Options, side by side") {
		t.Error("an evening is offered after the trigger")
	}
	if p := b.get("/patients/P-999/sheet"); p.status != http.StatusNotFound {
		t.Errorf("nobody's sheet: %d", p.status)
	}
}

// A Spanish reader gets the page, and the picture's words, in Spanish.
func TestSheetAndChartsInSpanish(t *testing.T) {
	t.Parallel()
	c := open(t)
	c.within(func(ctx context.Context, tx *store.Tx) error {
		c.hire(ctx, tx, "yevka", triage.Physician, "es")
		return nil
	})
	c.serve(desk.Parts{Guests: []string{"yevka"}})
	c.scanned()
	b := c.as("yevka")
	b.get("/patients/P-105/sheet").says(t, "Hoja del médico", "NO se cumple", "sin medir", "Opciones, lado a lado", "Por sopesar:")
	b.get("/patients/P-105").says(t, "Hoja del médico", "folículo mayor 18 mm")
}

// After the transfer the blood tests are weighed: 86 to 160 IU/L in 48 h is a rise of
// 86 per cent, over the 49 that is the least (Barnhart 2016, Obstet Gynecol 128:504).
func TestHCGOnPageAndSheet(t *testing.T) {
	t.Parallel()
	c := open(t)
	c.enters(plan.Fact{Kind: plan.TriggerGiven, At: at(11, 8, 0)})
	c.later(20 * 24 * 3600e9)
	c.enters(plan.Fact{Kind: plan.Transferred, On: civil.MustDate("2026-03-18"), EmbryoDay: 5, Count: 1})
	c.enters(plan.Fact{Kind: plan.HCG, At: at(28, 8, 0), IUPerL: 86})
	c.enters(plan.Fact{Kind: plan.HCG, At: at(30, 8, 0), IUPerL: 160})
	b := c.as(triage.Physician)
	b.get("/patients/P-105").says(t, `src="/patients/P-105/charts/hcg.png"`, "160 IU/L (smallest expected rise 128)")
	p := b.get("/patients/P-105/sheet")
	p.says(t, "86 IU/L", "160 IU/L", "86.0 % per 48 h", "Barnhart 2016")
	if chart := b.get("/patients/P-105/charts/hcg.png"); chart.header.Get("Content-Type") != "image/png" {
		t.Errorf("the chart: %d", chart.status)
	}
}
