package dialog

import (
	"fmt"
	"testing"

	"handrail.example/reminders/civil"
)

func TestSpokenAnswers(t *testing.T) {
	t.Parallel()
	// Written on Thursday 12 March 2026; asked about Friday the 13th.
	today, friday := civil.MustDate("2026-03-12"), civil.MustDate("2026-03-13")
	for _, c := range []struct {
		text   string
		clocks string
		on     bool // fits Friday the 13th
		days   int  // how much was said of the day
	}{
		{"friday at 9:30 pm", "[21:30]", true, 1},
		{"Friday 9.30pm", "[21:30]", true, 1},
		{"tomorrow at 21:30", "[21:30]", true, 1},
		{"I will inject on Friday the 13th at half past nine in the evening", "[21:30]", true, 2},
		{"9:30", "[09:30 21:30]", true, 0},
		{"tonight at 9:30", "[21:30]", false, 1},
		{"saturday 9:30 p.m.", "[21:30]", false, 1},
		{"March 13 at 9:30pm", "[21:30]", true, 1},
		{"3/13 21:30", "[21:30]", true, 1},
		{"at noon", "[12:00]", true, 0},
		{"el viernes 13 a las 21:30", "[21:30]", true, 2},
		{"mañana a las nueve y media de la noche", "[21:30]", true, 1},
		{"el 13/3 a las 8 de la mañana", "[08:00]", true, 1},
		{"mañana a las 8 de la mañana", "[08:00]", true, 1},
		{"el 14 a las 21h30", "[21:30]", false, 1},
		{"desde el viernes", "[]", true, 1},
		{"at 9:30 pm or at 10 pm?", "[]", true, 0},
		{"I have 3 vials and 2 needles", "[]", true, 0},
		{"", "[]", true, 0},
	} {
		s := spokenIn(c.text)
		if got := fmt.Sprint(s.clocks()); got != c.clocks || s.on(friday, today) != c.on || len(s.days) != c.days {
			t.Errorf("%q: got %s, on Friday %v, %d of the day; want %s, %v, %d", c.text, got, s.on(friday, today), len(s.days), c.clocks, c.on, c.days)
		}
	}
}

func FuzzSpoken(f *testing.F) {
	f.Add("el viernes 13 a las 21:30")
	f.Add("half past nine, 24:00, 99/99")
	f.Fuzz(func(t *testing.T, text string) {
		for _, c := range spokenIn(text).clocks() {
			if c < 0 || c >= 24*60 {
				t.Errorf("%q: %d is no time of day", text, c)
			}
		}
	})
}

func TestWordsOfTheStagesAreAsTidyLeavesThem(t *testing.T) {
	t.Parallel()
	for words := range stageWords {
		if got := tidy(words); got != words {
			t.Errorf("%q can never be met: tidy leaves %q", words, got)
		}
		if _, known := answerOf(words); known {
			t.Errorf("%q is a plain yes or no as well", words)
		}
	}
}
