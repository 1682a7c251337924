package reading

import (
	"cmp"
	"slices"

	"handrail.example/triage/rules"
)

// readFindings gathers the signs: those that a block of the lexicon names
// outright, those of the heads (pain, bleeding, swelling) with their
// modifiers, and those of measured numbers.
func (m *message) readFindings(r *Reading) {
	var all []seen
	for _, x := range m.found {
		if x.concept.kind == "sign" && !m.onClock(x) && !m.ofHead(x) && !m.struckByPain(x) {
			all = append(all, seen{rules.Sign(x.concept.name), x.from, x.to, x.state})
		}
	}
	all = append(all, m.withFever(all)...)
	all = append(all, m.heads()...)
	all = append(all, m.composed()...)
	frames := m.framed()
	all = append(all, frames...)
	all = append(all, m.measures()...)
	m.weigh(all)
	all = dropExplained(all)
	slices.SortStableFunc(all, func(a, b seen) int { return cmp.Compare(a.from, b.from) })
	for _, x := range all {
		finding := rules.FindingOf(x.sign)
		if finding == "" {
			continue
		}
		if !slices.Contains(frames, x) || !toldWithin(x, all) {
			r.Spans = append(r.Spans, Span{m.toks[x.from].from, m.toks[x.to-1].to, finding, x.state})
		}
		if x.state == Present {
			r.Signs = addOnce(r.Signs, x.sign)
			r.Findings = addOnce(r.Findings, finding)
		}
	}
	if m.hasWord["accident"] && slices.Contains(r.Signs, "overdose") {
		r.Signs = slices.DeleteFunc(r.Signs, func(s rules.Sign) bool { return s == "self_harm" })
	}
	m.dropWithin(all, r)
	tidy(r)
}

// withFever: "confused" says much beside a fever and little without one.
func (m *message) withFever(all []seen) []seen {
	fever := slices.ContainsFunc(append(m.measures(), all...), func(x seen) bool {
		return x.sign == "high_temperature" && x.state == Present
	})
	if !fever {
		return nil
	}
	var out []seen
	for _, x := range m.found {
		if x.concept.kind == "with_fever" {
			out = append(out, seen{rules.Sign(x.concept.name), x.from, x.to, x.state})
		}
	}
	return out
}

// seen is a sign in the text, from token from to token to, exclusive.
type seen struct {
	sign     rules.Sign
	from, to int
	state    State
}

// weigh settles what the scopes alone cannot: a question about a symptom that
// she does not say she has, and a grave sign that was there today.
func (m *message) weigh(all []seen) {
	if len(all) <= manySigns { // more are no message that a patient wrote
		m.recite(all)
		m.overSince(all)
		m.disowned(all)
	}
	low, high := false, false
	var slow []seen
	for _, x := range all {
		if x.sign == slowPads {
			slow = append(slow, x)
		}
		low = low || x.sign == noFever
		high = high || x.sign == "high_temperature" && m.toks[x.from].isNumber()
	}
	for i := range all {
		x := &all[i]
		switch {
		case x.sign == "soaking" && within(*x, slow):
			x.state = Negated
		case x.sign == "high_temperature" && low && !high:
			x.state = Negated
		case x.state == Present && m.general(x.from) && !m.despairs(*x):
			x.state = Hypothetical
		case x.sign == "alarm" && m.questions[m.toks[x.from].sentence]:
			x.state = Hypothetical
		case x.sign == "self_harm" && x.state == Hypothetical && !m.general(x.from):
			// "If it is negative, I am done with living" is no mere supposition.
			x.state = Present
		case x.state == OtherPerson && (m.ours || x.sign == "violence" || lasting[x.sign] && m.happening(x.to)):
			x.state = Present
		case (x.state == Hypothetical || x.state == Quoted || x.state == Past) && m.cameTrue(x.to):
			x.state = Present
		case x.state == resolved && lasting[x.sign] && m.ofToday(x.from):
			x.state = Present
		case x.state == resolved:
			x.state = Past
		case x.state == Present && (m.denied(x.from) || m.toldNo(x.to) || m.hasWord["all_clear"] && !m.about[m.toks[x.from].sentence].owns):
			x.state = Negated
		}
	}
}

// within reports whether x overlaps one of the others.
func within(x seen, others []seen) bool {
	return slices.ContainsFunc(others, func(o seen) bool { return x.from < o.to && o.from < x.to })
}

// denied: the sign stands in a question that the next sentence answers with no
// ("Bleeding? None.").
func (m *message) denied(i int) bool {
	s := m.toks[i].sentence
	if !m.questions[s] {
		return false
	}
	for k := i + 1; k < min(i+farReach, len(m.toks)) && m.toks[k].sentence <= s+1; k++ {
		if m.toks[k].sentence == s+1 {
			// "Fever? No. Swollen leg? Same old legs.": in a list gone through, a
			// bare question that is not answered with yes is a no.
			listed := m.quiz && k-i <= 3 && !m.about[s].owns && !yesAnswers[m.toks[k].norm]
			return noAnswers[m.toks[k].norm] || listed
		}
	}
	return false
}

// isQuiz reports whether the message asks a question and answers it with no.
func (m *message) isQuiz() bool {
	for k := 1; k < len(m.toks); k++ {
		s := m.toks[k].sentence
		if m.toks[k-1].sentence == s-1 && m.questions[s-1] && noAnswers[m.toks[k].norm] {
			return true
		}
	}
	return false
}

var yesAnswers = map[string]bool{
	"yes": true, "yeah": true, "yep": true, "yup": true, "si": true, "claro": true, "some": true, "little": true, "a": true, "un": true,
	"poco": true, "algo": true, "very": true, "worse": true, "since": true, "started": true, "check": true, "definitely": true, "lots": true,
	"mucho": true, "mucha": true, "bastante": true, "desde": true, "hoy": true, "today": true, "also": true, "tambien": true, "i": true,
	"me": true, "tengo": true, "it": true, "affirmative": true, "kind": true, "both": true, "help": true, "ayuda": true, "que": true,
	"should": true, "what": true, "please": true, "or": true, "is": true, "por": true, "debo": true,
}

// toldNo: "fever no, bleeding no": the denial stands behind, and a break
// behind it.
func (m *message) toldNo(i int) bool {
	if i >= len(m.toks) || m.toks[i].brk == hardBreak || !noAnswers[m.toks[i].norm] || m.toks[i].norm == "not" {
		return false
	}
	return i+1 == len(m.toks) || m.toks[i+1].brk != noBreak
}

var noAnswers = map[string]bool{
	"no": true, "none": true, "nope": true, "nothing": true, "zero": true, "fine": true, "never": true, "nada": true,
	"ninguno": true, "ninguna": true, "nop": true, "cero": true, "negative": true, "negativo": true, "tampoco": true, "not": true, "nah": true,
}

// noFever is a measured temperature below the limit: a "fever" told with it is
// then none.
const noFever = rules.Sign("no_fever")

// lasting are the signs that count for the day on which they were, even when
// they have passed.
var lasting = map[rules.Sign]bool{
	"fainted": true, "seizure": true, "stroke": true, "chest_pain": true, "breathless": true,
	"vision_loss": true, "airway_swelling": true, "severe_belly_pain": true, "sudden_pain": true,
	"worst_headache": true, "soaking": true, "tissue": true, "self_harm": true, "overdose": true,
	"cough_blood": true, "violence": true,
}

// general reports whether the sentence at token i asks about a symptom in
// general: a question's opening, and nobody who has it.
func (m *message) general(i int) bool {
	s := m.about[m.toks[i].sentence]
	return !s.owns && (s.asks && s.asksAt <= i || m.asksWhy(i))
}

// asksWhy: the sentence of token i is a question that opens with a word for one, so
// that it tells nothing ("por qué les da convulsión a algunas"); "is" and "are" may
// open one about what she has.
func (m *message) asksWhy(i int) bool {
	s := m.toks[i].sentence
	if !m.questions[s] {
		return false
	}
	sign := i
	for i > 0 && m.toks[i-1].sentence == s {
		i--
	}
	if i+1 < len(m.toks) && m.toks[i].norm == "por" {
		i++
	}
	if i+1 < len(m.toks) && needsHelp[m.toks[i+1].norm] || m.brokenBetween(i, sign) {
		return false // "what to do, bleeding heavily?"
	}
	return whyWords[m.toks[i].norm]
}

// needsHelp are words behind which a question asks what to do now.
var needsHelp = set("to", "now", "hago", "hacer", "hacemos", "tomo", "puedo", "number", "numero")

var whyWords = set("why", "how", "what", "which", "who", "does", "do", "could", "would", "que", "como", "cual", "cuales", "cuando", "puede", "pueden", "quien", "cuanto", "cuanta")

// despairs reports whether a question is itself the sign: "what's the point of
// living" asks nothing.
func (m *message) despairs(x seen) bool {
	return x.sign == "self_harm" && m.about[m.toks[x.from].sentence].asksAt >= x.from
}

// ofToday reports whether the sentence at token i speaks of today.
func (m *message) ofToday(i int) bool { return m.about[m.toks[i].sentence].today }

// sentence is what the small words of one sentence say.
type sentence struct {
	// asks: it opens a question in general; owns: somebody has something in it;
	// today: it speaks of today.
	asks, owns, today bool
	// asksAt is the token with which it first asks: "soaking pads is that
	// normal" has told before.
	asksAt int
}

func (m *message) sentences() []sentence {
	out := make([]sentence, len(m.questions))
	for _, x := range m.found {
		if x.concept.kind != "word" {
			continue
		}
		m.hasWord[x.concept.name] = true
		s := &out[m.toks[x.from].sentence]
		switch x.concept.name {
		case "asks_general":
			if !s.asks && m.opens(x) {
				s.asks, s.asksAt = true, x.from
			}
		case "owner":
			s.owns = true
		case "today":
			s.today = true
		}
	}
	return out
}

// tidy drops the weaker of two findings that are one thing.
func tidy(r *Reading) {
	drop := func(weak rules.Sign, strong ...rules.Sign) {
		for _, s := range strong {
			if slices.Contains(r.Signs, s) {
				r.Signs = slices.DeleteFunc(r.Signs, func(x rules.Sign) bool { return x == weak })
				return
			}
		}
	}
	drop("period_bleeding", "soaking", "heavy_flow", "large_clots", "spotting")
	drop("spotting", "soaking", "heavy_flow")
	drop("cramps", "severe_belly_pain", "sudden_pain", "moderate_pain", "one_sided_pain")
	drop("one_sided_pain", "severe_belly_pain", "sudden_pain")
	drop("moderate_pain", "severe_belly_pain", "sudden_pain")
	drop("mild_headache", "worst_headache", "headache_severe")
	drop("nausea", "vomiting_lots")
	// A cry for help beside what it is about tells nothing more.
	drop("alarm", "soaking", "severe_belly_pain", "sudden_pain", "fainted", "breathless", "chest_pain", "self_harm", "seizure", "stroke",
		"overdose", "airway_swelling", "worst_headache", "vision_loss", "danger", "violence", "rigors")
	r.Findings = nil
	for _, s := range r.Signs {
		r.Findings = addOnce(r.Findings, rules.FindingOf(s))
	}
}

// opens reports whether a question begins with x: at the head of a clause, or
// anywhere where a question mark follows.
func (m *message) opens(x match) bool {
	t := m.toks[x.from]
	return x.from == 0 || t.brk != noBreak || m.questions[t.sentence] || openings[m.toks[x.from-1].norm]
}

var openings = map[string]bool{
	"hi": true, "hello": true, "hola": true, "so": true, "and": true, "y": true, "also": true, "tambien": true, "question": true,
	"pregunta": true, "duda": true, "wondering": true, "know": true, "saber": true, "ask": true, "preguntar": true, "oigan": true,
	"oiga": true, "curious": true, "doctora": true, "how": true, "why": true, "what": true, "when": true, "please": true, "favor": true, "then": true, "but": true, "pero": true,
}

// dropWithin drops "cramps", the least that a word for pain says, where the
// word belongs to a sore injection site or a side effect.
func (m *message) dropWithin(all []seen, r *Reading) {
	var weak, free bool
	for _, x := range all {
		if x.sign != "cramps" || x.state != Present {
			continue
		}
		in := slices.ContainsFunc(all, func(w seen) bool {
			return weakSigns[string(w.sign)] && w.state == Present && w.from <= x.from && x.to <= w.to
		})
		weak, free = weak || in, free || !in
	}
	if weak && !free {
		r.Signs = slices.DeleteFunc(r.Signs, func(s rules.Sign) bool { return s == "cramps" })
	}
}

// toldWithin reports whether fewer words, some of them a frame's, say the same.
func toldWithin(x seen, all []seen) bool {
	return slices.ContainsFunc(all, func(o seen) bool {
		return o.from < x.to && x.from < o.to && o.to-o.from < x.to-x.from && o.state == x.state && rules.FindingOf(o.sign) == rules.FindingOf(x.sign)
	})
}

// merged joins the spans of one finding in one state that overlap: several
// patterns often meet in the same words.
func merged(spans []Span) []Span {
	var out []Span
	for _, s := range spans {
		// What overlaps stands near: the spans come in the order of the text.
		near := max(len(out)-16, 0)
		i := slices.IndexFunc(out[near:], func(o Span) bool {
			return o.Finding == s.Finding && o.State == s.State && o.From < s.To && s.From < o.To
		})
		if i < 0 {
			out = append(out, s)
			continue
		}
		i += near
		out[i].From, out[i].To = min(out[i].From, s.From), max(out[i].To, s.To)
	}
	slices.SortStableFunc(out, func(a, b Span) int { return cmp.Compare(a.From, b.From) })
	return out
}
