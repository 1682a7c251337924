package reading

import (
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"pgregory.net/rapid"

	"handrail.example/reminders/civil"
	"handrail.example/triage/rules"
)

var fuzzSent = time.Date(2026, 3, 10, 1, 30, 0, 0, time.UTC)

// FuzzParse feeds any bytes: no panic, spans inside the text and on the
// boundaries of characters where the text is valid, only known names, no day
// that lies ahead, and the same answer twice.
func FuzzParse(f *testing.F) {
	for _, text := range benchTexts {
		f.Add(text)
	}
	for _, text := range []string{
		"", " ", "\xff\xfe", "no", "¿¿¿???", "3-4-5-6-7", "99999999999999999999 kg", "a.m. p.m. a.", "sí, 38,5 y 39.9.1",
		"31/31/31 00/00 2026-99-99", "ÁÉÍ́́́", "🩸🤮💊👍", "hace hace hace 3 3 3 dias", "day 0 day 41 cd1 cd cd",
		"last last last monday next next", "el el el 3 de de de marzo", "pad pad pad hour hour", strings.Repeat("no ", 300),
		"8/10 9 out of 10 8 de 10 pain", "1 2 3 4 5 6 7 8 9 kg lb", "'''''", "i'm i've can't won't", "\n\n.\n;!?", "a\u0301\u0301",
	} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, c := range fuzzContexts {
			checkReading(t, text, Parse(text, c), c)
		}
	})
}

var fuzzContexts = []Context{
	{Sent: fuzzSent},
	{Sent: fuzzSent, Phase: rules.BeforeCycle, Expecting: ExpectDate, Language: "es"},
	{Sent: fuzzSent, Phase: rules.AfterTransfer, Expecting: ExpectDose, Medications: []Medication{
		{Drug: rules.Progesterone, Words: []string{"vaginal"}}, {Drug: rules.Estrogen, Words: []string{"blue", "pill"}},
	}},
}

func checkReading(t *testing.T, text string, r Reading, c Context) {
	t.Helper()
	valid := utf8.ValidString(text)
	for _, s := range r.Spans {
		if s.From < 0 || s.From >= s.To || s.To > len(text) {
			t.Fatalf("span %v does not lie in %d bytes", s, len(text))
		}
		if valid && (!utf8.ValidString(text[s.From:s.To]) || !utf8.ValidString(text[:s.From])) {
			t.Fatalf("span %v cuts a character of %q", s, text)
		}
		if !slices.Contains(rules.Findings, s.Finding) || !slices.Contains(states, s.State) {
			t.Fatalf("span %v has an unknown name", s)
		}
	}
	if !slices.Contains(rules.Intents, r.Intent) || slices.Contains(r.Also, r.Intent) {
		t.Fatalf("intent %q, also %q", r.Intent, r.Also)
	}
	if !r.Date.IsZero() && (r.Date.After(civil.DateOf(c.Sent)) || r.Ambiguous) {
		t.Fatalf("day one %v lies ahead or is ambiguous", r.Date)
	}
	if again := Parse(text, c); again.Intent != r.Intent || !slices.Equal(again.Signs, r.Signs) || again.Date != r.Date {
		t.Fatalf("read twice: %v %v, then %v %v", r.Intent, r.Signs, again.Intent, again.Signs)
	}
	rules.Assess(r.Input(c.Phase))
}

var states = []State{Present, Negated, Hypothetical, Past, OtherPerson, Quoted, Figurative}

// The work grows with the length of the text and with nothing else. Steps are
// counted, not time, so that a busy machine does not matter.
func TestWorkIsLinear(t *testing.T) {
	t.Parallel()
	units := map[string]string{
		"a long message":     benchTexts["long"] + " ",
		"denials":            "no fever no pain no bleeding ni dolor ni sangre sin fiebre ",
		"gaps":               "soaking i think maybe like soaking a pad i a pad every i hour ",
		"repeated openers":   "me i my the can not no puedo se me la ",
		"numbers":            "3/4 38.5 2 kg 8/10 12 de marzo 3 days ago ",
		"heads, modifiers":   "severe pain sharp left belly pain worse bleeding heavy ",
		"unknown words":      "qwertyu zxcvbnm poiuytr lkjhgfd mnbvcxz ",
		"one character only": "a",
	}
	for name, unit := range units {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			small := workOf(strings.Repeat(unit, 4000/len(unit)))
			large := workOf(strings.Repeat(unit, 32000/len(unit)))
			if large > 12*small {
				t.Errorf("8 times the text took %.1f times the steps (%d, %d)", float64(large)/float64(small), small, large)
			}
		})
	}
}

func workOf(text string) int { return Parse(text, Context{Sent: fuzzSent}).steps }

// A short message must not cost much memory: it is read inside the transaction
// that stores it.
func TestParseAllocatesLittle(t *testing.T) {
	text := benchTexts["short"]
	Parse(text, Context{Sent: fuzzSent})
	if n := testing.AllocsPerRun(100, func() { Parse(text, Context{Sent: fuzzSent}) }); n > 80 {
		t.Errorf("got %.0f allocations for a message of %d bytes, want at most 80", n, len(text))
	}
}

// Accents, capitals and drawn-out letters change nothing.
func TestSpellingDoesNotMatter(t *testing.T) {
	t.Parallel()
	sentences := []string{
		"tengo fiebre de 39 y escalofríos", "me bajó la regla ayer", "no tengo sangrado ni cólicos",
		"se me olvidó la progesterona de anoche", "i fainted in the kitchen", "my period started this morning",
		"i am soaking a pad every hour", "chest pain and shortness of breath",
	}
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.SampledFrom(sentences).Draw(t, "sentence")
		want := Parse(text, Context{Sent: fuzzSent})
		var b strings.Builder
		for _, r := range text {
			switch rapid.IntRange(0, 3).Draw(t, "change") {
			case 0:
				b.WriteString(strings.ToUpper(string(r)))
			case 1:
				b.WriteString(fold(string(r)))
				if r == ' ' {
					b.WriteRune(r)
				}
			default:
				b.WriteRune(r)
			}
		}
		got := Parse(b.String(), Context{Sent: fuzzSent})
		if got.Intent != want.Intent || !slices.Equal(got.Findings, want.Findings) || got.Date != want.Date {
			t.Fatalf("%q: got %v %v %v, want %v %v %v", b.String(), got.Intent, got.Findings, got.Date, want.Intent, want.Findings, want.Date)
		}
	})
}

// Politeness around an emergency hides nothing, before it or behind it.
func TestPolitenessHidesNothing(t *testing.T) {
	t.Parallel()
	grave := []string{
		"I am soaking a pad an hour.", "I fainted this morning.", "I have severe chest pain.", "I can't breathe.",
		"Me desmayé hace un rato.", "Tengo un dolor insoportable en el vientre.", "Quiero morirme.", "I want to kill myself.",
		"Se me está cerrando la garganta.", "No puedo respirar.",
	}
	polite := []string{
		"Hi, sorry to bother you so late.", "Thank you so much for everything yesterday.", "Buenas noches doctora.", "My scan is on Friday at 8.",
		"No fever.", "I took my letrozole.", "Gracias por su paciencia.", "My husband says hello.", "",
	}
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.SampledFrom(polite).Draw(t, "before") + " " + rapid.SampledFrom(grave).Draw(t, "grave") + " " + rapid.SampledFrom(polite).Draw(t, "after")
		r := Parse(text, Context{Sent: fuzzSent})
		if v := rules.Assess(r.Input("")); v.Urgency != rules.Emergency {
			t.Fatalf("%q: got %v by %v, want an emergency (signs %v)", text, v.Urgency, v.Rules, r.Signs)
		}
	})
}
