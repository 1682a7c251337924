package reading

import (
	"testing"
	"time"

	"handrail.example/triage/rules"
)

// Easter Sundays as published by the U.S. Naval Observatory, Astronomical
// Applications Department, "The Date of Easter" (from memory).
func TestEaster(t *testing.T) {
	for y, want := range map[int]string{2000: "2000-04-23", 2016: "2016-03-27", 2024: "2024-03-31", 2025: "2025-04-20", 2026: "2026-04-05", 2038: "2038-04-25"} {
		if got := easter(y).String(); got != want {
			t.Errorf("easter %d: got %s, want %s", y, got, want)
		}
	}
}

// Days of a period as people name them, on Wednesday 6 May 2026 at two in the
// afternoon; the ambiguous ones are asked back.
func TestPeriodDays(t *testing.T) {
	cases := []struct{ text, want string }{
		{"two Fridays ago my period started", "2026-04-24"},
		{"hace dos viernes me bajó la regla", "2026-04-24"},
		{"my period came on Easter Sunday", "2026-04-05"},
		{"la menstruación comenzó el día 3 a eso de las 17.30 h", "2026-05-03"},
		{"period started last night at half eleven", "2026-05-05"},
		{"anoche a las 12 y media me bajó", "2026-05-06"},
		{"bleed started 4.5., full flow", ""},
		{"my period began on the 10th of May", ""},
		{"regla en la noche del domingo al lunes", ""},
		{"FUM 30/4", "2026-04-30"},
	}
	for _, c := range cases {
		r := Parse(c.text, Context{Sent: time.Date(2026, 5, 6, 14, 0, 0, 0, time.UTC), Phase: rules.BeforeCycle})
		if r.Intent != rules.PeriodStart || r.Date.String() != c.want || r.Ambiguous != (c.want == "") {
			t.Errorf("%q: %s on %q, ambiguous %v; want a period on %q", c.text, r.Intent, r.Date, r.Ambiguous, c.want)
		}
	}
}
