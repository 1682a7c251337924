package reading

import (
	"slices"

	"handrail.example/triage/rules"
)

// Forms in which a medicine comes; a vague word ("the pill", "my shot") names
// one of them.
const (
	formPill      = "pill"
	formInjection = "injection"
	formVaginal   = "vaginal"
	formPatch     = "patch"
	formGel       = "gel"
)

// usualForms of a drug whose product says nothing of its form.
var usualForms = map[rules.Drug][]string{
	rules.Letrozole: {formPill}, rules.Clomiphene: {formPill}, rules.Gonadotropin: {formInjection},
	rules.Trigger: {formInjection}, rules.Progesterone: {formVaginal}, rules.Estrogen: {formPill},
	rules.OtherDrug: {formPill},
}

// ParseMedication makes an entry of the medication list from free words
// ("letrozole 2.5 mg tablets, blue").
func ParseMedication(words string) Medication {
	lex := theLexicon()
	s := scan(lex, words)
	med := Medication{Drug: rules.OtherDrug, Product: words}
	found := lex.find(&runner{toks: s.toks})
	for _, x := range found {
		if x.concept.kind == "drug" && med.Drug == rules.OtherDrug {
			med.Drug = rules.Drug(x.concept.name)
		}
		if x.concept.kind == "form" {
			med.Words = addOnce(med.Words, x.concept.name)
		}
	}
	for _, t := range s.toks {
		if colours[t.norm] != "" {
			med.Words = addOnce(med.Words, colours[t.norm])
		}
	}
	return med
}

// colours of tablets, in both languages, as one word each.
var colours = map[string]string{
	"blue": "blue", "azul": "blue", "azules": "blue", "white": "white", "blanca": "white", "blanco": "white", "blancas": "white",
	"yellow": "yellow", "amarilla": "yellow", "amarillo": "yellow", "amarillas": "yellow", "pink": "pink", "rosa": "pink", "rosada": "pink", "rosadas": "pink",
	"green": "green", "verde": "green", "verdes": "green", "orange": "orange", "naranja": "orange", "anaranjada": "orange",
	"azulita": "blue", "azulitas": "blue", "blanquita": "white", "blanquitas": "white", "amarillita": "yellow", "rosita": "pink", "verdecita": "green",
	"purple": "purple", "morada": "purple", "red": "red", "roja": "red", "brown": "brown", "cafe": "brown", "marron": "brown",
}

func (med Medication) comesAs(form string) bool {
	if slices.ContainsFunc(med.Words, isForm) {
		return slices.Contains(med.Words, form)
	}
	return slices.Contains(usualForms[med.Drug], form)
}

func isForm(w string) bool {
	return slices.Contains([]string{formPill, formInjection, formVaginal, formPatch, formGel}, w)
}

// mention is a medicine named or hinted at in the text.
type mention struct {
	drug     rules.Drug
	from, to int
	form     string
	vague    bool
}

// mentions has every medicine of the message, in the order of the text. A word
// that only says when something was ("since the trigger") is none.
func (m *message) mentions() []mention {
	var out []mention
	for _, x := range m.found {
		switch x.concept.kind {
		case "drug":
			if !m.inPhaseWords(x) {
				out = append(out, mention{drug: rules.Drug(x.concept.name), from: x.from, to: x.to})
			}
		case "form":
			out = append(out, mention{from: x.from, to: x.to, form: x.concept.name, vague: true})
		}
	}
	out = append(out, m.colouredOnes()...)
	slices.SortStableFunc(out, func(a, b mention) int { return a.from - b.from })
	out = dropRepeats(out)
	for i := range out {
		if out[i].vague {
			out[i].drug = m.resolve(out[i])
		}
	}
	return out
}

// colouredOnes are "the blue one", "la blanquita", where a dose is told of.
func (m *message) colouredOnes() []mention {
	if !slices.ContainsFunc(m.found, func(x match) bool { return isKind(x.concept, "dose", "verb") }) {
		return nil
	}
	var out []mention
	for i := range m.toks {
		if colours[m.toks[i].norm] == "" {
			continue
		}
		next, before := "", ""
		if i+1 < len(m.toks) {
			next = m.toks[i+1].norm
		}
		if i > 0 {
			before = m.toks[i-1].norm
		}
		if next == "one" || next == "ones" || before == "la" || before == "las" || before == "los" {
			out = append(out, mention{from: i, to: i + 1, form: formPill, vague: true})
		}
	}
	return out
}

func (m *message) inPhaseWords(x match) bool {
	for _, p := range m.foundNear(x.from-maxSpan, x.from) {
		if p.concept.kind == "phase" && p.from <= x.from && p.to >= x.to && p.concept.name != string(rules.Stimulation) && !m.hasWord["allergic"] {
			return true
		}
	}
	return false
}

// aside reports whether the medicine of a message is by the way: vague words or
// a painkiller beside a symptom, where nothing is told or asked of a dose; the
// trigger beside an ovulation test; a level in the blood.
func (m *message) aside(x mention) bool {
	told := slices.ContainsFunc(m.events, func(e doseEvent) bool { return e.dose != taken })
	switch {
	case x.drug == rules.Trigger && (m.has("intent", string(rules.LHPositive)) || len(m.events) == 0 && m.since(x)):
		return true
	case told:
		return false
	case x.drug == rules.Progesterone || x.drug == rules.Estrogen:
		return m.has("intent", string(rules.ResultQuestion)) && !x.vague && len(m.events) == 0
	case x.drug == rules.OtherDrug && m.has("intent", string(rules.Emotional)) && x.vague:
		return true
	}
	return m.bodySpoken() && x.vague && x.form != formVaginal && x.form != formPatch ||
		m.bodySpoken() && x.drug == rules.OtherDrug && m.hasWord["painkiller"] && !m.asks()
}

// since: the medicine only says since when something is so ("desde el disparo").
func (m *message) since(x mention) bool {
	for k := x.from - 1; k >= max(x.from-3, 0); k-- {
		switch m.toks[k].norm {
		case "since", "after", "desde", "tras", "despues", "luego":
			return true
		}
	}
	return false
}

// dropRepeats drops a form that only goes with a named drug: "letrozole pill",
// "progesterone shot".
func dropRepeats(in []mention) []mention {
	var out []mention
	for i, x := range in {
		beside := i > 0 && !in[i-1].vague && x.from-in[i-1].to <= 2 ||
			i+1 < len(in) && !in[i+1].vague && in[i+1].from-x.to <= 2
		if !x.vague || !beside {
			out = append(out, x)
			continue
		}
		if i > 0 && !in[i-1].vague && x.from-in[i-1].to <= 2 {
			out[len(out)-1].form = x.form
		}
	}
	return out
}

// resolve finds the medicine that a vague word means on her list; where the
// list does not tell, some forms have one usual drug in this treatment, and
// else it stays an unnamed medicine.
func (m *message) resolve(x mention) rules.Drug {
	var fits []rules.Drug
	colour := m.colourNear(x)
	for _, med := range m.ctx.Medications {
		if colour != "" && slices.Contains(med.Words, colour) && med.comesAs(x.form) {
			return med.Drug
		}
		if med.comesAs(x.form) {
			fits = addOnce(fits, med.Drug)
		}
	}
	if len(fits) == 1 {
		return fits[0]
	}
	switch x.form {
	case formVaginal, formGel:
		return rules.Progesterone
	case formPatch:
		return rules.Estrogen
	case formInjection:
		if len(fits) == 0 && m.ctx.Phase == rules.Stimulation {
			return rules.Gonadotropin
		}
		if len(fits) == 0 && (m.ctx.Phase == rules.AfterTransfer || m.ctx.Phase == rules.EarlyPregnancy) {
			return rules.Progesterone
		}
	}
	return rules.OtherDrug
}

func (m *message) colourNear(x mention) string {
	for i := max(x.from-2, 0); i < min(x.to+2, len(m.toks)); i++ {
		if c := colours[m.toks[i].norm]; c != "" {
			return c
		}
	}
	return ""
}
