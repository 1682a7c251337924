package reading

import (
	"testing"
	"time"

	"handrail.example/triage/rules"
)

// Whole clauses that are no news of her body, each beside one that is nearly the
// same and is. What is urgent is as the labelling rules of testdata/reading say.
func TestFramesAndTheirTraps(t *testing.T) {
	cases := []struct{ frame, left, found string }{
		{"paper", "the leaflet talks about a swollen tongue, is that common?", "I thought the leaflet exaggerated, but my tongue is swollen"},
		{"report of hers", "my sister said she fainted at the clinic", "the nurse said I fainted for a minute"},
		{"supposition", "suppose I fainted in the shop, whom would you call?", "I fainted in the shop, whom do I call?"},
		{"modal", "could the tablets cause chest pain?", "it could be the tablets, I have chest pain"},
		{"come true", "you told me to call if I soak a pad in an hour", "you told me to call if I soak a pad in an hour. well. that is me now"},
		{"somebody else", "my hairdresser collapsed and they called an ambulance", "my hairdresser found me, I had collapsed"},
		{"somebody else, Spanish", "se desmayó la vecina en la escalera", "me desmayé en la escalera de la vecina"},
		{"long ago", "I passed out once in college, when I gave blood", "I passed out when I stood up this morning"},
		{"the worst ever", "I have never had chest pain", "I have never had chest pain like this"},
		{"tail", "De lo de la falta de aire que me preguntaste: para nada", "De lo de la falta de aire que me preguntaste: me falta el aire"},
		{"checklist", "Desmayo, llamar. Dolor de pecho, llamar. Pegado en la nevera", "Me desmayé. Dolor de pecho. Los voy a llamar"},
		{"jest", "casi me da un infarto cada vez que suena el teléfono", "me duele el pecho cada vez que camino"},
	}
	for _, c := range cases {
		if u := urgencyIn(c.left); u >= rules.SameDay {
			t.Errorf("%s: %q is %v, want it left alone", c.frame, c.left, u)
		}
		if u := urgencyIn(c.found); u != rules.Emergency {
			t.Errorf("%s: %q is %v, want an emergency", c.frame, c.found, u)
		}
	}
}

func urgencyIn(text string) rules.Urgency {
	r := Parse(text, Context{Sent: time.Date(2026, 5, 6, 14, 0, 0, 0, time.UTC), Phase: rules.AfterTransfer})
	return rules.Assess(r.Input(rules.AfterTransfer)).Urgency
}
