package reading

import (
	"slices"

	"handrail.example/triage/rules"
)

// doseEvent is something that happened to a dose.
type doseEvent struct {
	dose rules.Dose
	match
}

// gravity orders events: the drug of the message is the one of the gravest.
var gravity = []rules.Dose{
	rules.Wrong, rules.Stopped, stopping, rules.Missed, rules.Partial, rules.Late, rules.NoneLeft,
	rules.Allergy, rules.TimeQuestion, taken, asked,
}

// taken and asked are no facts for the rules, only for the intent.
const (
	taken = rules.Dose("taken")
	asked = rules.Dose("question")
	// stopping: she means to stop. The rules see it as stopped.
	stopping = rules.Dose("stopping")
)

// readDrug finds what the message says of doses and which medicine it is
// about.
func (m *message) readDrug(r *Reading) {
	named := m.mentions()
	m.events = m.doseEvents(len(named) > 0 || m.ctx.Expecting == ExpectDose)
	if len(m.events) == 0 {
		m.events = m.verbEvents(named)
	}
	m.events = m.graverByWords(m.events, named)
	named = slices.DeleteFunc(named, m.aside)
	r.Drug = m.mainDrug(named)
	if r.Drug == "" && len(m.events) > 0 && len(m.ctx.Medications) == 1 {
		r.Drug = m.ctx.Medications[0].Drug
	}
	for _, x := range named {
		if x.form == formInjection && x.drug == r.Drug {
			m.injection = true
		}
	}
}

func (m *message) doseEvents(medicine bool) []doseEvent {
	var out []doseEvent
	if e, ok := m.bareAnswer(); ok {
		out = append(out, e)
	}
	for _, x := range m.found {
		if x.concept.kind != "dose" {
			continue
		}
		d := doseInState(rules.Dose(x.concept.name), x.state)
		if x.state == Hypothetical && x.concept.name == string(taken) && x.from > 0 && m.toks[x.from-1].norm == "si" {
			d = taken // "sí me la puse": the accent is seldom written
		}
		if d == taken && m.onlyWhen(x) {
			continue
		}
		if (d == taken || d == rules.Stopped) && m.asksHow(x) {
			d = asked
		}
		if d != "" && (medicine || m.saysDose(x)) {
			out = append(out, doseEvent{d, x})
		}
	}
	out = notAfterAll(out)
	slices.SortStableFunc(out, func(a, b doseEvent) int {
		return slices.Index(gravity, a.dose) - slices.Index(gravity, b.dose)
	})
	return out
}

// notAfterAll drops a missed dose that later words take back: "alarm didn't go off,
// so no, not missed".
func notAfterAll(events []doseEvent) []doseEvent {
	if slices.ContainsFunc(events, func(e doseEvent) bool { return e.dose == taken && e.state == Present }) {
		// "Last cycle I did forget once, this one I take it to the minute."
		events = slices.DeleteFunc(events, func(e doseEvent) bool { return e.dose == rules.Missed && e.state == Past })
	}
	return slices.DeleteFunc(events, func(e doseEvent) bool {
		return (e.dose == rules.Missed || e.dose == rules.Late) && slices.ContainsFunc(events, func(o doseEvent) bool {
			return o.concept.name == "reversed" && o.from >= e.to
		})
	})
}

// asksHow: a word that opens a question stands before x in its clause ("should
// letrozole be taken in the evening").
func (m *message) asksHow(x match) bool {
	i := x.from
	for i > max(x.from-farReach, 0) && m.toks[i].brk == noBreak {
		i--
	}
	for ; i < x.to; i++ {
		if i < x.from+1 && doseAskers[m.toks[i].norm] && (i < x.from || x.concept.kind == "dose") {
			return true
		}
		if m.toks[i].norm == "did" && i < x.from && i+1 < len(m.toks) && askedOf[m.toks[i+1].norm] {
			return true
		}
		if i >= x.from || m.toks[i].norm == "i" || m.toks[i].norm == "me" {
			break
		}
	}
	return false
}

// askedOf follow "did" in a question.
var askedOf = map[string]bool{"they": true, "you": true, "i": true, "she": true, "he": true, "we": true, "it": true, "the": true, "my": true}

var doseAskers = map[string]bool{
	"should": true, "can": true, "could": true, "must": true, "does": true, "is": true, "are": true, "how": true, "when": true,
	"which": true, "what": true, "puedo": true, "puede": true, "debo": true, "debe": true, "cuando": true, "como": true, "cual": true,
	"do": true, "would": true, "cuanto": true, "shall": true, "may": true, "donde": true, "where": true, "deberia": true,
}

// bareAnswer is the answer to "did you take it?" in a word or two: "yes", "ya",
// "not yet". Longer answers are read like any message.
func (m *message) bareAnswer() (doseEvent, bool) {
	if m.ctx.Expecting != ExpectDose || len(m.toks) == 0 || len(m.toks) > 3 {
		return doseEvent{}, false
	}
	whole := match{concept: &concept{kind: "dose"}, to: len(m.toks), state: Present}
	for _, t := range m.toks {
		switch t.norm {
		case "no", "not", "nope", "todavia", "aun", "later", "luego", "nunca", "never":
			return doseEvent{rules.Missed, whole}, true
		}
	}
	for _, t := range m.toks {
		switch t.norm {
		case "yes", "si", "ya", "done", "taken", "listo", "lista", "ok", "okay", "ethumb", "hecho", "tomada", "puesta", "claro", "sure", "did", "yep":
			return doseEvent{taken, whole}, true
		}
	}
	return doseEvent{}, false
}

// toldDone: what looks like a question about the minute of the trigger says that
// it was given ("ovidrel done at 10").
func (m *message) toldDone(x match) bool {
	if x.concept.kind != "dose" || x.concept.name != "time_question" || m.questions[m.toks[x.from].sentence] {
		return false
	}
	for i := x.from; i < min(x.to+3, len(m.toks)); i++ {
		switch m.toks[i].norm {
		case "done", "given", "took", "triggered", "taken", "complete", "completed", "listo", "lista", "puesto", "puesta", "hecho", "hecha", "aplicado", "aplicada", "inyectado", "inyectada":
			return m.toks[i].sentence == m.toks[x.from].sentence
		}
	}
	return false
}

// reversedAgain: "I did not remember", "ni me acordé": no dose that was taken.
func (m *message) reversedAgain(x match) bool {
	if x.concept.kind != "dose" || x.concept.name != "reversed" || x.from == 0 || m.toks[x.from].brk != noBreak {
		return false
	}
	switch m.toks[x.from-1].norm {
	case "ni", "no", "not", "never", "nunca":
		return !slices.ContainsFunc(m.toks[x.from:x.to], func(t token) bool { return t.norm == "no" || t.norm == "not" || t.norm == "never" })
	}
	return false
}

// onlyWhen: the dose is told only to say when or where something was: "when I put
// in the insert", "where I did the injection".
func (m *message) onlyWhen(x match) bool {
	for i := max(x.from-2, 0); i < x.from; i++ {
		switch m.toks[i].norm {
		case "when", "where", "after", "since", "while", "cuando", "donde", "desde", "al", "luego", "tras":
			return m.toks[i].sentence == m.toks[x.from].sentence
		}
	}
	return false
}

// noOnItsOwn: the denial with which x begins is an answer by itself: "no, I took
// it".
func (m *message) noOnItsOwn(x match) bool {
	return x.concept.kind == "dose" && x.from+1 < x.to && m.toks[x.from].norm == "no" && m.toks[x.from+1].brk != noBreak
}

// saysDose: the words of x themselves speak of a dose ("forgot to take").
// "I forgot" alone, with no medicine in the message, may be about anything.
func (m *message) saysDose(x match) bool {
	for _, w := range m.foundNear(x.from, x.to-1) {
		if w.concept.kind == "word" && w.concept.name == "dose_verb" {
			return true
		}
	}
	return false
}

// doseInState turns what was said into what is so: a dose that was not missed
// was taken, a missed one that is only supposed is a question.
func doseInState(d rules.Dose, s State) rules.Dose {
	switch {
	case d == "reversed", s == nearly && (d == rules.Missed || d == rules.Wrong || d == rules.Late || d == rules.Stopped || d == rules.Partial):
		return taken
	case s == Present || s == Past && d == rules.Missed:
		return d
	case s == Negated && (d == rules.Missed || d == rules.Late || d == rules.Stopped):
		return taken
	case s == Negated && d == taken:
		return rules.Missed
	case s == Hypothetical:
		return asked
	}
	return ""
}

// mainDrug is the medicine nearest to the gravest event, else the first named.
func (m *message) mainDrug(named []mention) rules.Drug {
	if len(named) == 0 {
		return ""
	}
	for _, e := range m.events {
		best, at := -1, 15
		for i, x := range named {
			d := max(x.from-e.to, e.from-x.to, 0)
			if x.to <= e.from {
				d += 2 // "took the one but forgot the other": what follows is meant
			}
			if x.vague {
				d += 5
			}
			if m.toks[x.from].sentence != m.toks[e.from].sentence {
				d += 6
			}
			if d < at {
				best, at = i, d
			}
		}
		if best >= 0 {
			return named[best].drug
		}
	}
	for _, x := range named {
		if x.drug != rules.OtherDrug {
			return x.drug
		}
	}
	return named[0].drug
}

// readDoses gives the rules what they need to know of the events.
func (m *message) readDoses(r *Reading) {
	for _, e := range m.events {
		if e.dose == taken || e.dose == asked {
			continue
		}
		if e.dose == stopping {
			e.dose = rules.Stopped
		}
		r.Doses = addOnce(r.Doses, e.dose)
		if e.dose == rules.Missed && m.onEarlierDay(e) {
			r.Doses = addOnce(r.Doses, rules.EarlierDay)
		}
	}
	if len(r.Doses) == 0 {
		m.unsettledDose(r)
	}
	if len(r.Doses) == 0 {
		return
	}
	if r.Drug == "" {
		r.Drug = rules.OtherDrug
	}
	if m.injection || m.injectedVerb() {
		r.Doses = append(r.Doses, rules.Injection)
	}
	if m.any("qual", "several") {
		r.Doses = addOnce(r.Doses, rules.Several)
	}
}

// injectedVerb: the words of an event say themselves that it was an injection
// ("no me inyecté ayer").
func (m *message) injectedVerb() bool {
	return slices.ContainsFunc(m.events, func(e doseEvent) bool {
		return slices.ContainsFunc(m.toks[e.from:min(e.to+1, len(m.toks))], func(t token) bool { return injecting[t.norm] })
	})
}

var injecting = set("inject", "injected", "injecting", "jab", "jabbed", "inyecte", "inyectarme", "inyectado", "inyectar", "inyecto", "pinche", "pincharme", "pinchado")

// unsettledDose: she tells of a medicine whose hour matters, with a word of
// trouble, and the reading knows no more. Unsure, it takes the graver: a dose
// that went wrong. A question about the trigger with an hour in it cannot wait.
func (m *message) unsettledDose(r *Reading) {
	timed := r.Drug == rules.Trigger || r.Drug == rules.Progesterone || r.Drug == rules.Gonadotropin
	if !timed {
		return
	}
	asks := slices.ContainsFunc(m.events, func(e doseEvent) bool { return e.dose == asked && e.state == Present })
	done := slices.ContainsFunc(m.events, func(e doseEvent) bool { return e.dose == taken })
	switch {
	case r.Drug == rules.Trigger && asks && (m.hasWord["today"] || m.hasWord["now"]):
		m.events = append(m.events, doseEvent{dose: rules.TimeQuestion})
		r.Doses = append(r.Doses, rules.TimeQuestion)
	case len(m.events) == 0 && !done && m.has("word", "trouble") && len(r.Signs) == 0 && !slices.Contains(m.questions, true) && !doseAskers[m.toks[0].norm]:
		m.events = append(m.events, doseEvent{dose: rules.Wrong})
		r.Doses = append(r.Doses, rules.Wrong)
	}
}

// onEarlierDay: the sentence of the event names a day before today.
func (m *message) onEarlierDay(e doseEvent) bool {
	for _, x := range m.dates() {
		if m.toks[x.from].sentence != m.toks[e.from].sentence || x.future || len(x.days) == 0 {
			continue
		}
		if x.days[0].Before(m.today()) {
			return true
		}
	}
	return false
}
