package dialog

import (
	"regexp"
	"slices"
	"strings"

	"handrail.example/reminders"
)

// What a message says about who writes, or who may know. All of it only ever leads to
// a human, or takes a leave back: a word too many does no harm.

var (
	// age is somebody's own, in years; "tengo 12 folículos" is none.
	age      = regexp.MustCompile(`\b(?:i am|im|i m|soy|tengo|acabo de cumplir|just turned|i turned) (?:only |just |solo )?(\d{1,2})(?: (?:years old|years of age|year old|yo|anos)\b( (?:trying|intentando|tratando|buscando|casada|con|de))?|( and (?:still|my)))`)
	underage = []string{"under 18", "underage", "i am a minor", "im a minor", "menor de edad", "soy menor", "not 18 yet", "no tengo 18"}
)

// minor reports whether whoever writes says that she is under eighteen.
func minor(text string) bool {
	said := tidy(text)
	if slices.ContainsFunc(underage, func(w string) bool { return strings.Contains(" "+said+" ", " "+w+" ") }) {
		return true
	}
	for _, m := range age.FindAllStringSubmatch(said, -1) {
		if m[2] == "" && (len(m[1]) == 1 || m[1] < "18") {
			return true
		}
	}
	return false
}

// newNumber are words of somebody who says that she writes from another phone.
var newNumber = []string{"new number", "new phone", "changed my number", "changed phone", "changed my phone", "lost my phone", "different number", "different phone",
	"nuevo numero", "numero nuevo", "nuevo telefono", "telefono nuevo", "nuevo celular", "celular nuevo", "cambie de numero", "cambie de telefono", "cambie de celular", "perdi mi telefono", "perdi el telefono", "otro numero"}

func saysNewNumber(text string) bool { return has(text, newNumber) || longHas(text, newNumber) }

// longHas is has for a message of any length that tidy takes.
func longHas(text string, phrases []string) bool {
	padded := " " + tidy(text) + " "
	return slices.ContainsFunc(phrases, func(w string) bool { return strings.Contains(padded, " "+w+" ") })
}

// whom are words for those who may have been told, by relation.
var whom = map[string][]string{
	reminders.Partner: {"partner", "husband", "wife", "spouse", "boyfriend", "girlfriend", "ex", "pareja", "esposo", "esposa", "marido", "novio", "novia"},
	reminders.Family:  {"mother", "mom", "mum", "father", "dad", "sister", "brother", "family", "friend", "madre", "mama", "padre", "papa", "hermana", "hermano", "familia", "amiga", "amigo"},
	reminders.Carrier: {"carrier", "surrogate", "gestante"}, reminders.EggSource: {"donor", "donante"},
	reminders.IntendedParent: {"intended parent", "intended parents", "intended mother", "intended father", "padres de intencion", "madre de intencion", "padre de intencion"},
}

var (
	noMore = []string{"no longer", "not any more", "not anymore", "anymore", "any more", "stop", "do not", "dont", "must not", "should not", "shouldnt", "may not", "remove", "take off", "without",
		"ya no", "no quiero que", "no debe", "no deben", "no puede", "no pueden", "deje de", "dejen de", "no le", "no les", "quite", "quiten", "elimine", "eliminen", "que no"}
	knowing = []string{"told", "tell", "telling", "know", "see", "sees", "seeing", "informed", "inform", "message", "messages", "messaging", "writing", "access", "share", "sharing", "calendar", "reminders", "copied", "remove", "off",
		"saber", "sepa", "sepan", "ver", "vea", "vean", "enterarse", "entere", "enteren", "diga", "digan", "avise", "avisen", "informe", "informen", "acceso", "compartir", "comparta", "mensajes", "escriba", "escriban", "calendario", "recordatorios", "quite", "quiten", "elimine", "eliminen"}
)

// revokes reports whether she says that somebody may no longer be told, and who, as far
// as she says it.
func revokes(text string) (relations []string, found bool) {
	if !longHas(text, noMore) || !longHas(text, knowing) {
		return nil, false
	}
	for relation, words := range whom {
		if longHas(text, words) {
			relations = append(relations, relation)
		}
	}
	return relations, len(relations) > 0
}
