package reading

import (
	"slices"

	"handrail.example/triage/rules"
)

// What a message is for where its alarming words are by the way: a story of
// somebody else's faint before the question for the bus stop. And what it is for
// where no frame of words said so at all: then its single words vote.

// longMessage is how many words a message has that a human must read as a whole.
const longMessage = 500

// matter is what else the message is for when none of the symptoms it speaks of
// is hers now, or "".
func (m *message) matter(r *Reading, have []rules.Intent) rules.Intent {
	if len(r.Spans) == 0 || len(r.Findings) > 0 || len(r.Spans) > manySigns || len(m.toks) > longMessage {
		return ""
	}
	foreign := !slices.ContainsFunc(r.Spans, func(s Span) bool { return s.State == Negated || s.State == Present })
	glad := m.hasWord["joy"] && slices.Contains(have, rules.Thanks) && !slices.Contains(m.questions, true)
	if i := m.askedBeside(r); i != "" && !glad {
		return i
	}
	if !foreign && !m.hasWord["wept"] || m.asks() || (m.cameBack || m.hasWord["all_clear"]) && !m.hasWord["wept"] {
		return ""
	}
	jest := !slices.ContainsFunc(r.Spans, func(s Span) bool { return s.State != Figurative })
	others := !slices.ContainsFunc(r.Spans, func(s Span) bool { return s.State != OtherPerson && s.State != Figurative && s.State != Quoted })
	switch {
	case (jest || others) && (m.hasWord["joy"] || slices.Contains(have, rules.Thanks) && !slices.Contains(have, rules.Emotional)):
		return rules.Thanks
	case (jest || others) && slices.Contains(have, rules.Emotional), m.hasWord["wept"]:
		return rules.Emotional
	}
	return ""
}

// askedBeside is what a sentence that speaks of no symptom asks for.
func (m *message) askedBeside(r *Reading) rules.Intent {
	spoken := map[int32]bool{}
	for _, s := range r.Spans {
		for i := range m.toks {
			if m.toks[i].from < s.To && s.From < m.toks[i].to {
				spoken[m.toks[i].sentence] = true
			}
		}
	}
	votes := m.votes(func(x match) bool {
		s := m.toks[x.from].sentence
		return m.questions[s] && (!spoken[s] || m.afterSpans(r, x)) || m.afterSpans(r, x) && m.has("word", "asker")
	})
	i, n := winner(votes)
	// What is told of others, in jest or of another time is no report of hers.
	apart := m.onlyIn(r, OtherPerson, Figurative, Past, Quoted)
	if i == "" && apart && m.daysAsked(spoken) {
		return rules.VisitQuestion
	}
	switch i {
	case rules.VisitQuestion, rules.Reschedule, rules.ResultQuestion:
		if n > 1 || apart && i == rules.VisitQuestion {
			return i
		}
	case rules.TravelOrLife:
		// "My husband has a fever, should I sleep elsewhere?"
		others := !slices.ContainsFunc(r.Spans, func(s Span) bool { return s.State != OtherPerson })
		if n > 1 || others && m.asksForHerself() {
			return i
		}
	}
	return ""
}

// daysAsked: a question that speaks of no symptom names a day or an hour.
func (m *message) daysAsked(spoken map[int32]bool) bool {
	asked := func(i int) bool { return m.questions[m.toks[i].sentence] && !spoken[m.toks[i].sentence] }
	return slices.ContainsFunc(m.clocks(), func(c clockSpan) bool { return asked(c.from) }) ||
		slices.ContainsFunc(m.found, func(x match) bool {
			return x.concept.kind == "word" && x.concept.name == "dates" && asked(x.from)
		})
}

// asksForHerself: "should I", "puedo".
func (m *message) asksForHerself() bool {
	for i := range m.toks {
		switch m.toks[i].norm {
		case "puedo", "debo", "deberia", "hago", "conviene", "podre", "alcanzo":
			return true
		case "i":
			if i > 0 && doseAskers[m.toks[i-1].norm] {
				return true
			}
		}
	}
	return false
}

// afterSpans: x stands behind every symptom of its sentence, parted from it.
func (m *message) afterSpans(r *Reading, x match) bool {
	last := -1
	for _, s := range r.Spans {
		for i := range m.toks {
			if m.toks[i].sentence == m.toks[x.from].sentence && m.toks[i].from < s.To && s.From < m.toks[i].to {
				last = i
			}
		}
	}
	return last >= 0 && last < x.from && m.brokenBetween(last, x.from)
}

// votes counts, for every intent, the words of the message that speak for it
// and that counts lets in. A longer expression has more weight.
func (m *message) votes(counts func(match) bool) map[rules.Intent]int {
	out := map[rules.Intent]int{}
	last := map[string]int{}
	for _, x := range m.found {
		if x.concept.kind != "vote" || !counts(x) || x.from < last[x.concept.name] {
			continue
		}
		out[rules.Intent(x.concept.name)] += min(x.to-x.from, 3)
		last[x.concept.name] = x.to
	}
	return out
}

// winner is the intent with the most votes; of two the one that matters more.
func winner(votes map[rules.Intent]int) (rules.Intent, int) {
	if votes[rules.Reschedule] > 0 && votes[rules.VisitQuestion] > 0 { // a visit, and to be moved
		votes[rules.Reschedule] += votes[rules.VisitQuestion]
	}
	best, n := rules.Intent(""), 0
	for _, i := range precedence {
		if votes[i] > n {
			best, n = i, votes[i]
		}
	}
	return best, n
}

// voted is the intent for which most words of the whole message speak.
func (m *message) voted() rules.Intent {
	i, n := winner(m.votes(func(match) bool { return true }))
	switch i {
	case rules.Thanks, rules.StopMessages, rules.OtherPerson, rules.DoseTaken, rules.PeriodStart:
		// The bot may answer these alone: a few words are not enough for that.
		if n < 3 || m.asks() || len(m.toks) > 25 {
			return ""
		}
	case rules.VisitQuestion:
		if !m.asks() || n < 2 && !slices.Contains(m.questions, true) {
			return ""
		}
	case rules.HomeTest:
	default:
		if n < 2 && !m.asks() {
			return ""
		}
	}
	return i
}
