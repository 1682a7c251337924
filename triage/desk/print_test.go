package desk_test

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"testing"

	devtools "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// onePage is an object of a PDF that is a page (ISO 32000-1, 7.7.3.3).
var onePage = regexp.MustCompile(`/Type\s*/Page\b[^s]`)

// A full morning, sixteen baselines, prints on one page, as a browser prints it.
func TestTheDayPrintsOnOnePage(t *testing.T) {
	c := open(t)
	by := c.staff[triage.Coordinator]
	c.within(func(ctx context.Context, tx *store.Tx) error {
		for n := range 16 {
			p := c.enrol(ctx, tx, fmt.Sprintf("P-2%02d", n), fmt.Sprintf("Invented Patient %d", n), "en")
			for _, f := range []plan.Fact{{Kind: plan.PeriodStart, At: at(10, 8, 0)}, {Kind: plan.Visit, Step: plan.Baseline, At: at(12, 7, 10*(n/2))}} {
				if _, err := c.care.Enter(ctx, tx, by, p.ID, f, 0); err != nil {
					return err
				}
			}
		}
		return nil
	})
	w := c.window(t, chromium(t))
	w.open("/guest/coordinator")
	w.open("/day?on=2026-03-12")
	w.sees("Invented Patient 15")
	printed, err := chromedp.Call(w.ctx, devtools.PrintToPDF, devtools.PrintToPDFParams{})
	pdf := printed.Data
	if err != nil || !bytes.HasPrefix(pdf, []byte("%PDF-")) {
		t.Fatal(err)
	}
	if n := len(onePage.FindAll(pdf, -1)); n != 1 {
		t.Errorf("it prints on %d pages", n)
	}
	if *pictures != "" {
		if err := os.WriteFile(filepath.Join(*pictures, "day.pdf"), pdf, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}
