package reading

import (
	"testing"
	"time"

	"handrail.example/triage/rules"
)

// Day one as patients write it on Friday 10 July 2026. What "last Friday" or a
// bare weekday leave open is common practice, no source; weeks begin on Monday
// (ISO 8601). "?" means that she has to be asked.
func TestDayOneDoubts(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct{ at, text, want string }{
		{"08:10", "got my period last evening", "2026-07-09"},
		{"00:40", "hoy a las 10 de la noche me bajó", "2026-07-09"},
		{"00:40", "hace tres horas me bajó", "2026-07-09"},
		{"00:30", "half an hour before midnight my period started", "2026-07-09"},
		{"08:10", "just after midnight my period started", "2026-07-10"},
		{"08:10", "my period came around midnight", "?"},
		{"08:10", "me bajó ayer jueves a eso de las cinco y media", "2026-07-09"},
		{"08:10", "perdón, no fue el miércoles, fue el jueves cuando me bajó", "2026-07-09"},
		{"18:10", "my period came today friday", "2026-07-10"},
		{"08:10", "el viernes me bajó la regla", "?"},
		{"08:10", "CD1 = July 5th, my period", "2026-07-05"},
		{"08:10", "estoy en el día 4 de mi ciclo", "2026-07-07"},
		{"08:10", "ayer fue mi cuarto día de regla", "2026-07-06"},
		{"18:10", "day uno, bright red flow since 2 this afternoon", "2026-07-10"},
		{"08:10", "el lunes manché y ayer ya fue flujo normal", "2026-07-09"},
		{"08:10", "día uno 06/07", "?"},
		{"08:10", "empezó mi regla el 20/6", "2026-06-20"},
		{"08:10", "me bajó el fin de semana", "?"},
		{"08:10", "me bajó hace como 4 o 5 días", "?"},
		{"08:10", "hace un par de horas me bajó", "2026-07-10"},
		{"08:10", "me bajó el jueves de la semana pasada", "2026-07-02"}, // ends with the expression
		{"08:10", "no fue el lunes, fue el martes que empezó mi regla", "2026-07-07"},
		{"08:10", "brown on Tuesday and Wednesday, proper red since yesterday lunch", "2026-07-09"},
	} {
		clock, err := time.Parse("15:04", tc.at)
		if err != nil {
			t.Fatal(err)
		}
		sent := time.Date(2026, 7, 10, clock.Hour(), clock.Minute(), 0, 0, time.UTC)
		r := Parse(tc.text, Context{Sent: sent, Phase: rules.BeforeCycle})
		got := r.Date.String()
		if r.Ambiguous {
			got = "?"
		}
		if got != tc.want {
			t.Errorf("%q at %s: got %s, want %s", tc.text, tc.at, got, tc.want)
		}
	}
}

// After the transfer bleeding is her period only where she calls it so (the
// labelling rules of testdata/reading); described or compared it has no day one.
func TestOnlyWhatSheCallsHerPeriod(t *testing.T) {
	t.Parallel()
	for text, called := range map[string]bool{
		"my period came this morning, nine days after transfer":     true,
		"well AF showed up today":                                   true,
		"ya me bajó. hoy a las 8":                                   true,
		"me llegó la regla anoche, es roja y como siempre":          true,
		"woke up to proper bleeding, like day two of my period":     false,
		"me bajó sangre roja como si fuera mi periodo":              false,
		"rojo rojo, como el segundo día de la regla, sin dolor":     false,
		"I've got a full flow, fresh red, changed my pad twice":     false,
		"tengo flujo con olor a pescado":                            false,
		"me bajó cargada mi esposo por las escaleras, no puedo más": false,
	} {
		r := Parse(text, Context{Sent: at(tuesday), Phase: rules.AfterTransfer})
		if got := r.Intent == rules.PeriodStart; got != called || called == r.Date.IsZero() {
			t.Errorf("%q: intent %v, date %v; want a period: %v", text, r.Intent, r.Date, called)
		}
	}
}
