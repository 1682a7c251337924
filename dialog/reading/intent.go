package reading

import (
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
	slices.SortStableFunc(all, func(a, b rules.Intent) int {
		if d := int(urgencyOf(b, r)) - int(urgencyOf(a, r)); d != 0 {
			return d
		}
		return slices.Index(precedence, a) - slices.Index(precedence, b)
	})
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

// periodIntents reads a period: day one before the cycle, bleeding to look at
// after the trigger or the transfer.
func (m *message) periodIntents(r *Reading) []rules.Intent {
	late := slices.Contains([]rules.Phase{rules.AfterTrigger, rules.AfterTransfer, rules.EarlyPregnancy}, r.phase)
	waiting := r.phase == rules.BeforeCycle || r.phase == ""
	start := m.first("intent", string(rules.PeriodStart))
	bleeds := slices.Contains(r.Signs, "period_bleeding")
	spots := slices.Contains(r.Signs, "spotting")
	switch {
	case start >= 0 && late && m.any("ignore", "compare") && !m.calledPeriod():
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
	case spots && waiting:
		return []rules.Intent{rules.PeriodSpotting}
	case spots:
		return []rules.Intent{rules.Symptom}
	case r.phase == rules.BeforeCycle && m.hasWord["it_came"] && r.Drug == "" && !m.hasWord["parcel"] && len(r.Signs) == 0 && m.first("intent", string(rules.Symptom)) < 0:
		m.period = true
		return []rules.Intent{rules.PeriodStart}
	case bleeds && waiting && !m.grave(r):
		m.period = true
		m.forget(r, "period_bleeding")
		return []rules.Intent{rules.PeriodStart}
	}
	return nil
}

// calledPeriod: she calls it her period in so many words, whatever else she
// compares it with.
func (m *message) calledPeriod() bool {
	return slices.ContainsFunc(m.found, func(x match) bool {
		return x.concept.kind == "word" && x.concept.name == "my_period" && x.state == Present
	})
}

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
	for _, e := range m.dates() {
		// "Tonight at 8" on its own is no news of a period.
		if !e.future && (awaited || e.asks || e.cycle > 0 || len(e.days) > 0 && e.days[0] != m.today()) {
			return true
		}
	}
	return m.has("word", "came")
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
		if m.about[m.toks[x.from].sentence].asks || m.any("figurative", "figurative") || m.any("drug", "") {
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
	"well": true, "clear": true, "bien": true, "perfecto": true, "perfecta": true, "blanda": true, "blandita": true, "igual": true,
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
	if general := m.hasWord["asks_general"]; general && has(rules.VisitQuestion) && !m.hasWord["visit"] && (m.spokenOf(r) || m.any("topic", "illness")) {
		drop(rules.VisitQuestion)
		all = append(all, rules.Symptom)
	} else if general && len(all) == 1 && has(rules.Emotional) {
		if i := m.lastResort(r, true); i != "" && i != rules.PeriodStart {
			all = []rules.Intent{i}
		}
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
	if m.any("topic", "illness") && m.asks() && len(r.Findings) == 0 && !slices.ContainsFunc(all, firm) {
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
	if has(rules.StopMessages) && len(all) > 1 && len(m.toks) > 25 {
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
	case (m.hasWord["visit"] || len(m.clocks()) > 0) && m.asks() && r.Drug == "":
		return rules.VisitQuestion
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
		if (i == 0 || m.toks[i].brk != noBreak) && openQuestion[m.toks[i].norm] {
			return true
		}
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
