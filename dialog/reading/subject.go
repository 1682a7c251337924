package reading

import (
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Who it is that fainted: some signs are told with a verb whose subject is a
// person ("my hairdresser collapsed", "se desmayó la vecina"). Where that
// subject is not she, the sign is somebody else's, whoever it may be: no list of
// relatives is ever complete.

// doneBy are the signs whose subject is a person.
var doneBy = map[string]bool{
	"fainted": true, "vomited": true, "vomiting_lots": true, "seizure": true, "fall": true, "bleeding": true, "overdose": true, "cough_blood": true,
}

// subjectReach is how many words may stand between a subject and its verb.
const subjectReach = 6

// someoneElses reports whether the subject of the verb of x is another person.
func (m *message) someoneElses(x match) bool {
	if !isKind(x.concept, "sign", "head") || slices.Contains(m.mine[x.from:x.to], true) || m.relays {
		return false
	}
	if i, ok := m.haver(x); ok && m.isOther(i) {
		return true
	}
	if !doneBy[x.concept.name] {
		return false
	}
	if m.thirdPersonVerb(x) && m.subjectBehind(x) {
		return true
	}
	i, ok := m.subjectOf(x)
	return ok && m.isOther(i)
}

// subjectOf is the token of the word before the verb of x and its helpers.
func (m *message) subjectOf(x match) (int, bool) {
	if x.from == 0 || !m.verbal(x) {
		return 0, false
	}
	for k := x.from; k > max(x.from-subjectReach, 0); k-- {
		if m.toks[k].brk != noBreak {
			return 0, false
		}
		if !helpers[m.toks[k-1].norm] {
			return k - 1, true
		}
	}
	return 0, false
}

// haver is the token of the word before a verb of having that stands before x in
// its clause: "my grandbaby has hand foot and mouth with a fever".
func (m *message) haver(x match) (int, bool) {
	for k := x.from - 1; k > max(x.from-9, 0); k-- {
		if m.toks[k+1].brk != noBreak || m.mine[k] {
			return 0, false
		}
		if !having[m.toks[k].norm] {
			continue
		}
		for j := k - 1; j >= max(k-3, 0) && m.toks[j+1].brk == noBreak; j-- {
			if !helpers[m.toks[j].norm] {
				return j, true
			}
		}
		return 0, false
	}
	return 0, false
}

var having = set("has", "had", "gets", "caught", "developed", "tiene", "tuvo", "trae", "anda", "agarro", "tenia", "padece", "suffers")

// verbal: x is told with a verb. "Bleeding" is one only behind a helper
// ("is bleeding"); alone it is a noun ("the bleeding").
func (m *message) verbal(x match) bool {
	switch m.toks[x.from].norm {
	case "bleeding", "vomiting", "sangrando", "manchando", "vomitando", "spotting":
		return helpers[m.toks[x.from-1].norm] && m.toks[x.from].brk == noBreak
	case "blood", "bleed", "sangre", "sangrado", "bleeds", "clots", "soaking", "one", "dizziness", "mareo", "mareos", "faint", "fever", "shaking":
		return m.toks[x.from].norm == "faint" && helpers[m.toks[x.from-1].norm]
	}
	t := &m.toks[x.from]
	return t.kind == wordToken && !determiners[t.norm] && !prepositions[t.norm]
}

// isOther reports whether token i names another person: a pronoun, or a noun
// behind a determiner that names nothing of hers.
func (m *message) isOther(i int) bool {
	t := &m.toks[i]
	switch {
	case otherPronouns[t.norm]:
		return true
	case t.kind != wordToken || m.mine[i] || hers[t.norm] || prepositions[t.norm] || determiners[t.norm]:
		return false
	}
	for _, y := range m.foundNear(i-maxSpan, i) {
		if y.to > i && isKind(y.concept, "part", "mod", "head", "sign", "feel", "drug", "form", "intent", "dose", "verb") {
			return false
		}
	}
	if m.properName(i) {
		return true
	}
	for k := i - 1; k >= max(i-2, 0) && m.toks[k+1].brk == noBreak; k-- {
		if determiners[m.toks[k].norm] {
			return true
		}
	}
	return false
}

// properName: a capital in the middle of a sentence that has small letters too.
func (m *message) properName(i int) bool {
	t := &m.toks[i]
	word := m.text[t.from:t.to]
	r, n := utf8.DecodeRuneInString(word)
	return i > 0 && t.brk == noBreak && len(word) > 2 && unicode.IsUpper(r) && strings.ToLower(word[n:]) == word[n:] && t.word.lang == 0
}

// thirdPersonVerb: a Spanish verb of x has the ending of another person,
// accented as she wrote it ("se desmayó"), and no "me" stands by it.
func (m *message) thirdPersonVerb(x match) bool {
	other := false
	for k := max(x.from-2, 0); k < x.to; k++ {
		t := &m.toks[k]
		if t.norm == "me" || t.norm == "i" || t.norm == "yo" || m.mine[k] {
			return false
		}
		other = other || k >= x.from && personVerb(m.text[t.from:t.to])
	}
	return other
}

// subjectBehind: another person is named right behind the verb ("se desmayó la
// vecina"). With no subject at all it may be the patient, and a relative writes.
func (m *message) subjectBehind(x match) bool {
	for k := x.to; k < min(x.to+3, len(m.toks)) && m.toks[k].brk == noBreak; k++ {
		if determiners[m.toks[k].norm] && k+1 < len(m.toks) && m.toks[k+1].brk == noBreak {
			return m.isOther(k + 1)
		}
	}
	return false
}

// personVerb: third person of the past of a verb that a person is subject of.
func personVerb(w string) bool {
	switch strings.ToLower(w) {
	case "desmayó", "vomitó", "convulsionó", "sangró", "cayó", "desplomó", "desvaneció", "mareó", "intoxicó":
		return true
	}
	return false
}

// firstVerb: a Spanish verb in the first person of the past, by the accent that
// she wrote ("vomité", "sentí").
func firstVerb(w string) bool {
	return len(w) > 4 && (strings.HasSuffix(w, "é") || strings.HasSuffix(w, "í")) && !accented[strings.ToLower(w)]
}

var accented = set("bebé", "café", "porqué", "aquí", "allí", "papalé", "también", "esté", "josé", "chalé", "puré", "olé", "maní", "colibrí", "además", "quizá")

// helpers stand between a subject and its verb.
var helpers = set("is", "was", "has", "had", "have", "been", "got", "gets", "just", "almost", "nearly", "suddenly", "also", "then", "actually",
	"completely", "really", "are", "were", "who", "keeps", "kept", "started", "never", "once", "did", "does", "fully", "totally", "being", "be",
	"quite", "literally", "straight", "still", "would", "could", "will", "used", "to", "always", "she", "d", "near", "enough", "went", "and",
	"se", "esta", "estaba", "ha", "habia", "casi", "ya", "tambien", "que", "quien", "le", "anda", "andaba", "lleva", "estuvo", "empezo", "a", "siempre", "andan", "estan")

// otherPronouns are subjects that are never she.
var otherPronouns = set("he", "someone", "somebody", "everyone", "everybody", "people", "nobody", "alguien", "nadie", "ellos", "ellas", "one")

// hers are nouns and pronouns behind which she herself stands.
var hers = set("i", "me", "we", "you", "it", "this", "that", "which", "everything", "body", "thing", "stuff", "wife", "girlfriend", "esposa", "mujer", "novia",
	"patient", "paciente", "she", "they", "ella", "yo", "nosotros", "usted", "tu", "cuerpo", "cosa", "todo", "esto", "eso", "what", "not", "no", "baby", "bebe",
	"knees", "legs", "leg", "arms", "arm", "eyes", "heart", "blood", "pressure", "head", "vision", "stomach", "belly", "uterus", "ovaries", "nose",
	"gums", "pad", "pads", "tampon", "panties", "sheets", "toilet", "period", "flow", "bleeding", "lights", "room", "world", "floor", "incision", "site",
	"rodillas", "piernas", "nariz", "encias", "toalla", "presion", "vista", "cabeza", "panza", "vientre", "regla", "periodo", "sangre", "cuarto", "mundo",
	"pain", "dolor", "temperature", "fever", "fiebre", "temperatura", "embryo", "embrion", "pregnancy", "embarazo")

var determiners = set("my", "the", "a", "an", "his", "her", "our", "their", "your", "another", "some", "this", "that", "one", "un", "una", "mi", "el", "la",
	"su", "nuestra", "nuestro", "otro", "otra", "esa", "ese", "aquella", "tu", "mis", "unas", "unos", "las", "los")

var prepositions = set("in", "on", "at", "of", "with", "from", "for", "by", "after", "before", "when", "while", "if", "since", "because", "but", "or", "so",
	"en", "de", "con", "por", "para", "al", "del", "cuando", "mientras", "si", "desde", "porque", "pero", "o", "y", "through", "until", "hasta", "como", "like", "as", "than")

func set(words ...string) map[string]bool {
	out := make(map[string]bool, len(words))
	for _, w := range words {
		out[w] = true
	}
	return out
}
