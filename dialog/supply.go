package dialog

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// leftForms are whole messages that say how many pieces she has left; anything beside
// that is read as any other message. tidy has taken away case, accents and marks.
var leftForms = []*regexp.Regexp{
	regexp.MustCompile(`^(?:i |we )?(?:still |only |just )?(?:have |ve got |ive got |got |there are )?(?:still |only |just |about )?(\d{1,3}|[a-z]+)((?: [a-z]+){0,4}) (?:left|remaining)((?: of(?: [a-z]+){1,4})?(?: at home| here)?)$`),
	regexp.MustCompile(`^(?:solo |todavia |aun |ya solo )?(?:me |nos )?quedan? (?:solo )?(\d{1,3}|[a-z]+)((?: [a-z]+){0,6})$`),
	regexp.MustCompile(`^(?:todavia |aun |solo )?tengo (?:solo )?(\d{1,3}|[a-z]+)((?: [a-z]+){0,4}) en casa((?: [a-z]+){0,2})$`),
}

// smallNumbers are the numbers that are written out.
var smallNumbers = map[string]float64{
	"one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8, "nine": 9, "ten": 10, "twelve": 12,
	"una": 1, "uno": 1, "un": 1, "dos": 2, "tres": 3, "cuatro": 4, "cinco": 5, "seis": 6, "siete": 7, "ocho": 8, "nueve": 9, "diez": 10, "doce": 12,
}

// notPieces are words beside a number that make it a count of something else, or say
// more than the count.
var notPieces = regexp.MustCompile(`\b(and|but|because|not|for|y|pero|porque|que|no|para|day|days|hour|hours|week|weeks|minute|minutes|month|months|question|questions|dia|dias|hora|horas|semana|semanas|minuto|minutos|mes|meses|duda|dudas|pregunta|preguntas|embryo|embryos|embrion|embriones|follicle|follicles|foliculo|foliculos)\b`)

// remaining reads a message that says how many she has left, and the other words in
// it; false where it says anything else.
func remaining(text string) (units float64, words string, ok bool) {
	said := tidy(text)
	for _, form := range leftForms {
		m := form.FindStringSubmatch(said)
		if m == nil {
			continue
		}
		n, known := smallNumbers[m[1]]
		if !known {
			d, err := strconv.Atoi(m[1])
			if err != nil {
				continue
			}
			n = float64(d)
		}
		if words = strings.Join(m[2:], " "); !notPieces.MatchString(words) {
			return n, words, true
		}
	}
	return 0, "", false
}

// counted: she says what she has left at home. It is written down, and the calendar
// finds whether it lasts. What is graver than that stays with the rules.
func (m *moment) counted() ([]effect, bool) {
	units, words, ok := remaining(m.in.Text)
	if !ok || m.verdict.Urgency > rules.Routine || m.cycle.ID == 0 || !m.cycle.Closed.IsZero() {
		return nil, false
	}
	drugs := m.takes(words)
	switch len(drugs) {
	case 0:
		return nil, false
	case 1:
	default:
		effects := m.humanReads(triage.DoseQuestion, "")
		if c, is := effects[0].(openCase); is {
			c.Notes = append(c.Notes, triage.Line{Key: "supply.which"})
			effects[0] = c
		}
		return effects, true
	}
	f := plan.Fact{Kind: plan.OnHand, At: m.sent().Truncate(time.Minute), Drug: drugs[0], Units: &units}
	for _, s := range m.plan.Supplies {
		if strings.EqualFold(s.Drug, f.Drug) && s.Stated {
			f.PerDose = s.PerDose
		}
	}
	key := "supply.noted"
	if units == 0 {
		key = "supply.none"
	}
	return []effect{record{Fact: f}, say{Key: key, Args: m.phones(phrase.Args{"units": fmt.Sprint(units), "drug": f.Drug})}}, true
}

// takes are the drugs that her words can mean, of those that her orders still ask for:
// the one that she names, else all.
func (m *moment) takes(words string) []string {
	var all, named []string
	for _, d := range m.plan.Doses {
		if !d.At.After(m.now) || d.Class == plan.TriggerDrug || slices.Contains(all, d.Drug) {
			continue
		}
		all = append(all, d.Drug)
		if mentions(words, d.Drug+" "+d.Product+" "+d.Route) {
			named = append(named, d.Drug)
		}
	}
	if len(named) == 1 {
		return named
	}
	return all
}

// mentions reports whether her words share one with what an order says, by how it
// begins: "patches" and "patch", "letrozole" and "letrozol".
func mentions(hers, ordered string) bool {
	for _, w := range strings.Fields(hers) {
		for _, o := range strings.Fields(tidy(ordered)) {
			if n := min(len(w), len(o), 6); n >= 5 && w[:n] == o[:n] {
				return true
			}
		}
	}
	return false
}
