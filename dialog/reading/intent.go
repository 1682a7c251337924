package reading

import (
	"cmp"
	"slices"

	"handrail.example/triage/rules"
)

// precedence orders what a message is for where nothing is urgent: what must
// be recorded first, then what needs an answer, then the rest.
var precedence = []rules.Intent{
	rules.StopMessages, rules.PeriodStart, rules.LHPositive, rules.DoseMissed, rules.Symptom,
	rules.PeriodSpotting, rules.HomeTest, rules.Reschedule, rules.HumanPlease, rules.DoseQuestion,
	rules.ResultQuestion, rules.VisitQuestion, rules.TravelOrLife, rules.OtherPerson, rules.Emotional,
	rules.DoseTaken, rules.Thanks, rules.Unclear,
}

// readIntents gathers what the message is for and puts what rules the answer
// first: the most urgent, from the same day up; below that, by precedence.
func (m *message) readIntents(r *Reading) {
	var all []rules.Intent
	all = append(all, m.wordIntents()...)
	all = append(all, m.periodIntents(r)...)
	all = append(all, m.doseIntents()...)
	all = append(all, m.symptomIntents(r, all)...)
	all = m.settle(r, all)
	if len(all) > 1 {
		urgent := make(map[rules.Intent]rules.Urgency, len(all))
		for _, i := range all {
			urgent[i] = urgencyOf(i, r)
		}
		if urgent[rules.HumanPlease] >= rules.SameDay {
			urgent[rules.HumanPlease] = rules.Emergency + 1 // harm by another's hand goes before the harm itself
		}
		slices.SortStableFunc(all, func(a, b rules.Intent) int {
			return cmp.Or(int(urgent[b])-int(urgent[a]), slices.Index(precedence, a)-slices.Index(precedence, b))
		})
	}
	r.Intent = all[0]
	if len(all) > 1 {
		r.Also = all[1:]
	}
}

// urgencyOf is the urgency that one intent brings, where it is urgent at all.
func urgencyOf(i rules.Intent, r *Reading) rules.Urgency {
	in := rules.Input{Phase: r.phase, Flags: r.Flags}
	switch i {
	case rules.Symptom, rules.PeriodSpotting:
		in.Signs = slices.DeleteFunc(slices.Clone(r.Signs), func(s rules.Sign) bool { return intentOf[s] != "" })
	case rules.Emotional, rules.HumanPlease:
		in.Signs = slices.DeleteFunc(slices.Clone(r.Signs), func(s rules.Sign) bool { return intentOf[s] != i })
	case rules.DoseMissed, rules.DoseQuestion:
		in.Doses, in.Drug = r.Doses, r.Drug
		if slices.Contains(r.Signs, "overdose") {
			in.Signs = []rules.Sign{"overdose"}
		}
	case rules.PeriodStart:
		// A period after the transfer is bleeding to look at, by her own word for it.
		in.Signs = slices.DeleteFunc(slices.Clone(r.Signs), func(s rules.Sign) bool { return s != "period_bleeding" })
	case rules.LHPositive:
		in.Intents = []rules.Intent{i}
	}
	if u := rules.Assess(in).Urgency; u >= rules.SameDay {
		return u
	}
	return rules.None
}

// wordIntents are those that a block of the lexicon names outright.
func (m *message) wordIntents() []rules.Intent {
	var out []rules.Intent
	for _, x := range m.found {
		if x.concept.kind != "intent" || x.state == Quoted {
			continue
		}
		i := rules.Intent(x.concept.name)
		if i == rules.StopMessages && x.to-x.from == 1 && len(m.toks) > 3 {
			continue // "stop" and "baja" say it only alone
		}
		if (i == rules.LHPositive || i == rules.HomeTest) && x.state != Present && x.state != Past && x.state != resolved {
			continue
		}
		if i == rules.PeriodStart || i == rules.PeriodSpotting {
			continue
		}
		if i == rules.Thanks && x.to-x.from <= 2 && m.asks() && (m.toks[x.to-1].norm == "okay" || m.toks[x.to-1].norm == "bien" || m.toks[x.to-1].norm == "vale") {
			continue
		}
		// "Don't worry", "when should I call you": no feeling, no wish to talk.
		if i == rules.Emotional && x.state == Negated || (i == rules.Emotional || i == rules.HumanPlease) && x.state == Hypothetical && m.bodySpoken() {
			continue
		}
		out = addOnce(out, i)
	}
	return out
}

// note adds a sign found late.
func (m *message) note(r *Reading, x seen) {
	f := rules.FindingOf(x.sign)
	if !slices.Contains(r.Signs, x.sign) {
		r.Signs = append(r.Signs, x.sign)
		r.Spans = append(r.Spans, Span{m.toks[x.from].from, m.toks[x.to-1].to, f, x.state})
		tidy(r)
	}
}

// forget takes back a sign that turned out to be a period itself.
func (m *message) forget(r *Reading, sign rules.Sign) {
	r.Signs = slices.DeleteFunc(r.Signs, func(s rules.Sign) bool { return s == sign })
	tidy(r)
}

func (m *message) doseIntents() []rules.Intent {
	var out []rules.Intent
	for _, e := range m.events {
		switch e.dose {
		case rules.Missed, rules.Late, rules.Partial, rules.Stopped:
			out = addOnce(out, rules.DoseMissed)
		case taken:
			out = addOnce(out, rules.DoseTaken)
		default:
			out = addOnce(out, rules.DoseQuestion)
		}
	}
	return out
}

// slight are signs that a day one brings along: no symptom of their own.
var slight = []rules.Sign{"cramps", "bloated", "side_effect", "mild_headache", "nausea"}

// intentOf are the signs that make a message something else than a symptom.
var intentOf = map[rules.Sign]rules.Intent{
	"self_harm": rules.Emotional, "overdose": rules.DoseQuestion, "violence": rules.HumanPlease,
}

// symptomIntents: a sign that is there, or one that is only spoken of.
func (m *message) symptomIntents(r *Reading, have []rules.Intent) []rules.Intent {
	start := slices.Contains(have, rules.PeriodStart)
	var out []rules.Intent
	for _, s := range r.Signs {
		i, special := intentOf[s]
		switch {
		case special && !(s == "overdose" && slices.Contains(r.Signs, "self_harm")):
			out = addOnce(out, i)
		case special:
		case s == "spotting" && slices.Contains(have, rules.PeriodSpotting), start && (slices.Contains(slight, s) || s == "period_bleeding"):
		default:
			out = addOnce(out, rules.Symptom)
		}
	}
	if len(out) == 0 && len(r.Spans) == 0 && onlyAside(have) {
		if x, ok := m.unreadBody(); ok {
			m.note(r, seen{"unread", x.from, x.to, Present})
			return []rules.Intent{rules.Symptom}
		}
	}
	if len(out) == 0 && m.spokenOf(r) && onlyAside(have) {
		if i := m.matter(r, have); i != "" {
			return []rules.Intent{i}
		}
		out = append(out, rules.Symptom)
	}
	return out
}

// unreadBody: she tells something of her body, in words that give no sign. What
// it is cannot be told, so a nurse reads it today.
func (m *message) unreadBody() (match, bool) {
	for _, x := range m.found {
		if x.concept.kind != "mod" || !bodyParts[x.concept.name] || x.state != Present {
			continue
		}
		if m.about[m.toks[x.from].sentence].asks || m.questions[m.toks[x.from].sentence] || m.any("figurative", "figurative") || m.any("drug", "") {
			continue
		}
		if m.wellAfter(x) || m.governedBy(x, OtherPerson, Hypothetical, Quoted, Past, Figurative) {
			continue
		}
		return x, true
	}
	return match{}, false
}

// wellAfter: a word for "well" stands close behind x ("my arm is ok").
func (m *message) wellAfter(x match) bool {
	for k := x.to; k < min(x.to+3, len(m.toks)) && m.toks[k].sentence == m.toks[x.from].sentence; k++ {
		if wellWords[m.toks[k].norm] {
			return true
		}
	}
	return false
}

var wellWords = map[string]bool{
	"ok": true, "okay": true, "fine": true, "good": true, "normal": true, "soft": true, "great": true, "same": true, "perfect": true,
	"well": true, "clear": true, "squishy": true, "squashy": true, "plenty": true, "check": true, "relaxed": true, "normalita": true, "lujo": true, "bien": true, "perfecto": true, "perfecta": true, "blanda": true, "blandita": true, "igual": true,
}

var bodyParts = map[string]bool{
	"belly": true, "chest": true, "shoulder": true, "leg": true, "head": true, "throat": true, "face": true, "limb": true, "urine": true,
}

// spokenOf: symptoms are mentioned, none as hers now, and not in jest.
func (m *message) spokenOf(r *Reading) bool {
	return len(r.Findings) == 0 && slices.ContainsFunc(r.Spans, func(s Span) bool { return s.State != Figurative })
}

// onlyAside: nothing but politeness and feelings was found.
func onlyAside(have []rules.Intent) bool {
	return !slices.ContainsFunc(have, func(i rules.Intent) bool {
		return i != rules.Thanks && i != rules.Emotional && i != rules.OtherPerson
	})
}
