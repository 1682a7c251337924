package care_test

import (
	"os"
	"regexp"
	"testing"

	"handrail.example/dialog/phrase"
)

// Whoever looks at an arrival is told why in words: every doubt that the code can raise
// is in the phrasebook.
func TestEveryDoubtHasItsWords(t *testing.T) {
	t.Parallel()
	book := phrase.MustLoad()
	n := 0
	for file, form := range map[string]string{"../exchange/read.go": `Doubt = "([a-z_]+)"`, "arrivals.go": `"doubt\.([a-z_]+)"`} {
		source, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile(form).FindAllStringSubmatch(string(source), -1) {
			if n++; !book.Has("doubt." + m[1]) {
				t.Errorf("doubt.%s has no words", m[1])
			}
		}
	}
	if n < 15 {
		t.Errorf("only %d doubts were found", n)
	}
}
