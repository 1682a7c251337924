package desk_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/desk"
	"handrail.example/triage/rules"
)

// BenchmarkPages writes pages of a clinic with 1,000 open cycles and 1,000 open cases.
// The floor writes the same bytes from memory.
func BenchmarkPages(b *testing.B) {
	c := open(b)
	c.crowd(1000)
	c.serve(desk.Parts{Guests: []string{"coordinator"}, Stay: desk.Stay{Idle: 1e6 * time.Hour, Longest: 1e6 * time.Hour}})
	in := httptest.NewRecorder()
	c.site.ServeHTTP(in, httptest.NewRequest(http.MethodGet, "/guest/coordinator", nil))
	ask := func(path string) *httptest.ResponseRecorder {
		req := httptest.NewRequest(http.MethodGet, path, nil)
		req.AddCookie(in.Result().Cookies()[0])
		w := httptest.NewRecorder()
		c.site.ServeHTTP(w, req)
		return w
	}
	for _, path := range []string{"/now", "/cases/1", "/patients/P-1001", "/patients", "/day", "/tonight", "/clinic"} {
		page := ask(path)
		if page.Code != http.StatusOK || page.Body.Len() > largest {
			b.Fatalf("%s: %d, %d bytes", path, page.Code, page.Body.Len())
		}
		b.Run(path+"/ours", func(b *testing.B) {
			for b.Loop() {
				ask(path)
			}
			b.ReportMetric(float64(page.Body.Len()), "bytes/page")
		})
		b.Run(path+"/floor", func(b *testing.B) {
			same := page.Body.Bytes()
			memory := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write(same) })
			for b.Loop() {
				memory.ServeHTTP(httptest.NewRecorder(), httptest.NewRequest(http.MethodGet, path, nil))
			}
		})
	}
}

// crowd enrols n patients, each on another day of her cycle and with an open case.
func (c *clinic) crowd(n int) {
	c.t.Helper()
	book := c.care.Book
	for i := range n {
		c.within(func(ctx context.Context, tx *store.Tx) error {
			p, err := book.AddPatient(ctx, tx, reminders.NewPatient{Handle: fmt.Sprintf("P-%d", 1001+i), Name: fmt.Sprintf("Invented %d", i), Language: "en"})
			if err != nil {
				return err
			}
			code, _, err := book.Invite(ctx, tx, p.ID)
			if err == nil {
				_, err = book.Redeem(ctx, tx, code, p.Handle)
			}
			if err == nil {
				err = book.Agree(ctx, tx, p.ID, "1")
			}
			if err != nil {
				return err
			}
			said := reminders.Said{By: c.staff[triage.Coordinator].Person}
			dayOne := civil.MustDate("2026-03-11").AddDays(-i % 28)
			for _, f := range []plan.Fact{{Kind: plan.PeriodStart, At: dayOne.At(civil.MustTime("08:00"), zone)}} {
				if _, err := book.Record(ctx, tx, p.ID, f, said); err != nil {
					return err
				}
			}
			_, err = c.care.Desk.Open(ctx, tx, triage.Opening{Key: fmt.Sprintf("inbox/%d", i), Person: p.Person, Reason: triage.Question, Urgency: rules.Routine,
				Words: "May I swim on Saturday, or is it better to wait until after the scan?"})
			return err
		})
	}
}
