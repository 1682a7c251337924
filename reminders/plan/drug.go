package plan

import (
	_ "embed"
	"strings"
)

// DrugClass is what kind of drug an order is for, as far as the calendar cares.
type DrugClass string

// The classes of drugs.
const (
	Tablet       DrugClass = "tablet"
	Injection    DrugClass = "injection"
	TriggerDrug  DrugClass = "trigger"
	Progesterone DrugClass = "progesterone"
	Estrogen     DrugClass = "estrogen"
	OtherDrug    DrugClass = "other"
)

var drugClasses = []DrugClass{Tablet, Injection, TriggerDrug, Progesterone, Estrogen, OtherDrug}

//go:embed drugs.yaml
var drugsFile []byte

type drugNames struct {
	Class DrugClass `yaml:"class"`
	Names []string  `yaml:"names"`
}

var drugTable = mustDrugs(drugsFile)

func mustDrugs(b []byte) []drugNames {
	var file struct {
		Classes []drugNames `yaml:"classes"`
	}
	if err := Strict(b, &file); err != nil {
		panic("the embedded drug classes: " + err.Error())
	}
	return file.Classes
}

var plainLetters = strings.NewReplacer("á", "a", "é", "e", "í", "i", "ó", "o", "ú", "u")

// ClassOf is the class of a drug by its generic name, in English or Spanish;
// words before it ("micronized progesterone") do not matter.
func ClassOf(drug string) DrugClass {
	name := plainLetters.Replace(strings.ToLower(drug))
	best, length := OtherDrug, 0
	for i := range name {
		if i > 0 && isLetter(name[i-1]) {
			continue
		}
		for _, d := range drugTable {
			if n := longestPrefix(name[i:], d.Names); n > length {
				best, length = d.Class, n
			}
		}
	}
	return best
}

func isLetter(b byte) bool { return b >= 'a' && b <= 'z' || b >= 0x80 }

func longestPrefix(name string, names []string) int {
	n := 0
	for _, p := range names {
		if strings.HasPrefix(name, p) {
			n = max(n, len(p))
		}
	}
	return n
}
