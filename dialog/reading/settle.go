package reading

import (
	"slices"

	"handrail.example/triage/rules"
)

// settle drops what is only by the way (thanks, a dose taken beside a question)
// and finds something where nothing was found.
func (m *message) settle(r *Reading, all []rules.Intent) []rules.Intent {
	var out []rules.Intent
	for _, i := range all {
		out = addOnce(out, i)
	}
	out = m.sortOut(r, out)
	if len(out) == 0 || len(out) == 1 && out[0] == rules.Thanks && (!m.any("word", "ack") || len(m.toks) > 5 || m.asks()) {
		if i := m.lastResort(r, len(out) > 0); i != "" {
			out = append([]rules.Intent{i}, out...)
		}
	}
	if len(out) == 1 && (out[0] == rules.Emotional || out[0] == rules.TravelOrLife) && len(r.Signs) == 0 && m.has("word", "came") && !m.asks() && m.bareDate(r) {
		m.period = true
		out = []rules.Intent{rules.PeriodStart} // "came a week ago today, mea culpa"
	}
	if len(out) > 1 {
		out = slices.DeleteFunc(out, func(i rules.Intent) bool { return i == rules.Thanks })
	}
	if len(out) == 0 {
		out = append(out, rules.Unclear)
	}
	if slices.Contains(out, rules.VisitQuestion) && m.hasWord["prepare"] {
		r.Flags = addOnce(r.Flags, rules.Preparation)
	}
	if slices.Contains(out, rules.OtherPerson) && m.hasWord["relative_writes"] {
		r.Flags = addOnce(r.Flags, rules.AsksForHer)
	}
	if slices.Contains(out, rules.Unclear) && m.unreadable() {
		r.Flags = append(r.Flags, rules.Unreadable)
	}
	return out
}

// sortOut drops what two intents share the words of: moving a dose is no visit,
// spotting is no missing period, a period is no question about one.
func (m *message) sortOut(r *Reading, all []rules.Intent) []rules.Intent {
	has := func(i rules.Intent) bool { return slices.Contains(all, i) }
	drop := func(i rules.Intent) {
		all = slices.DeleteFunc(all, func(x rules.Intent) bool { return x == i })
	}
	if r.Drug != "" && !m.hasWord["visit"] && (has(rules.DoseQuestion) || has(rules.DoseMissed) || has(rules.DoseTaken) || has(rules.Reschedule)) {
		if has(rules.Reschedule) && !has(rules.DoseMissed) && !has(rules.DoseTaken) {
			all = append(all, rules.DoseQuestion)
		}
		drop(rules.Reschedule)
		drop(rules.VisitQuestion)
	}
	if general := m.hasWord["asks_general"]; general && has(rules.VisitQuestion) && !m.hasWord["visit"] && (m.spokenOf(r) || m.any("topic", "illness") || m.bodyAsked()) {
		drop(rules.VisitQuestion)
		all = append(all, rules.Symptom)
	} else if general && len(all) == 1 && has(rules.Emotional) {
		if i := m.lastResort(r, true); i != "" && i != rules.PeriodStart {
			all = []rules.Intent{i}
		}
	}
	if has(rules.VisitQuestion) && m.any("topic", "lifestyle") && !m.hasWord["visit_proper"] && m.onlyTime() {
		drop(rules.VisitQuestion) // "can I dye my hair before the transfer"
		all = append(all, rules.TravelOrLife)
	}
	if has(rules.Thanks) && has(rules.ResultQuestion) && !m.asks() && !m.hasWord["waits"] {
		drop(rules.ResultQuestion) // "when you rang with that number ... thank you"
	}
	if has(rules.VisitQuestion) && !m.asks() && m.spokenOf(r) && !m.hasWord["cannot_come"] {
		drop(rules.VisitQuestion) // "had the scan for the bleed, all resolved"
		all = append(all, rules.Symptom)
	}
	if has(rules.HumanPlease) && len(r.Findings) == 0 && m.asks() && spanIn(r, Hypothetical) && m.onlyIn(r, Hypothetical, Negated, Quoted) {
		drop(rules.HumanPlease) // "if I started bleeding at night, who would answer"
		all = append(all, rules.Symptom)
	}
	if m.deniesHarm(r) {
		return []rules.Intent{rules.Emotional}
	}
	if has(rules.VisitQuestion) && has(rules.HumanPlease) && m.hasWord["visit_proper"] {
		drop(rules.HumanPlease)
	}
	if has(rules.Symptom) && m.handles(r) {
		drop(rules.Symptom)
		all = append(all, rules.DoseQuestion)
	}
	if m.gladly(r, all) {
		return []rules.Intent{rules.Thanks}
	}
	if has(rules.DoseTaken) && has(rules.DoseQuestion) && !m.asks() && len(r.Doses) == 0 {
		drop(rules.DoseQuestion)
	}
	if !m.asks() && spanIn(r, Negated) && len(r.Findings) == 0 && !slices.ContainsFunc(all, notAside) {
		return []rules.Intent{rules.Symptom} // she reports that there is nothing
	}
	if has(rules.PeriodSpotting) && len(r.Signs) == 1 {
		drop(rules.Symptom)
	}
	if has(rules.DoseTaken) && !m.asks() {
		drop(rules.TravelOrLife)
	}
	if has(rules.DoseQuestion) && !m.hasWord["dose_verb"] && m.spokenOf(r) && m.onlyAsked() {
		drop(rules.DoseQuestion)
		all = append(all, rules.Symptom)
	}
	if m.illnessAsked(has(rules.VisitQuestion) || has(rules.Reschedule)) && len(r.Findings) == 0 && !slices.ContainsFunc(all, firm) {
		return []rules.Intent{rules.Symptom}
	}
	if has(rules.Emotional) && m.hasWord["joy"] && !m.asks() && len(r.Findings) == 0 {
		drop(rules.Emotional)
		all = append(all, rules.Thanks)
	}
	if has(rules.TravelOrLife) && m.spokenOf(r) && (!m.asks() || spanIn(r, Hypothetical)) {
		drop(rules.TravelOrLife)
		all = append(all, rules.Symptom)
	}
	if has(rules.ResultQuestion) && has(rules.DoseQuestion) && m.onlyAsked() && !m.hasWord["dose_verb"] {
		drop(rules.DoseQuestion)
	}
	if has(rules.DoseQuestion) && r.Drug == "" && m.onlyAsked() && (has(rules.TravelOrLife) || m.any("topic", "lifestyle")) {
		drop(rules.DoseQuestion)
		all = append(all, rules.TravelOrLife)
	}
	if has(rules.ResultQuestion) && has(rules.HumanPlease) && m.asks() && m.hasWord["result"] {
		drop(rules.HumanPlease)
	}
	if has(rules.OtherPerson) && r.Drug == "" && !m.asks() && !m.hasWord["waits"] {
		drop(rules.ResultQuestion)
	}
	if has(rules.StopMessages) && (len(m.events) > 0 && r.Drug != "" || len(all) > 1 && len(m.toks) > 25) {
		drop(rules.StopMessages)
	}
	if has(rules.Thanks) && len(all) == 2 && !m.asks() && m.any("word", "ack") {
		drop(rules.VisitQuestion)
	}
	if has(rules.Emotional) && !m.asks() {
		drop(rules.VisitQuestion)
		drop(rules.ResultQuestion)
	}
	if has(rules.TravelOrLife) && !has(rules.Reschedule) && m.hasWord["move"] && m.hasWord["cannot_come"] && m.asks() {
		drop(rules.TravelOrLife)
		all = append(all, rules.Reschedule)
	}
	if has(rules.VisitQuestion) && !has(rules.Reschedule) && m.hasWord["visit"] && m.hasWord["move"] {
		drop(rules.VisitQuestion)
		all = append(all, rules.Reschedule)
	}
	return addOnce(nil, all...)
}

// illnessAsked: she asks about an illness. Where the message asks for a visit, one
// that only stands in the story before the question does not count.
func (m *message) illnessAsked(visit bool) bool {
	asked := visit && slices.Contains(m.questions, true)
	return m.asks() && slices.ContainsFunc(m.found, func(x match) bool {
		return x.concept.kind == "topic" && x.concept.name == "illness" && (!asked || m.questions[m.toks[x.from].sentence])
	})
}

// onlyIn: every finding that is spoken of stands in one of the states.
func (m *message) onlyIn(r *Reading, states ...State) bool {
	return !slices.ContainsFunc(r.Spans, func(s Span) bool { return !slices.Contains(states, s.State) })
}

// deniesHarm: she says of nothing but self-harm, and that it is not so.
func (m *message) deniesHarm(r *Reading) bool {
	return len(r.Spans) > 0 && len(r.Findings) == 0 && !m.asks() &&
		!slices.ContainsFunc(r.Spans, func(s Span) bool { return s.Finding != rules.SelfHarm || s.State != Negated })
}

// gladly: thanks or laughter, and every alarming word of the message in jest or
// said back.
func (m *message) gladly(r *Reading, all []rules.Intent) bool {
	if len(r.Spans) == 0 || m.asks() || len(r.Doses) > 0 || !m.hasWord["joy"] && !slices.Contains(all, rules.Thanks) || m.hasWord["wept"] {
		return false
	}
	return !slices.ContainsFunc(r.Spans, func(s Span) bool { return s.State != Figurative && s.State != Quoted })
}

// notAside are intents that a report of no symptoms does not have by the way.
func notAside(i rules.Intent) bool {
	return i != rules.ResultQuestion && i != rules.HumanPlease && i != rules.TravelOrLife && i != rules.Thanks
}

// onlyTime: every visit that the message names only says when something is.
func (m *message) onlyTime() bool {
	return !slices.ContainsFunc(m.found, func(x match) bool {
		if x.concept.kind != "word" || x.concept.name != "visit" {
			return false
		}
		for k := x.from - 1; k >= max(x.from-3, 0); k-- {
			switch m.toks[k].norm {
			case "before", "after", "during", "since", "until", "till", "post", "antes", "despues", "durante", "desde", "hasta", "tras":
				return false
			}
		}
		return true
	})
}

// handles: a question asks how a medicine is handled ("can letrozole be
// crushed"), with no symptom that cannot wait.
func (m *message) handles(r *Reading) bool {
	if r.Drug == "" || urgencyOf(rules.Symptom, r) >= rules.SameDay {
		return false
	}
	return slices.ContainsFunc(m.found, func(x match) bool {
		return x.concept.kind == "word" && x.concept.name == "handle" && m.questions[m.toks[x.from].sentence]
	})
}

// spanIn: a finding is spoken of in the given state.
func spanIn(r *Reading, s State) bool {
	return slices.ContainsFunc(r.Spans, func(x Span) bool { return x.State == s })
}

// firm are intents that a general question about an illness does not have.
func firm(i rules.Intent) bool {
	switch i {
	case rules.Thanks, rules.Emotional, rules.HumanPlease, rules.ResultQuestion, rules.HomeTest, rules.Unclear, rules.VisitQuestion:
		return false
	}
	return true
}

// onlyAsked: nothing is told of a dose, it is only asked about.
func (m *message) onlyAsked() bool {
	return !slices.ContainsFunc(m.events, func(e doseEvent) bool { return e.dose != asked })
}

// lastResort is what a message is for when nothing said so outright: a bare
// day, a medicine, a topic, a jest.
func (m *message) lastResort(r *Reading, polite bool) rules.Intent {
	switch {
	case m.missesPeriod() && !m.asks():
		return rules.Symptom
	case m.bareDate(r):
		m.period = true
		return rules.PeriodStart
	case m.hasWord["visit"] && (m.hasWord["move"] || m.hasWord["cannot_come"]) && r.Drug == "":
		return rules.Reschedule
	case m.hasWord["go_in"] && m.hasWord["move"] && m.asks() && r.Drug == "":
		return rules.Reschedule
	case m.hasWord["result"] && (m.asks() || m.hasWord["waits"]) && r.Drug == "":
		return rules.ResultQuestion
	case r.Drug == "" && len(m.clocks()) > 0 && (m.hasWord["move"] || m.hasWord["cannot_come"]):
		return rules.Reschedule
	case (m.visitAsked() || len(m.clocks()) > 0) && m.asks() && r.Drug == "":
		return rules.VisitQuestion
	case m.asks() && r.Drug == "" && m.bodyAsked() && !m.any("topic", "lifestyle"):
		return rules.Symptom
	case m.jestsOnly(r):
		switch v := m.voted(); {
		case polite:
			return ""
		case v == rules.Thanks:
			return v
		}
		return rules.Emotional
	case m.any("topic", "supplement"):
		return rules.DoseQuestion
	case m.any("topic", "lifestyle"):
		return rules.TravelOrLife
	case m.any("topic", "illness"):
		return rules.Symptom
	case r.Drug != "":
		return rules.DoseQuestion
	case m.hasWord["feeling"] && m.hasWord["owner"] && !m.asks():
		return rules.Emotional
	case m.voted() != "" && !(polite && m.voted() == rules.Thanks):
		return m.voted()
	case polite:
		return ""
	case m.any("figurative", "figurative"):
		return rules.Emotional
	case m.any("word", "asks_general"):
		return rules.Symptom
	case m.any("word", "ack") && len(m.toks) <= 4 && !m.asks():
		return rules.Thanks
	case !m.content():
		return ""
	case m.asks():
		return rules.TravelOrLife
	case m.hasWord["owner"]:
		return rules.Emotional
	}
	return ""
}

// jestsOnly: a manner of speaking is all that it has, and it asks for nothing.
func (m *message) jestsOnly(r *Reading) bool {
	return m.any("figurative", "figurative") && !m.asks() && r.Drug == "" && len(r.Findings) == 0 && !m.hasWord["visit"] && !m.hasWord["cannot_come"]
}

// bodyAsked: a part of the body is named.
func (m *message) bodyAsked() bool {
	return slices.ContainsFunc(m.found, func(x match) bool {
		return x.concept.kind == "mod" && (bodyParts[x.concept.name] || x.concept.name == "elsewhere")
	})
}

// visitAsked: a visit is named, in a question where the message has one.
func (m *message) visitAsked() bool {
	return slices.ContainsFunc(m.found, func(x match) bool {
		return x.concept.kind == "word" && x.concept.name == "visit" && (m.questions[m.toks[x.from].sentence] || !slices.Contains(m.questions, true))
	})
}

// content: the message has words of its own, not only small ones, so that what
// it is about can be told from whether it asks or tells: a question of her life,
// or how she feels. Both are for a human.
func (m *message) content() bool {
	n, known := 0, 0
	for i := range m.toks {
		if m.toks[i].word.lang != 0 {
			known++
		}
		if t := &m.toks[i]; t.kind == wordToken && len(t.norm) >= 4 && !dateWords[t.norm] && !lateWords[t.norm] && !theLexicon().forms[t.norm].common {
			n++
		}
	}
	return n > 0 && len(m.toks) >= 4 && known*2 >= len(m.toks) && !m.foreign
}

// asks: a sentence of the message ends with a question mark or opens as a
// question.
func (m *message) asks() bool {
	if slices.Contains(m.questions, true) || m.hasWord["asker"] {
		return true
	}
	for i := range m.toks {
		if (i == 0 || m.toks[i].brk != noBreak) && openQuestion[m.toks[i].norm] && !m.relative(i) && !(i+1 < len(m.toks) && m.toks[i+1].norm == "not") {
			return true
		}
	}
	return false
}

// relative: a word behind a comma that asks only with its accent: "mi vecina, que
// también va".
func (m *message) relative(i int) bool {
	t := &m.toks[i]
	switch t.norm {
	case "que", "como", "cuando", "donde", "cual", "quien":
		return t.brk == softBreak && len(t.norm) == t.to-t.from
	}
	return false
}

// openQuestion are words that, at the head of a clause, open a question.
var openQuestion = map[string]bool{
	"when": true, "what": true, "where": true, "how": true, "which": true, "who": true, "why": true, "can": true, "could": true,
	"should": true, "is": true, "are": true, "do": true, "does": true, "did": true, "may": true, "have": true, "has": true,
	"any": true, "will": true, "would": true, "am": true, "cuando": true, "que": true, "donde": true, "como": true, "cual": true,
	"quien": true, "puedo": true, "puede": true, "pueden": true, "podria": true, "podrian": true, "debo": true, "hay": true,
	"cuanto": true, "cuantos": true, "cuanta": true, "cuantas": true, "sera": true, "alguna": true,
}

// unreadable: no word of either language.
func (m *message) unreadable() bool {
	if m.foreign {
		return true
	}
	for i := range m.toks {
		if t := &m.toks[i]; t.word.lang != 0 || t.word.ids != [3]int32{} || t.kind == numberToken {
			return false
		}
	}
	return true
}
