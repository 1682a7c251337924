package reading

import (
	"slices"

	"handrail.example/reminders/civil"
	"handrail.example/triage/rules"
)

// Whether a message tells of a period: by its name, by a verb of arriving, by a
// bare day where one is awaited; and where it only speaks of one.

// periodIntents reads a period: day one before the cycle, bleeding to look at
// after the trigger or the transfer.
func (m *message) periodIntents(r *Reading) []rules.Intent {
	late := slices.Contains([]rules.Phase{rules.AfterTrigger, rules.AfterTransfer, rules.EarlyPregnancy}, r.phase)
	waiting := r.phase == rules.BeforeCycle || r.phase == ""
	start := m.periodTold()
	if start >= 0 {
		m.told, m.isTold = m.found[start], true
	}
	bleeds := slices.Contains(r.Signs, "period_bleeding")
	spots := slices.Contains(r.Signs, "spotting")
	switch {
	case start >= 0 && !waiting && !m.calledPeriod() && !m.named("bleeding", "period_noun") && len(r.Signs) > 0:
		m.isTold = false // "it came on like a light switch", "me bajó cargada mi esposo"
		return nil
	case start >= 0 && late && !m.calledPeriod():
		x := m.found[start]
		m.note(r, seen{"period_bleeding", x.from, x.to, Present})
		return []rules.Intent{rules.Symptom}
	case start >= 0 && late:
		x := m.found[start]
		m.period = true
		m.note(r, seen{"period_bleeding", x.from, x.to, Present})
		return []rules.Intent{rules.PeriodStart}
	case start >= 0:
		m.period = true
		m.forget(r, "period_bleeding")
		if waiting {
			m.forget(r, "spotting")
			m.forget(r, "heavy_flow")
		}
		return []rules.Intent{rules.PeriodStart}
	case waiting && m.trueFlow() && !m.grave(r):
		m.period = true
		m.forget(r, "spotting")
		m.forget(r, "period_bleeding")
		return []rules.Intent{rules.PeriodStart}
	case spots && waiting:
		return []rules.Intent{rules.PeriodSpotting}
	case waiting && m.startsSlowly() && (bleeds || m.any("word", "period_noun")):
		m.forget(r, "period_bleeding")
		m.note(r, seen{"spotting", 0, len(m.toks), Present})
		return []rules.Intent{rules.PeriodSpotting}
	case spots && len(r.Signs) == 1 && r.phase != rules.EarlyPregnancy && len(r.Flags) == 0:
		return []rules.Intent{rules.PeriodSpotting} // a few drops and nothing else
	case spots:
		return []rules.Intent{rules.Symptom}
	case r.phase == rules.BeforeCycle && m.hasWord["it_came"] && !m.hasWord["parcel"] && len(r.Signs) == 0 && m.first("intent", string(rules.Symptom)) < 0:
		m.period = true
		return []rules.Intent{rules.PeriodStart}
	case bleeds && waiting && !m.grave(r):
		m.period = true
		m.forget(r, "period_bleeding")
		return []rules.Intent{rules.PeriodStart}
	}
	return nil
}

// periodTold is the index of the words that tell of a period, or -1: those of an
// intent block, else a word for the period beside a day or a verb of arriving.
func (m *message) periodTold() int {
	if m.startsSlowly() {
		return -1
	}
	for i, x := range m.found {
		if x.concept.kind != "intent" || x.concept.name != string(rules.PeriodStart) {
			continue
		}
		// "A week ago my period came" is past, and still the news.
		if m.habitual(x) {
			continue
		}
		if x.state == Present || (x.state == Past || x.state == resolved) && len(m.toks) <= longMessage && m.lately(x) {
			return i
		}
	}
	if m.any("intent", string(rules.PeriodSpotting)) || m.first("intent", string(rules.Symptom)) >= 0 {
		return -1
	}
	if len(m.toks) > longMessage {
		return -1
	}
	return slices.IndexFunc(m.found, m.periodNews)
}

// trueFlow: after days of spotting she calls it her period herself.
func (m *message) trueFlow() bool {
	for _, x := range m.found {
		if x.concept.kind == "word" && x.concept.name == "true_flow" && x.state != Negated && !m.asks() && !m.putsOff(x) {
			m.told, m.isTold = x, true
			return true
		}
	}
	return false
}

// putsOff: a word before x says that it is not so yet ("I'll hold off calling it").
func (m *message) putsOff(x match) bool {
	for k := max(x.from-4, 0); k < x.from; k++ {
		switch m.toks[k].norm {
		case "off", "wait", "waiting", "until", "till", "before", "hasta", "espero", "esperar", "antes":
			return true
		}
	}
	return false
}

// habitual: the sentence of x tells what is always so, and names no day.
func (m *message) habitual(x match) bool {
	s := m.toks[x.from].sentence
	always := slices.ContainsFunc(m.foundNear(x.from-farReach, x.to+farReach), func(y match) bool {
		return y.concept.kind == "word" && y.concept.name == "habitual" && m.toks[y.from].sentence == s
	})
	return always && !slices.ContainsFunc(m.dates(), func(e dateExpr) bool { return m.toks[e.from].sentence == s })
}

// startsSlowly: she says herself that it is not her period yet.
func (m *message) startsSlowly() bool {
	return slices.ContainsFunc(m.found, func(x match) bool {
		return x.concept.kind == "word" && x.concept.name == "not_yet_period" && !m.hasWord["is_period"]
	})
}

// lately: a day within the last weeks stands in the sentence of x or beside it.
func (m *message) lately(x match) bool {
	return slices.ContainsFunc(m.dates(), func(e dateExpr) bool {
		apart := m.toks[e.from].sentence - m.toks[x.from].sentence
		near := -1 <= apart && apart <= 1 && !e.future
		return near && (e.asks || e.cycle > 0 || len(e.days) > 0 && m.today().DaysSince(e.days[0]) <= latelyDays)
	})
}

// latelyDays is how long ago a period may have begun to be news.
const latelyDays = 45

// periodNews: x is a word for the period, told as hers and as here: with a day,
// with a verb of arriving, or in next to no other words.
func (m *message) periodNews(x match) bool {
	if x.concept.kind != "word" || x.concept.name != "period_noun" || m.covered(x) || m.habitual(x) || m.missesPeriod() {
		return false
	}
	told := x
	told.concept = &concept{kind: "news", name: x.concept.name}
	switch m.stateOf(told) {
	case Present:
	case OtherPerson:
		if !m.any("intent", string(rules.OtherPerson)) { // else the other person writes for her
			return false
		}
	case Past, resolved:
		if !m.lately(x) {
			return false
		}
	default:
		return false
	}
	s := m.toks[x.from].sentence
	if m.lately(x) {
		return true
	}
	arrives := slices.ContainsFunc(m.foundNear(x.from-farReach, x.to+farReach), func(y match) bool {
		return y.concept.kind == "word" && y.concept.name == "arrives" && y.state == Present && m.toks[y.from].sentence == s
	})
	return !m.questions[s] && (arrives || len(m.toks) <= shortNews)
}

// shortNews is the length, in words, of a message that needs no verb.
const shortNews = 5

// covered: x lies in words that take its meaning away ("period cramps", "like a
// period").
func (m *message) covered(x match) bool {
	return slices.ContainsFunc(m.foundNear(x.from-maxSpan, x.to), func(y match) bool {
		return isKind(y.concept, "ignore", "figurative") && y.from < x.to && x.from < y.to
	})
}

// calledPeriod: she calls it her period in so many words, whatever else she
// compares it with: by a name of it ("my period", "AF"), or with the Spanish verb
// that needs no other word ("ya me bajó"; but "me bajó sangre" describes).
func (m *message) calledPeriod() bool {
	return slices.ContainsFunc(m.found, func(x match) bool {
		return x.concept.kind == "word" && x.concept.name == "my_period" && x.state != Negated && x.state != Hypothetical && !m.compared(x) ||
			x.concept.kind == "word" && x.concept.name == "me_bajo" && (x.to == len(m.toks) || m.toks[x.to].brk != noBreak)
	})
}

// named: one of the concepts of bleeding is spoken of.
func (m *message) named(head, word string) bool { return m.any("head", head) || m.any("word", word) }

// likenReach is how many words may stand between "like" and what it names.
const likenReach = 6

// compared: x is only what something is likened to ("like my period", "like day
// two of my period").
func (m *message) compared(x match) bool {
	for k := x.from; k > max(x.from-likenReach, 0) && m.toks[k].brk == noBreak; k-- {
		if likens[m.toks[k-1].norm] {
			return true
		}
	}
	return m.covered(x)
}

var likens = set("like", "as", "than", "resembles", "como", "cual", "parece", "parecido", "parecida", "igual", "similar", "tipo")

// grave: with these a bleeding is no day one to write down, but something to
// look at.
func (m *message) grave(r *Reading) bool {
	return slices.ContainsFunc(r.Findings, func(f rules.Finding) bool {
		return f == rules.Fainting || f == rules.SeverePain || f == rules.HeavyBleeding || f == rules.SelfHarm
	})
}

// bareDate: she waits for her period and writes no more than a day ("tues the
// 28th", "it came last night").
func (m *message) bareDate(r *Reading) bool {
	if r.phase != rules.BeforeCycle && m.ctx.Expecting != ExpectDate {
		return false
	}
	awaited := m.ctx.Expecting == ExpectDate
	if r.Drug != "" && !awaited {
		return false
	}
	if m.missesPeriod() || m.supposesAll() {
		return false
	}
	for _, e := range m.dates() {
		// "Tonight at 8" on its own is no news of a period.
		if m.daysOnly(e) {
			return true
		}
		far := len(e.days) > 0 && m.today().DaysSince(e.days[0]) > latelyDays
		if !e.future && !(far && !awaited) && (awaited || e.asks || e.cycle > 0 || len(e.days) > 0 && e.days[0] != m.today()) {
			return true
		}
	}
	return m.has("word", "came")
}

// daysOnly: the message names a day that is here and says next to nothing else.
func (m *message) daysOnly(e dateExpr) bool {
	return !e.future && !e.night && len(e.days) > 0 && !m.asks() && len(m.toks)-(e.to-e.from) <= 1 && (!e.hasTime || e.clock <= civil.TimeOfDayOf(m.ctx.Sent))
}

// supposesAll: the message is a question that begins with "if" or "when".
func (m *message) supposesAll() bool {
	if len(m.toks) == 0 {
		return false
	}
	switch m.toks[0].norm {
	case "if", "when", "si", "cuando":
		return m.asks()
	}
	return false
}

// missesPeriod: she says that her period has not come ("day 34 and no sign of it").
func (m *message) missesPeriod() bool {
	return slices.ContainsFunc(m.found, func(x match) bool {
		return x.concept.kind == "word" && x.concept.name == "my_period" && x.state == Negated
	}) || slices.ContainsFunc(m.dates(), func(e dateExpr) bool { return e.cycle > longestStart })
}

// longestStart is a day of the cycle on which nobody tells of day one any more.
const longestStart = 20
