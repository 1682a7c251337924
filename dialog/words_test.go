package dialog

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"handrail.example/dialog/phrase"
)

// A word of a table that tidy would change could never be met.
func TestWordsAreInTheFormInWhichTheyAreLookedUp(t *testing.T) {
	t.Parallel()
	for name, words := range map[string][]string{
		"commands": slices.Sorted(maps.Keys(commands)), "answers": slices.Sorted(maps.Keys(answers)),
		"later": slices.Sorted(maps.Keys(later)), "thanks": slices.Sorted(maps.Keys(thanks)), "when": whenWords,
	} {
		for _, w := range words {
			if got := tidy(w); got != w {
				t.Errorf("%s: %q is looked up as %q", name, w, got)
			}
		}
	}
	for w := range commands {
		if _, both := answers[w]; both {
			t.Errorf("%q is a command and an answer", w)
		}
	}
}

func TestCommandOf(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]command{
		"What is next?": cmdNext, "what's next": cmdNext, "What’s next??": cmdNext, "¿Qué me toca?": cmdNext, "¡Siguiente!": cmdNext,
		"  My   Calendar ": cmdCalendar, "MI CALENDARIO": cmdCalendar, "/help": cmdMenu, "/ help": cmdMenu, "Hola!": cmdMenu, "🙂 hola 🙂": cmdMenu,
		"STOP": cmdStop, "Stop.": cmdStop, "¡Alto!": cmdStop, "/start": cmdStart, "Necesito una persona": cmdPerson,
		"inglés": cmdEnglish, "Español": cmdSpanish, "espan\u0303ol": cmdSpanish,
		// Only the whole message counts: what says more is read.
		"stop the letrozole?": cmdNone, "should I stop": cmdNone, "hello, I am bleeding": cmdNone, "no puedo parar de sangrar": cmdNone, "help me I can't breathe": cmdNone,
		"": cmdNone, "/": cmdNone, "🙂": cmdNone, strings.Repeat("stop ", 60): cmdNone, "\xff\xfe": cmdNone,
	} {
		if got := commandOf(text); got != want {
			t.Errorf("commandOf(%q) = %q, want %q", text, got, want)
		}
	}
}

func TestAnswerOf(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"Yes": "yes", "yes!": "yes", "Sí.": "yes", "si": "yes", "OK 👍": "yes", "¡Así es!": "yes", "I agree": "yes",
		"No": "no", "no, it is not": "no", "No acepto": "no", "Incorrecto.": "no",
		"yes but I took it late": "", "no pain": "", "not yet": "", "no sé": "", "maybe": "", "": "", "👍": "",
	} {
		yes, known := answerOf(text)
		got := map[bool]string{true: "yes", false: "no"}[yes]
		if !known {
			got = ""
		}
		if got != want {
			t.Errorf("answerOf(%q) = %q, want %q", text, got, want)
		}
	}
}

// Whoever types what stands on a button of the menu, in either language, is
// understood as if she had pressed it: presses do not live long on the platform.
func TestTheMenuCanBeTyped(t *testing.T) {
	t.Parallel()
	words := phrase.MustLoad()
	for _, lang := range []string{"en", "es"} {
		for _, row := range menu() {
			for _, c := range row {
				label := words.Say(lang, c.Key, nil)
				t.Run(lang+" "+label, func(t *testing.T) {
					t.Parallel()
					pressed, typed := scenes["waiting"](t), scenes["waiting"](t)
					pressed.in, pressed.pressed = Inbound{Kind: Press}, c.Action
					typed.patient.Language = lang
					same(t, told(step(pressed)), told(step(written(typed, label, Question{}))))
				})
			}
		}
	}
}
