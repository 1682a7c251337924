package reading

import (
	"slices"

	"handrail.example/triage/rules"
)

// What happened to a dose is mostly said in the patterns of doses.txt. Where
// none of them fits, it is put together here from single words: a medicine, a
// verb near it, whether the verb is denied, and whether the clause asks.

// verbReach is how many words a verb may stand from its medicine.
const verbReach = 9

// verbEvents is what the verbs beside the medicines say.
func (m *message) verbEvents(named []mention) []doseEvent {
	var out []doseEvent
	for _, x := range m.found {
		if x.concept.kind != "verb" || !m.besideMedicine(x, named) {
			continue
		}
		if d := m.verbSays(x); d != "" {
			out = append(out, doseEvent{d, x})
		}
	}
	if m.bodySpoken() {
		// A symptom with a medicine beside it: what is asked is about the symptom.
		out = slices.DeleteFunc(out, func(e doseEvent) bool { return e.dose != rules.Missed && e.dose != taken })
	} else if len(out) == 0 && len(named) > 0 {
		return m.askedAbout(named)
	}
	slices.SortStableFunc(out, func(a, b doseEvent) int {
		return slices.Index(gravity, a.dose) - slices.Index(gravity, b.dose)
	})
	return out
}

// verbSays is what one verb says of a dose, by its kind and its state.
func (m *message) verbSays(x match) rules.Dose {
	denied := x.state == Negated || m.deniedJustBefore(x)
	asks := m.asksHow(x) || x.state == Hypothetical
	switch x.concept.name {
	case "forget":
		switch {
		case asks:
			return asked
		case denied, x.state == nearly:
			return taken
		case x.state == Present || x.state == Past:
			return rules.Missed
		}
	case "lose":
		switch {
		case asks:
			return asked
		case x.state == nearly:
			return taken
		case !denied && x.state == Present:
			return rules.Partial
		}
	case "took":
		if m.toks[x.from].norm == "did" && x.from+1 < len(m.toks) && m.toks[x.from+1].norm == "not" {
			return "" // the verb proper follows
		}
		switch {
		case asks:
			return asked
		case denied:
			return rules.Missed
		case x.state == Present:
			return taken
		}
	case "stop":
		if asks {
			return asked
		}
		if !denied && x.state == Present {
			return rules.Stopped
		}
	case "take":
		if asks || m.questions[m.toks[x.from].sentence] {
			return asked
		}
		if denied {
			return rules.Missed
		}
	}
	return ""
}

// deniedJustBefore: a word of denial stands right before the verb, whatever
// the scopes say ("didnt", "no me", "nunca").
func (m *message) deniedJustBefore(x match) bool {
	for i := max(x.from-3, 0); i < x.from; i++ {
		switch m.toks[i].norm {
		case "not", "no", "never", "nunca", "ni", "without", "sin", "tampoco":
			return m.toks[i].sentence == m.toks[x.from].sentence && !m.brokenBetween(i, x.from)
		}
	}
	return false
}

// brokenBetween: a comma or more stands between two tokens.
func (m *message) brokenBetween(from, to int) bool {
	for i := from + 1; i <= to; i++ {
		if m.toks[i].brk != noBreak {
			return true
		}
	}
	return false
}

func (m *message) besideMedicine(x match, named []mention) bool {
	for _, n := range named {
		d := max(n.from-x.to, x.from-n.to, 0)
		if d <= verbReach && m.toks[n.from].sentence == m.toks[x.from].sentence {
			return true
		}
	}
	return false
}

// bodySpoken: a symptom is spoken of, in whatever state.
func (m *message) bodySpoken() bool {
	return slices.ContainsFunc(m.found, func(x match) bool { return isKind(x.concept, "sign", "head") })
}

// askedAbout: a medicine is named in a sentence that asks.
func (m *message) askedAbout(named []mention) []doseEvent {
	for _, n := range named {
		if m.questions[m.toks[n.from].sentence] {
			at := match{concept: &concept{kind: "dose", name: string(asked)}, from: n.from, to: n.to, state: Present}
			return []doseEvent{{asked, at}}
		}
	}
	return nil
}

// graverByWords adds what single words say where the patterns only heard that a
// dose was taken or asked about: that it was a wrong one ("did menopur twice"),
// that something about the trigger goes wrong, that its hour has passed.
func (m *message) graverByWords(events []doseEvent, named []mention) []doseEvent {
	if len(named) == 0 || slices.ContainsFunc(events, func(e doseEvent) bool { return e.dose != taken && e.dose != asked }) {
		return events
	}
	for _, x := range m.found {
		if x.concept.kind == "verb" && m.notDone(x) && m.besideMedicine(x, named) {
			return append([]doseEvent{{rules.Missed, x}}, events...)
		}
		if x.concept.kind != "word" || x.state != Present || !m.besideMedicine(x, named) || m.asksHow(x) || m.governedBy(x, Hypothetical, OtherPerson, Quoted) {
			continue
		}
		took := slices.ContainsFunc(events, func(e doseEvent) bool { return e.dose == taken })
		switch {
		case x.concept.name == "wrong_words" && (took || !m.questions[m.toks[x.from].sentence] || m.toks[x.from].norm == "equivocado"):
			if m.hourFollows(x) {
				return append([]doseEvent{{rules.Late, x}}, events...)
			}
			return append([]doseEvent{{rules.Wrong, x}}, events...)
		case x.concept.name == "was_due":
			return append([]doseEvent{{rules.Late, x}}, events...)
		case x.concept.name == "trouble" && !took && slices.ContainsFunc(named, func(n mention) bool { return n.drug == rules.Trigger }):
			return append([]doseEvent{{rules.TimeQuestion, x}}, events...)
		}
	}
	return events
}

// hourFollows: "instead of 10:30", "en vez de a las 9".
func (m *message) hourFollows(x match) bool {
	d := m.dater()
	k := d.skip(x.to, "a", "las", "at", "la")
	if k >= len(m.toks) || !m.toks[k].isNumber() {
		return false
	}
	return k > x.to || d.sign(k+1) || d.hour(k, k+1)
}

// notDone: "I didn't change it", "no me la puse", outside of a question.
func (m *message) notDone(x match) bool {
	if x.concept.name != "take" && x.concept.name != "took" || m.questions[m.toks[x.from].sentence] || m.asksHow(x) {
		return false
	}
	if m.governedBy(x, Hypothetical, OtherPerson, Quoted) {
		return false
	}
	for i := max(x.from-3, 0); i < x.from; i++ {
		if m.brokenBetween(i, x.from) {
			continue
		}
		switch n := m.toks[i].norm; {
		case n == "not" && i > 0 && (m.toks[i-1].norm == "did" || m.toks[i-1].norm == "have" || m.toks[i-1].norm == "had"):
			return x.concept.name == "take" || m.toks[x.from].norm != "did"
		case (n == "no" || n == "ni") && x.concept.name == "took":
			return true
		}
	}
	return false
}

// danglingIn: "the insert is in my bag" is no "insert is in".
func (m *message) danglingIn(x match) bool {
	if x.concept.kind != "dose" || x.concept.name != string(taken) || m.toks[x.to-1].norm != "in" || x.to-x.from < 2 {
		return false
	}
	if n := m.toks[x.to-2].norm; n == "going" || n == "goes" || n == "go" {
		return true
	}
	if x.to >= len(m.toks) || m.toks[x.to].brk != noBreak {
		return false
	}
	switch m.toks[x.to].norm {
	case "at", "around", "and", "on", "right", "now", "already", "for", "by", "just", "this", "tonight", "today", "ethumb", "about":
		return false
	}
	return true
}
