package reading

import (
	"testing"
	"time"

	"handrail.example/triage/rules"
)

// Times of day as people write them; what each means is common practice, no
// source.
func TestTimeOfDay(t *testing.T) {
	t.Parallel()
	sent := time.Date(2026, 3, 10, 22, 30, 0, 0, time.UTC)
	for text, want := range map[string]string{
		"shot given 10:03 pm, trigger complete":            "22:03",
		"ovidrel done at 10pm sharp":                       "22:00",
		"took letrozole at 9 tonight":                      "21:00",
		"gave the trigger at ten past ten tonight":         "22:10",
		"trigger at quarter to eleven pm":                  "22:45",
		"it was half past nine at night when i took it":    "21:30",
		"me puse el ovidrel a las 10 y media de la noche":  "22:30",
		"disparo puesto a las 11 menos cuarto de la noche": "22:45",
		"inyección hecha, diez para las nueve de la noche": "20:50",
		"letrozol tomado a las 8 de la mañana":             "08:00",
		"me la puse a las 21:15":                           "21:15",
		"the scan is at noon right?":                       "12:00",
		"trigger done 20 minutes ago":                      "22:10",
		"hace media hora me puse la inyección":             "22:00",
		"took 10 units of the gonal":                       "",
		"i take it 3 a day":                                "",
		"pain is 8 out of 10":                              "",
		"at 12 weeks the scan showed a heartbeat":          "",
		"the bottle says 2 tablets":                        "",
	} {
		r := Parse(text, Context{Sent: sent, Phase: rules.Stimulation})
		got := ""
		if r.HasTime {
			got = r.Time.String()
		}
		if got != want {
			t.Errorf("%q: got %q, want %q", text, got, want)
		}
	}
}
