package dialog

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"testing"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
)

// Ages that are one's own, and numbers that are none. Common practice, no source.
func TestMinor(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]bool{
		"I'm 16 years old, is that ok?": true, "i am 17 yo": true, "Tengo 15 años": true, "soy menor de edad": true, "I'm under 18": true, "I am only 17 years old": true, "im 9 years old": true,
		"I'm 34 years old": false, "tengo 12 folículos": false, "I'm 12 weeks": false, "my daughter is 5 years old": false, "tengo 10 años intentando": false, "I am 18 years old": false, "tengo 38 años": false, "": false,
	} {
		if got := minor(text); got != want {
			t.Errorf("%q: %v", text, got)
		}
	}
}

func TestRevokes(t *testing.T) {
	t.Parallel()
	for text, want := range map[string][]string{
		"My partner may no longer see my calendar":          {reminders.Partner},
		"please stop telling my husband":                    {reminders.Partner},
		"mi esposo ya no debe ver mi calendario":            {reminders.Partner},
		"no quiero que mi hermana se entere de nada":        {reminders.Family},
		"remove my ex from the messages, do not tell him":   {reminders.Partner},
		"my partner may see my calendar":                    nil,
		"my husband did not come home, I can't see a thing": nil,
		"stop":                            nil,
		"I did not take my pill":          nil,
		"the donor must not be told":      {reminders.EggSource},
		"can my mother read this too?":    nil,
		"ya no tengo dolor, mi mamá vino": nil,
	} {
		got, found := revokes(text)
		if found != (want != nil) || !slices.Equal(got, want) {
			t.Errorf("%q: %v %v, want %v", text, got, found, want)
		}
	}
}

func TestSaysNewNumber(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]bool{
		"Hi, this is Ruth, this is my new number": true, "hola soy Ruth, cambié de celular": true, "I lost my phone": true, "hello?": false, "what number do I call": false,
	} {
		if got := saysNewNumber(text); got != want {
			t.Errorf("%q: %v", text, got)
		}
	}
}

// wordings has each wording of the consent that was ever in force, by its version. Who
// changes the text must change the version with it, so that it is on record who agreed
// to what; an old row is never changed.
var wordings = map[string]string{
	"2026-11": "", // before they were held together
	"2026-12": "5f709aa9a4deea14571ddb986fd9716f95c751447df2b9918f158f1d9a5e66a8",
}

func TestConsentHasItsVersion(t *testing.T) {
	t.Parallel()
	book := phrase.MustLoad()
	got := fmt.Sprintf("%x", sha256.Sum256([]byte(book.Say("en", "consent", nil)+"\x00"+book.Say("es", "consent", nil))))
	if want := wordings[ConsentVersion]; got != want {
		t.Errorf("the wording of the consent is %s, that of version %s is %s: draw a new version, and a row for it", got, ConsentVersion, want)
	}
}

func TestAsHersKeepsPlaces(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"My partner fainted":      "my wife    fainted",
		"mi pareja se desmayó":    "mi esposa se desmayó",
		"mi cónyuge se desmayó":   "mi esposa   se desmayó",
		"my partnership, my wife": "my partnership, my wife",
		"she is my spouse, help":  "she is my wife  , help",
	} {
		if got := asHers(text); got != want || len(got) != len(text) {
			t.Errorf("%q: %q", text, got)
		}
	}
}

// Whatever is written, these end, and say something only where there is something.
func FuzzTelltale(f *testing.F) {
	for _, text := range []string{"I'm 16 years old", "tengo 15 años", "my partner may no longer see my calendar", "this is my new number", "my partner fainted", "\xff\x00", "MI CÓNYUGE"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if len(asHers(text)) != len(text) {
			t.Errorf("%q has another length as hers", text)
		}
		if relations, found := revokes(text); found != (len(relations) > 0) {
			t.Errorf("%q: %v %v", text, relations, found)
		}
		if tidy(text) == "" && (minor(text) || saysNewNumber(text)) {
			t.Errorf("%q says something without a word", text)
		}
	})
}
