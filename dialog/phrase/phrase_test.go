package phrase

import (
	"strings"
	"testing"
	"testing/fstest"
	"time"
)

func TestTheBookIsComplete(t *testing.T) {
	t.Parallel()
	b, err := Load()
	if err != nil {
		t.Fatal(err)
	}
	if len(b.Keys()) < 50 {
		t.Fatalf("only %d keys", len(b.Keys()))
	}
}

func TestAnIncompleteBookIsRefused(t *testing.T) {
	t.Parallel()
	for name, files := range map[string]fstest.MapFS{
		"key missing in Spanish": {"en/a.yaml": {Data: []byte("a: x\nb: y")}, "es/a.yaml": {Data: []byte("a: x")}},
		"key missing in English": {"en/a.yaml": {Data: []byte("a: x")}, "es/a.yaml": {Data: []byte("a: x\nb: y")}},
		"other gaps":             {"en/a.yaml": {Data: []byte(`a: "x {one}"`)}, "es/a.yaml": {Data: []byte(`a: "x {two}"`)}},
		"twice":                  {"en/a.yaml": {Data: []byte("a: x")}, "en/b.yaml": {Data: []byte("a: x")}, "es/a.yaml": {Data: []byte("a: x")}},
		"not YAML":               {"en/a.yaml": {Data: []byte(": {")}, "es/a.yaml": {Data: []byte("a: x")}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if _, err := load(files); err == nil {
				t.Error("accepted")
			}
		})
	}
}

func TestWhatFillsAGapIsNotReadAgain(t *testing.T) {
	t.Parallel()
	b, err := load(fstest.MapFS{"en/a.yaml": {Data: []byte(`a: "{x} and {y}"`)}, "es/a.yaml": {Data: []byte(`a: "{x} y {y}"`)}})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := b.Say("en", "a", Args{"x": "{y}", "y": "z"}), "{y} and z"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// neverSaid are words by which a program would reassure, promise, condole or
// congratulate: what only a person may do.
var neverSaid = map[string][]string{
	"en": {"don't worry", "do not worry", "normal ", "harmless", "nothing serious", "all is well", "good news", "bad news", "congratulations", "sorry for your loss", "chances", "odds"},
	"es": {"no se preocupe", "es normal", "inofensivo", "nada grave", "todo está bien", "buenas noticias", "malas noticias", "felicidades", "felicitaciones", "lamento", "probabilidad"},
}

func TestTheBookNeverReassures(t *testing.T) {
	t.Parallel()
	b := MustLoad()
	for lang, words := range neverSaid {
		for key, sentence := range b.sentences[lang] {
			for _, w := range words {
				// "sangrado normal" is the plain word for a full flow.
				if strings.Contains(strings.ReplaceAll(strings.ToLower(sentence), "sangrado normal", ""), w) {
					t.Errorf("%s in %s says %q", key, lang, w)
				}
			}
		}
	}
}

// revealing are words that a bystander must not read on a locked screen
// (45 CFR 164.530(c): limit what an unencrypted message says).
var revealing = []string{"embr", "pregnan", "embaraz", "hcg", "ovul", "óvul", "folli", "folíc", "trigger", "disparo",
	"progest", "estrog", "estróg", "letroz", "clomi", "transfer", "ultrasound", "ecograf", "blood", "sangre", "sangr", "result", "period ", "regla",
	"injection", "inyecci", "clinic", "clínica", "cycle", "ciclo", "dose", "dosis", "medica"}

func TestNeutralFormsRevealNothing(t *testing.T) {
	t.Parallel()
	b := MustLoad()
	n := 0
	for lang, sentences := range b.sentences {
		for key, sentence := range sentences {
			if !strings.HasSuffix(key, ".neutral") {
				continue
			}
			n++
			for _, w := range revealing {
				if strings.Contains(strings.ToLower(sentence), w) {
					t.Errorf("%s in %s: %q gives away %q", key, lang, sentence, w)
				}
			}
		}
	}
	if n < 10 {
		t.Fatalf("only %d neutral forms", n)
	}
}

func TestFillKeepsTheGrammarAroundAGap(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ lang, sentence, time, want string }{
		"one full stop":          {"es", "a las {time}.", "9:30 p. m.", "a las 9:30 p. m."},
		"one o'clock":            {"es", "Son las {time}: ahora", "1:00 p. m.", "Es la 1:00 p. m.: ahora"},
		"before one o'clock":     {"es", "Antes de las {time}", "1:15 p. m.", "Antes de la 1:15 p. m."},
		"ten o'clock":            {"es", "a las {time}", "10:00 a. m.", "a las 10:00 a. m."},
		"not in English":         {"en", "las {time}.", "1:00 pm", "las 1:00 pm."},
		"a gap in what is given": {"es", "{time}", "{time}", "{time}"},
	} {
		if got := fill(c.lang, c.sentence, Args{"time": c.time}); got != c.want {
			t.Errorf("%s: got %q, want %q", name, got, c.want)
		}
	}
}

// The Spanish of the book is the one that the Real Academia's orthography asks
// for ("p. m.") and that patients use ("usted").
func TestWhen(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ got, want string }{
		{Day("en", 2026, time.March, 2), "Monday, March 2"},
		{Day("es", 2028, time.February, 29), "martes 29 de febrero"},
		{Clock("en", 21, 30), "9:30 pm"},
		{Clock("es", 0, 5), "12:05 a. m."},
		{Clock("en", 12, 0), "12:00 pm"},
		{ShortWeekday("es", time.Saturday), "sáb"},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}
