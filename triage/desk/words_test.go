package desk_test

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/plan"
	"handrail.example/triage/desk"
)

// Whatever a page says stands in the phrasebook, which holds it in every language.
func TestEveryWordIsInTheBook(t *testing.T) {
	t.Parallel()
	book := phrase.MustLoad()
	said := regexp.MustCompile(`say "([a-z_.]+)"|"((?:desk|staff|refused|button)\.[a-z_.]+[a-z])"`)
	files, err := filepath.Glob("page/*.html")
	if err != nil {
		t.Fatal(err)
	}
	code, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, name := range append(files, code...) {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		for _, m := range said.FindAllStringSubmatch(string(b), -1) {
			key := m[1] + m[2]
			if n++; !book.Has(key) && key != "desk.choice." && key != "desk.field." {
				t.Errorf("%s says %q, which is not in the phrasebook", name, key)
			}
		}
	}
	if n < 100 {
		t.Errorf("only %d words were found: the search is broken", n)
	}
	for _, key := range desk.FormWords() {
		if !book.Has(key) {
			t.Errorf("a form says %q, which is not in the phrasebook", key)
		}
	}
}

// A fact that can be recorded can be entered, but for a dose, which is asked of her,
// and an item of the checklist, which has a form of its own.
func TestEveryKindOfFactHasItsForm(t *testing.T) {
	t.Parallel()
	_, err := plan.ParseFact([]byte(`{"fact":"nonsense"}`), zone)
	untrue, ok := err.(*plan.Refusal)
	if !ok {
		t.Fatal(err)
	}
	kinds := strings.Split(strings.TrimPrefix(untrue.Do, "use one of "), ", ")
	if len(kinds) < 20 {
		t.Fatalf("kinds: %v", kinds)
	}
	for _, kind := range kinds {
		if !desk.HasForm(plan.FactKind(kind)) && kind != string(plan.DoseAnswered) && kind != string(plan.Ready) {
			t.Errorf("%s has no form", kind)
		}
	}
}
