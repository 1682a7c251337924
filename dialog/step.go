package dialog

import (
	"slices"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// step decides what follows from one message of a patient. It is a pure function:
// the same moment gives the same effects.
//
// What is urgent comes first and never replaces the rest: a message that reports
// a period and a pain has the pain put before a human and the period written down.
func step(m *moment) []effect {
	if !m.patient.Unreachable.IsZero() && m.in.Kind != Left && m.in.Kind != Returned && m.in.Kind != Ignored {
		// Whoever writes can be written to, whatever was heard of her before.
		return append([]effect{unreachable{false}, back{}}, m.said()...)
	}
	return m.said()
}

func (m *moment) said() []effect {
	if m.flooded && m.drowns() {
		return []effect{flood{}}
	}
	switch m.in.Kind {
	case Press:
		return m.press()
	case Left:
		return m.left()
	case Returned:
		return []effect{unreachable{false}, back{}}
	case Media:
		return m.media()
	case Text, Edited:
		return m.text()
	}
	return nil
}

// drowns reports whether this one is kept and not answered where too much comes at
// once. Whatever must be seen today is answered however much there is.
func (m *moment) drowns() bool {
	switch m.in.Kind {
	case Press:
		return m.spent || m.pressed == ""
	case Text, Edited, Media:
		return m.verdict.Urgency < rules.SameDay
	}
	return false
}

// left: she blocked the bot or deleted the chat. Somebody must know, today if
// something of hers is still running.
func (m *moment) left() []effect {
	return []effect{unreachable{true}, openCase{Reason: string(triage.Unreachable), Urgency: m.unheard()}}
}

// unheard is how soon a human must know that she can no longer be reminded.
func (m *moment) unheard() rules.Urgency {
	if len(m.plan.Doses) > 0 && m.plan.Doses[len(m.plan.Doses)-1].At.After(m.now) {
		return rules.SameDay
	}
	return rules.Routine
}

// media: something that the program cannot read, with perhaps words that it can.
func (m *moment) media() []effect {
	effects := m.urgent()
	c := openCase{Reason: string(triage.Media), Urgency: max(rules.Routine, m.verdict.Urgency), PageNow: m.verdict.PageNow,
		Rules: m.verdict.Rules, Why: m.verdict.Why, Spans: m.reading.Spans}
	return append(effects, c, say{Key: "reply.media", Args: m.phones(nil)})
}

// text: she wrote, or changed what she had written.
func (m *moment) text() []effect {
	effects := m.urgent()
	alarmed := len(effects) > 0
	if minor(m.in.Text) {
		return append(effects, m.underage(alarmed)...)
	}
	switch {
	case !m.patient.Enrolled:
		return append(effects, m.beforeConsent(alarmed)...)
	case m.in.Kind == Edited:
		return append(effects, m.edited(alarmed)...)
	}
	if more, done := m.withdrawn(); done {
		return append(effects, more...)
	}
	if more, done := m.saysAgain(); done {
		return append(effects, more...)
	}
	if more, done := m.commanded(); done {
		return append(effects, more...)
	}
	if more, done := m.answered(); done {
		return append(effects, more...)
	}
	if more, done := m.counted(); done && !alarmed {
		return m.alsoToColleague(append(effects, more...))
	}
	more := m.understood(alarmed)
	if !alarmed && len(more) == 0 {
		more = m.humanReads(triage.Unclear, "reply.unclear")
	}
	return m.alsoToColleague(append(effects, more...))
}

// alsoToColleague brings what she writes to a coordinator who waits for it to that
// coordinator, also where the program could have answered alone.
func (m *moment) alsoToColleague(effects []effect) []effect {
	isCase := func(e effect) bool { _, is := e.(openCase); return is }
	if !m.talking || slices.ContainsFunc(effects, isCase) {
		return effects
	}
	thanks := func(e effect) bool { s, is := e.(say); return is && s.Key == "reply.thanks" }
	if i := slices.IndexFunc(effects, thanks); i >= 0 {
		effects[i] = say{Key: "reply.added"}
	}
	return append([]effect{m.caseOf(triage.Question)}, effects...)
}

// urgent is what an emergency sets off, whatever else the message says: the
// caution, and a case that alerts whoever is on call.
func (m *moment) urgent() []effect {
	if m.verdict.Urgency < rules.Emergency {
		return nil
	}
	key := m.verdict.Caution
	if key == "" {
		key = "emergency"
	}
	return []effect{caution{Key: key}, m.caseOf(triage.Symptom)}
}

// caseOf puts what she wrote before a human, as urgent as the rules say.
func (m *moment) caseOf(reason triage.Reason) openCase {
	return openCase{Reason: string(reason), Urgency: max(rules.Routine, m.verdict.Urgency), PageNow: m.verdict.PageNow,
		Rules: m.verdict.Rules, Why: m.verdict.Why, Spans: m.reading.Spans}
}

// beforeConsent: nothing can be sent to her before she has agreed, but what she
// writes is seen.
func (m *moment) beforeConsent(alarmed bool) []effect {
	yes, known := answerOf(m.in.Text)
	switch {
	case known && yes:
		return m.agreed()
	case known:
		return m.declined()
	case alarmed:
		return nil
	case commandOf(m.in.Text) == cmdMenu || commandOf(m.in.Text) == cmdStart:
		return []effect{m.consent()}
	}
	return []effect{m.caseOf(triage.Unclear), say{Key: "consent.pending", Args: m.phones(nil)}, m.consent()}
}

// edited: an older message says something else now. What it once set off stands;
// a person sees the new wording.
func (m *moment) edited(alarmed bool) []effect {
	if alarmed {
		return nil
	}
	return []effect{m.caseOf(reasonOf(m.reading.Intent)), say{Key: "reply.changed_words"}}
}

// commanded: the whole message is one of the fixed words.
func (m *moment) commanded() ([]effect, bool) {
	if thanks[tidy(m.in.Text)] {
		return []effect{say{Key: "reply.thanks"}}, true
	}
	if asksHours(m.in.Text) && m.verdict.Urgency <= rules.Routine {
		return []effect{say{Key: "reply.hours", Args: m.phones(nil)}}, true
	}
	switch commandOf(m.in.Text) {
	case cmdPeriod:
		return m.periodToday(), true
	case cmdNext:
		return m.next(), true
	case cmdCalendar:
		return []effect{sendCalendar{}}, true
	case cmdPicture:
		return []effect{sendPicture{}}, true
	case cmdPerson:
		return m.humanReads(triage.PersonWanted, "reply.person"), true
	case cmdMenu:
		return []effect{say{Key: "menu", Buttons: menu()}}, true
	case cmdStop:
		return m.stop(), true
	case cmdStart:
		return m.start(), true
	case cmdNeutral, cmdPlain:
		neutral := commandOf(m.in.Text) == cmdNeutral
		key := map[bool]string{true: "neutral.on", false: "neutral.off"}[neutral]
		return []effect{setNeutral{neutral}, say{Key: key}}, true
	case cmdEnglish:
		return []effect{setLanguage{"en"}, say{Key: "menu", Buttons: menu()}}, true
	case cmdSpanish:
		return []effect{setLanguage{"es"}, say{Key: "menu", Buttons: menu()}}, true
	}
	return nil, false
}

// understood is everything that the reading says she wants, in the order of what
// the reading puts first.
func (m *moment) understood(alarmed bool) []effect {
	if m.onlyCannotCome() && !alarmed {
		return m.cannotCome()
	}
	var effects []effect
	intents := append([]rules.Intent{m.reading.Intent}, m.reading.Also...)
	concerned := alarmed
	for i, intent := range intents {
		more, concerns := m.intent(intent, i == 0, concerned)
		concerned = concerned || concerns
		effects = append(effects, more...)
	}
	if !concerned && m.verdict.Urgency > rules.None && !m.bleedingOnly() {
		// A rule holds for something that no intent brought to a human.
		effects = append(effects, m.humanReads(reasonOf(m.reading.Intent), "")...)
	}
	return effects
}

// intent is what one intent sets off, and whether it put the message before a
// human. What is already before one is not put there twice.
func (m *moment) intent(i rules.Intent, first, concerned bool) ([]effect, bool) {
	switch i {
	case rules.PeriodStart, rules.PeriodSpotting:
		return m.period(i, concerned)
	case rules.DoseTaken:
		if concerned && (len(m.asked()) == 0 || m.unsure()) {
			return nil, false
		}
		if m.unsure() {
			return m.humanReads(triage.DoseQuestion, ""), true
		}
		return m.taken(), false
	case rules.DoseMissed:
		return m.missed(concerned), true
	case rules.StopMessages:
		return m.stop(), true
	case rules.Reschedule:
		if !concerned {
			return m.cannotCome(), true
		}
	case rules.Thanks:
		if first && m.doseAsked() {
			// "Sorry, I fell asleep" is small talk only where nothing was asked.
			break
		}
		if first && len(m.reading.Also) == 0 && !m.talking {
			return []effect{say{Key: "reply.thanks"}}, false
		}
		// What she answers to a coordinator goes to the coordinator.
		if !first || !m.talking {
			return nil, false
		}
	case rules.VisitQuestion:
		if m.verdict.Urgency == rules.None && !concerned && !m.talking && asksWhen(m.in.Text) {
			return m.next(), false
		}
	}
	var noted []effect
	if i == rules.LHPositive {
		noted = m.homeTest()
	}
	if concerned || i == rules.Symptom && m.bleedingOnly() {
		return noted, false
	}
	return append(noted, m.humanReads(reasonOf(i), replyTo[i])...), true
}

// bleedingOnly reports whether all that a message says is that her period or a
// spotting began: she has been asked about it, and nobody need read it as well.
func (m *moment) bleedingOnly() bool {
	early := m.plan.Phase() == plan.BeforeCycle || m.plan.Phase() == plan.InStimulation
	period := false
	for _, i := range append([]rules.Intent{m.reading.Intent}, m.reading.Also...) {
		switch i {
		case rules.PeriodStart, rules.PeriodSpotting:
			period = true
		case rules.Symptom, rules.Thanks:
		default:
			return false
		}
	}
	more := slices.ContainsFunc(m.reading.Findings, func(f rules.Finding) bool { return f != rules.LightBleeding && f != rules.HeavyBleeding })
	return early && period && !more && m.verdict.Urgency <= rules.Routine
}

// bleeds reports whether anything in her message speaks of bleeding, whatever its
// cause.
func (m *moment) bleeds() bool {
	found := slices.ContainsFunc(m.reading.Findings, func(f rules.Finding) bool { return f == rules.LightBleeding || f == rules.HeavyBleeding })
	ruled := slices.ContainsFunc(m.verdict.Rules, func(r string) bool { return strings.Contains(r, "bleeding") })
	return found || ruled
}

// homeTest records a positive ovulation test of hers, while it can still matter. It
// moves nothing: blood and a scan are asked for, by a case.
func (m *moment) homeTest() []effect {
	day := civil.DateOf(m.sent())
	known := slices.ContainsFunc(m.cycle.Facts, func(f reminders.Recorded) bool { return f.Kind == plan.HomeLH && f.On == day })
	if known || m.plan.Phase() != plan.InStimulation || m.plan.CycleDay(day) == 0 || !m.cycle.Closed.IsZero() {
		return nil
	}
	return []effect{record{Fact: plan.Fact{Kind: plan.HomeLH, On: day}}}
}

// reasonOf is why an intent needs a human.
func reasonOf(i rules.Intent) triage.Reason {
	if r, ok := reasons[i]; ok {
		return r
	}
	return triage.Unclear
}

var reasons = map[rules.Intent]triage.Reason{
	rules.Symptom: triage.Symptom, rules.DoseMissed: triage.DoseMissed, rules.DoseQuestion: triage.DoseQuestion, rules.DoseTaken: triage.DoseQuestion,
	rules.VisitQuestion: triage.Question, rules.Reschedule: triage.Question, rules.ResultQuestion: triage.Question,
	rules.TravelOrLife: triage.Question, rules.Emotional: triage.Emotional, rules.HumanPlease: triage.PersonWanted,
	rules.HomeTest: triage.HomeTest, rules.LHPositive: triage.LHSurge, rules.OtherPerson: triage.OtherPerson,
	rules.PeriodStart: triage.PeriodUnclear, rules.PeriodSpotting: triage.PeriodUnclear, rules.StopMessages: triage.OptedOut,
}

// replyTo is what she is told when a human will read it, where that is not the
// sentence for its urgency.
var replyTo = map[rules.Intent]string{
	rules.HumanPlease: "reply.person", rules.ResultQuestion: "reply.result", rules.Unclear: "reply.unclear",
	rules.DoseMissed: "dose.missed_reply",
}

// humanReads puts the message before a human and says so, and what happens at
// this hour. Where a case of hers is being looked at already, it is added there.
func (m *moment) humanReads(reason triage.Reason, key string) []effect {
	return m.putBefore(m.caseOf(reason), key)
}

// putBefore is humanReads for a case that says more.
func (m *moment) putBefore(c openCase, key string) []effect {
	reason := triage.Reason(c.Reason)
	if !m.cycle.Closed.IsZero() && c.Urgency == rules.Routine {
		c.Reason = string(triage.AfterCycle)
	}
	if key == "" {
		key = map[rules.Urgency]string{rules.Routine: "reply.routine", rules.SameDay: "reply.same_day", rules.Emergency: "reply.same_day"}[c.Urgency]
		if reason == triage.Symptom && c.Urgency == rules.SameDay {
			key = "reply.symptom"
		}
		if m.handled && c.Urgency == rules.Routine {
			key = "reply.added"
		}
	}
	switch {
	case m.talking && (c.Urgency == rules.Routine || m.attended) && key != "dose.missed_reply":
		key = "reply.added"
	case m.alarmed && c.Urgency < rules.SameDay:
		key = "reply.added"
	case m.alarmed:
		return []effect{c, say{Key: "reply.alarm", Args: m.phones(nil)}}
	}
	if key == "reply.unclear" && m.driverAsked() {
		key, c.Notes = "reply.routine", append(c.Notes, triage.Line{Key: "note.driver"})
	}
	if key == "reply.unclear" && !m.patient.Hushed.IsZero() {
		key = "reply.routine" // a program has no business to explain itself now
	}
	late := !m.attended && !open(m.policy, m.now)
	if late && (key == "reply.same_day" || key == "reply.symptom") {
		key = "reply.passed" // today is over, or has not begun
	}
	answer := say{Key: key, Args: m.phones(nil)}
	if late && key != "dose.missed_reply" {
		answer.Then, answer.Args = m.afterHours(c)
	}
	return []effect{c, answer}
}

// driverAsked reports whether she was asked the evening before her transfer who
// takes her home, and is still on her way there.
func (m *moment) driverAsked() bool {
	return slices.ContainsFunc(m.plan.Steps, func(s plan.Step) bool {
		eve := s.On.AddDays(-1).At(m.policy.Messages.VisitEvening, m.now.Location())
		return s.Name == plan.Transfer && s.Booked && s.Status != plan.Dropped && m.patient.Hushed.IsZero() && !m.now.Before(eve) && m.now.Before(s.At) && reminders.Sedated(m.cycle, s.On)
	})
}

// afterHours says when the chat is read again, or when the on-call nurse hears of
// it: now, or in the morning of any day.
func (m *moment) afterHours(c openCase) (key string, args phrase.Args) {
	switch {
	case c.PageNow:
		return "reply.woken", m.phones(nil)
	case c.Urgency >= rules.SameDay:
		morning := m.today().At(m.policy.Triage.Morning, m.now.Location())
		if morning.Before(m.now) {
			morning = m.today().AddDays(1).At(m.policy.Triage.Morning, m.now.Location())
		}
		return "reply.morning", m.phones(phrase.Args{"morning": m.dayOf(morning) + ", " + m.clockOf(morning)})
	}
	at := opens(m.policy, m.now)
	return "reply.closed", m.phones(phrase.Args{"opens": m.dayOf(at) + ", " + m.clockOf(at)})
}

// stop: she wants no more messages. A human is told, today if she is taking
// something.
func (m *moment) stop() []effect {
	if !m.patient.OptedOut.IsZero() {
		return []effect{say{Key: "optout.done"}}
	}
	return []effect{optOut{true}, openCase{Reason: string(triage.OptedOut), Urgency: m.unheard()}, say{Key: "optout.done"}}
}

func (m *moment) start() []effect {
	if m.patient.OptedOut.IsZero() {
		return []effect{say{Key: "menu", Buttons: menu()}}
	}
	return []effect{optOut{false}, back{}, say{Key: "optout.back", Buttons: menu()}}
}
