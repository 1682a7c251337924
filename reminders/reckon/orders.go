package reckon

import (
	_ "embed"
	"fmt"
	"slices"
	"strings"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

// Vehicle is what a kind of product is dissolved in, and whom it must not reach.
type Vehicle struct {
	// Allergen is the word that an allergy is entered by.
	Allergen string `yaml:"allergen"`
	// Class is that of the drug; Forms are words of the product's name or route,
	// any of which tells the vehicle.
	Class plan.DrugClass `yaml:"class"`
	Forms []string       `yaml:"forms"`
	// Words are how an allergy to it is named.
	Words  []string `yaml:"words"`
	Source string   `yaml:"source"`
}

// LabelDose is the largest dose a day that a label or guideline names.
type LabelDose struct {
	Drug   string  `yaml:"drug"` // how its name begins
	MostMG float64 `yaml:"most_mg"`
	Days   int     `yaml:"days"` // of its usual course
	Source string  `yaml:"source"`
}

//go:embed products.yaml
var productsFile []byte

var products = mustProducts(productsFile)

type productTable struct {
	Vehicles []Vehicle   `yaml:"vehicles"`
	Doses    []LabelDose `yaml:"doses"`
}

func mustProducts(b []byte) productTable {
	var t productTable
	if err := plan.Strict(b, &t); err != nil {
		panic("the embedded products: " + err.Error())
	}
	return t
}

var plain = strings.NewReplacer("á", "a", "é", "e", "í", "i", "ó", "o", "ú", "u", "ü", "u", "ñ", "n")

func bare(s string) string { return plain.Replace(strings.ToLower(s)) }

// Allergen is the word by which an allergy is known here; what is not known is
// kept as it was written.
func Allergen(word string) string {
	for _, v := range products.Vehicles {
		if slices.ContainsFunc(v.Words, func(w string) bool { return strings.Contains(bare(word), w) }) {
			return v.Allergen
		}
	}
	return strings.ToLower(strings.TrimSpace(word))
}

// CautionsOnOrder are what stands against an order: an allergy to an oil in it, a
// dose above its label, a course of unusual length. allergies are hers.
func CautionsOnOrder(f plan.Fact, allergies []string) []Caution {
	if f.Kind != plan.OrderGiven && f.Kind != plan.TriggerOrder {
		return nil
	}
	return append(onAllergy(f, allergies), onDose(f)...)
}

// CautionsOnAllergy are the orders of hers that an allergy stands against.
func CautionsOnAllergy(facts []plan.Fact, allergen string) []Caution {
	var out []Caution
	live := plan.Standing(facts)
	for _, f := range live {
		stopped := slices.ContainsFunc(live, func(s plan.Fact) bool { return s.Kind == plan.StopOrder && s.Order == f.ID && f.ID != "" })
		if f.Kind == plan.OrderGiven && !stopped {
			out = append(out, onAllergy(f, []string{allergen})...)
		}
	}
	for i := range out {
		out[i].Ask = false // an allergy is a finding, and saved in any case
	}
	return out
}

func onAllergy(f plan.Fact, allergies []string) []Caution {
	var out []Caution
	name := bare(f.Product + " " + f.Route + " " + f.Drug)
	for _, v := range products.Vehicles {
		if !slices.ContainsFunc(allergies, func(a string) bool { return Allergen(a) == v.Allergen }) {
			continue
		}
		named := slices.ContainsFunc(v.Words, func(w string) bool { return hasWord(name, w) })
		form := plan.ClassOf(f.Drug) == v.Class && slices.ContainsFunc(v.Forms, func(w string) bool { return hasWord(name, w) })
		if named || form {
			out = append(out, Caution{Why: because(codeAllergy, "allergen", v.Allergen, "drug", f.Drug, "product", f.Product), Ask: true, Tell: true, Source: v.Source})
		}
	}
	return out
}

// hasWord reports whether text has words that begin as w does.
func hasWord(text, w string) bool {
	return strings.Contains(" "+strings.Join(strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(" ,.;()/-", r) }), " "), " "+w)
}

func onDose(f plan.Fact) []Caution {
	var out []Caution
	for _, d := range products.Doses {
		if f.Kind != plan.OrderGiven || !strings.HasPrefix(bare(f.Drug), d.Drug) {
			continue
		}
		if day := milligrams(f) * float64(len(f.Times)); day > d.MostMG {
			out = append(out, Caution{Why: because(codeDose, "drug", f.Drug, "dose", num(day), "most", num(d.MostMG)), Ask: true, Tell: true, Source: d.Source})
		}
		if days := courseDays(f); days != d.Days {
			shown := "?"
			if days > 0 {
				shown = fmt.Sprint(days)
			}
			out = append(out, Caution{Why: because(codeCourse, "drug", f.Drug, "days", shown, "usual", fmt.Sprint(d.Days)), Source: d.Source})
		}
	}
	return out
}

// milligrams is the dose of an order in mg; 0 where it is not a weight.
func milligrams(f plan.Fact) float64 {
	switch bare(f.Unit) {
	case "mg":
		return f.Dose
	case "g":
		return 1000 * f.Dose
	case "mcg", "ug", "µg":
		return f.Dose / 1000
	}
	return 0
}

// courseDays is how many days an order runs; 0 where its end is open.
func courseDays(f plan.Fact) int {
	if f.Stop.AfterDays > 0 || len(f.Times) == 0 {
		return f.Stop.AfterDays
	}
	return (f.Stop.AfterDoses + len(f.Times) - 1) / len(f.Times)
}

// Checked is an item of the checklist and the last day on which it holds; the zero
// Date for good.
type Checked struct {
	Item  string
	Until civil.Date
}

// Lapses are the items that hold today and will not hold on the day of the
// transfer.
func Lapses(items []Checked, today, transfer civil.Date) []Caution {
	var out []Caution
	for _, c := range items {
		if transfer.IsZero() || c.Until.IsZero() || c.Until.Before(today) || !c.Until.Before(transfer) {
			continue
		}
		out = append(out, Caution{Tell: true, Why: because(codeLapse, "item", c.Item, "until", c.Until.String(), "transfer", transfer.String())})
	}
	return out
}
