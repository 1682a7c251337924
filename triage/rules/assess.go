package rules

import (
	"slices"
	"strings"
)

// Sign is something a patient says about her body, finer than a Finding; the
// signs are listed, with the finding each counts as, in signs.txt.
type Sign string

// Dose is something that happened to a dose, or that she asks about it.
type Dose string

// What can be said of a dose. EarlierDay, Several and Injection
// qualify the others.
const (
	Missed       Dose = "missed"
	Late         Dose = "late"
	Partial      Dose = "partial"
	Wrong        Dose = "wrong"
	NoneLeft     Dose = "none_left"
	Stopped      Dose = "stopped"
	Allergy      Dose = "allergy"
	TimeQuestion Dose = "time_question"
	EarlierDay   Dose = "earlier_day"
	Several      Dose = "several"
	Injection    Dose = "injection"
)

// Flag is a circumstance that changes the weight of a message: what the chart
// knows about the patient, or how the message was written.
type Flag string

// The flags. The first group comes from the chart (or from her own words), the
// second from the reading.
const (
	EarlierEctopic    Flag = "earlier_ectopic"
	PoorRise          Flag = "poor_rise"
	SeenInWomb        Flag = "seen_in_womb"
	Triggered         Flag = "triggered"
	DoseBeforeOpening Flag = "dose_before_opening"

	Preparation Flag = "preparation"
	AsksForHer  Flag = "asks_for_her"
	Unreadable  Flag = "unreadable"
)

// Input is what one message says, with what is known about the patient.
type Input struct {
	// Phase is "" when it is not known; see Assess.
	Phase   Phase
	Intents []Intent
	// Signs are those present now; denied, past or supposed ones stay out.
	Signs []Sign
	Drug  Drug
	Doses []Dose
	Flags []Flag
}

// Verdict is how urgent a message is, and why.
type Verdict struct {
	Urgency Urgency
	// PageNow: after hours the on-call person is alerted at once, rather than
	// first thing in the morning.
	PageNow bool
	// Rules are the ids of the rules that hold, the most urgent first.
	Rules []string
	// Caution is the key of the text to show at once, or "".
	Caution string
	// Why is the reason in words, for staff.
	Why string
}

// Assess applies the table to one message. Where the phase is not known, a
// rule about bleeding is read as before the cycle and every other rule as in
// the gravest phase. No rule holding is urgency None.
func Assess(in Input) Verdict {
	t := theTable()
	var held []*rule
	for i := range t.rules {
		if t.rules[i].holds(in, t) {
			held = append(held, &t.rules[i])
		}
	}
	slices.SortStableFunc(held, func(a, b *rule) int { return int(b.urgency) - int(a.urgency) })
	return verdictOf(held)
}

func verdictOf(held []*rule) Verdict {
	var v Verdict
	for _, r := range held {
		v.Rules = append(v.Rules, r.id)
		v.PageNow = v.PageNow || r.wake
		if v.Caution == "" && r.caution != "" {
			v.Caution = r.caution
		}
	}
	if len(held) > 0 {
		v.Urgency, v.Why = held[0].urgency, held[0].why
	}
	return v
}

// Caution is the text for a caution's key in the language "en" or "es"
// (another language gets English), with the places {emergency}, {on_call} and
// {desk} still to be filled by Fill. An unknown key gives "".
func Caution(key, lang string) string {
	c, ok := theTable().cautions[key]
	if !ok {
		return ""
	}
	if lang == "es" {
		return c.es
	}
	return c.en
}

// Numbers are the telephone numbers that a caution names.
type Numbers struct{ Emergency, OnCall, Desk string }

// Fill puts the clinic's numbers into a caution's text.
func Fill(text string, n Numbers) string {
	return strings.NewReplacer("{emergency}", n.Emergency, "{on_call}", n.OnCall, "{desk}", n.Desk).Replace(text)
}

// FindingOf is the finding that a sign counts as, or "" for an unknown sign.
func FindingOf(s Sign) Finding { return theTable().signs[s] }

// Signs has every sign, in the order of signs.txt.
func Signs() []Sign { return slices.Clone(theTable().order) }

// Rule is one row of the table, for pages and tests.
type Rule struct {
	ID, Why, Source, Caution string
	Urgency                  Urgency
	PageNow                  bool
	Phases                   []Phase
}

// Rules has the table, in its order.
func Rules() []Rule {
	var out []Rule
	for _, r := range theTable().rules {
		out = append(out, Rule{
			ID: r.id, Why: r.why, Source: r.source, Caution: r.caution,
			Urgency: r.urgency, PageNow: r.wake, Phases: slices.Clone(r.phases),
		})
	}
	return out
}

func (r *rule) holds(in Input, t *table) bool {
	if !r.inPhase(in.Phase) {
		return false
	}
	for _, line := range r.ifs {
		if !line.holds(in, t) {
			return false
		}
	}
	for _, line := range r.unless {
		if line.holds(in, t) {
			return false
		}
	}
	return true
}

func (r *rule) inPhase(p Phase) bool {
	if len(r.phases) == 0 {
		return true
	}
	if p == "" && !r.bleeding {
		return true
	}
	if p == "" {
		p = BeforeCycle
	}
	return slices.Contains(r.phases, p)
}

func (l line) holds(in Input, t *table) bool {
	for _, term := range l {
		if term.holds(in, t) {
			return true
		}
	}
	return false
}

func (x term) holds(in Input, t *table) bool {
	switch x.kind {
	case "intent":
		return slices.Contains(in.Intents, Intent(x.name))
	case "drug":
		return in.Drug == Drug(x.name)
	case "dose":
		return slices.Contains(in.Doses, Dose(x.name))
	case "flag":
		return slices.Contains(in.Flags, Flag(x.name))
	case "phase":
		return in.Phase == Phase(x.name)
	}
	for _, s := range in.Signs {
		if string(s) == x.name || string(t.signs[s]) == x.name {
			return true
		}
	}
	return false
}
