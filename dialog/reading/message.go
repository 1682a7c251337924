package reading

import (
	"slices"
	"sort"

	"handrail.example/triage/rules"
)

// message is one text while it is being read.
type message struct {
	ctx       Context
	text      string
	toks      []token
	questions []bool
	quotes    []int
	foreign   bool
	// found has every match that counts, by position; cues govern states.
	found []match
	cues  []match
	// about has what the small words of each sentence say.
	about []sentence
	// hasWord has the names of the small words of the message.
	hasWord map[string]bool
	// events, injection, period, exprs: what has been read so far.
	events    []doseEvent
	injection bool
	period    bool
	exprs     []dateExpr
	dated     bool
	times     []clockSpan
	clocked   bool
	// relays: somebody else writes; ours: one told of is said to be a patient here.
	relays, ours bool
	// told are the words that tell of a period, where there are such.
	told   match
	isTold bool
	// cameBack: behind what it tells of others it says that she has nothing.
	cameBack bool
	// quiz: it goes through a list of questions and says no to one at least.
	quiz bool
	// mine marks the words of the first person, tale the sentences that go on
	// telling of somebody else.
	mine, tale []bool
	// lang is the language of most words.
	lang string
}

func newMessage(s *scanner, found []match, c Context) *message {
	m := &message{
		ctx: c, text: s.text, toks: s.toks, questions: s.questions, quotes: s.quotes,
		foreign: s.foreign*2 > s.letters,
	}
	m.lang, m.hasWord = m.language(), map[string]bool{}
	found = suppress(m.meant(found))
	for _, x := range found {
		if x.concept.kind == "cue" {
			m.cues = append(m.cues, x)
		} else {
			m.found = append(m.found, x)
		}
	}
	m.cues = m.looseCues()
	m.about, m.quiz = m.sentences(), m.isQuiz()
	m.tales()
	for i := range m.found {
		m.found[i].state = m.stateOf(m.found[i])
	}
	return m
}

// meant drops what would be figurative if no part of the body stood in its
// sentence, and what only looks like words about a dose.
func (m *message) meant(found []match) []match {
	bodily := map[int32]bool{}
	for _, x := range found {
		if x.concept.kind == "part" && x.concept.name != "breathing" || x.concept.kind == "head" && x.concept.name != "pain" || x.concept.kind == "mod" && bodyParts[x.concept.name] {
			bodily[m.toks[x.from].sentence] = true
		}
	}
	return slices.DeleteFunc(found, func(x match) bool {
		return x.concept.name == "unless_part" && bodily[m.toks[x.from].sentence] || m.noOnItsOwn(x) || m.toldDone(x) || m.danglingIn(x) || m.reversedAgain(x)
	})
}

// suppress drops what lies inside a longer match of another meaning: the
// figurative "killing me", the "blood" of "blood test", a "no" that belongs to
// "cannot breathe". Of a concept's own nested matches the longer one stays.
func suppress(found []match) []match {
	out := make([]match, 0, len(found))
	longest := 0
	for _, x := range found {
		longest = max(longest, x.to-x.from)
	}
	for i, x := range found {
		if !covered(found, i, longest) {
			out = append(out, x)
		}
	}
	return out
}

// covered reports whether another match makes found[i] void; no match has more
// than longest tokens.
func covered(found []match, i, longest int) bool {
	x := found[i]
	for j := i - 1; j >= 0 && found[j].from > x.from-longest; j-- {
		if found[j].to > x.from && covers(found[j], x) {
			return true
		}
	}
	for j := i + 1; j < len(found) && found[j].from < x.to; j++ {
		if covers(found[j], x) {
			return true
		}
	}
	return false
}

// maxSpan is more than the longest match of any pattern, in tokens.
const maxSpan = 40

// covers reports whether a makes b void: b lies within a, and a is longer, or
// of a kind that voids by intent.
func covers(a, b match) bool {
	if a.concept.kind == "dose" && b.concept.kind == "dose" && doseVoids(a, b) {
		return true
	}
	if a.concept.kind == "figurative" && isKind(b.concept, "sign", "head", "dose") && a.from < b.to && b.from < a.to {
		return true
	}
	if a.concept.kind == "figurative" && b.concept.kind == "class" && b.from == a.from-1 && b.to > a.from && b.to <= a.to {
		return true // the "me muero" of "me muero de los nervios"
	}
	if a.concept.name == "compare" && b.concept.kind == "intent" && b.concept.name == string(rules.PeriodStart) {
		return a.from < b.to && b.from < a.to
	}
	if a.concept.kind == "dose" && b.concept.kind == "sign" && (b.concept.name == "fall" || b.concept.name == "fainted" && a.from < b.from) && a.from < b.to && b.from < a.to {
		return true // the patch fell, not she
	}
	if a.concept.kind == "sign" && b.concept.kind == "sign" && a.from < b.from && b.from < a.to && a.concept.over(b.concept.name) {
		return true // "almost fainted" and "fainted when I stood up"
	}
	if a.from > b.from || a.to < b.to {
		return false
	}
	longer := a.to-a.from > b.to-b.from
	switch a.concept.kind {
	case "figurative", "ignore":
		if a.concept.name == "compare" {
			return false
		}
		return b.concept.kind != a.concept.kind && !isKind(b.concept, "word", "intent", "topic") || longer && b.concept.kind == a.concept.kind
	case "sign":
		head := b.concept.kind == "head" && !weakSigns[a.concept.name] && !(b.concept.name == "headache" && a.concept.name == "severe_belly_pain")
		// A "can not" belongs to the sign; a "last December" does not.
		cue := b.concept.kind == "cue" && b.concept.name != string(Past)
		return longer && (head || cue) || b.concept.kind == "sign" && a.concept.over(b.concept.name)
	case "dose":
		// A question about a dose takes no supposition away from what it asks about.
		cue := b.concept.kind == "cue" && !(a.concept.name == "question" && b.concept.name == string(Hypothetical))
		return longer && (cue || b.concept == a.concept || b.concept.kind == "sign" && b.concept.name != "overdose")
	case "cue":
		if a.concept.name == "unend" {
			return longer && b.concept.kind == "cue" && b.concept.name == "end"
		}
		if a.concept.name == b.concept.name && a.concept != b.concept {
			return false // they reach different ways
		}
		return longer && b.concept.kind == "cue"
	case "class":
		return longer && b.concept == a.concept
	case "head", "mod":
		if a.concept.name == "mild" && longer && b.concept.kind == "mod" && (b.concept.name == "moderate" || b.concept.name == "severe") {
			return true // "nothing bad" is not bad
		}
		return longer && (b.concept == a.concept || a.concept.name == "headache" && b.concept.name == "severe_belly_pain")
	}
	if a.concept.kind != "intent" {
		return longer && b.concept == a.concept
	}
	// "My husband has" is both an intent and a cue.
	cue := b.concept.kind == "cue" && a.concept.name != string(rules.OtherPerson) && a.concept.name != string(rules.Symptom)
	return longer && (b.concept == a.concept || cue ||
		a.concept.name == string(rules.Symptom) && b.concept.name == string(rules.PeriodStart))
}

// weakSigns take no word for pain away from what else is said of it: "severe
// belly pain after the shot" is more than a sore spot.
var weakSigns = map[string]bool{"site_sore": true, "side_effect": true}

// doseVoids: words about a dose that overlap are told once. "Did not forget"
// voids "forgot", a question voids what it asks about, a wrong dose is not also
// a late or a taken one.
func doseVoids(a, b match) bool {
	if a.from >= b.to || b.from >= a.to || a.concept == b.concept {
		return false
	}
	ra, rb := doseRank[a.concept.name], doseRank[b.concept.name]
	if a.concept.name == "question" || a.concept.name == "time_question" {
		return a.from <= b.from && rb > 1 && b.concept.name != "time_question" && b.concept.name != "none_left" || a.concept.name == "time_question" && b.concept.name == "question"
	}
	// A question that comes first rules what it asks about.
	if (b.concept.name == "question" || b.concept.name == "time_question") && b.from <= a.from && ra > 1 {
		return false
	}
	return ra < rb
}

var doseRank = map[string]int{
	"reversed": 1, "stopping": 2, "stopped": 3, "none_left": 4, "missed": 5, "wrong": 6, "partial": 7, "late": 8, "taken": 9,
	"time_question": 10, "question": 11, "allergy": 0,
}

// has reports whether a concept is present.
func (m *message) has(kind, name string) bool { return m.first(kind, name) >= 0 }

// first is the index of the first present match of a concept, or -1.
func (m *message) first(kind, name string) int {
	return slices.IndexFunc(m.found, func(x match) bool {
		return x.concept.kind == kind && x.concept.name == name && x.state == Present
	})
}

// any reports whether a concept is mentioned in whatever state.
func (m *message) any(kind, name string) bool {
	return slices.ContainsFunc(m.found, func(x match) bool {
		return x.concept.kind == kind && x.concept.name == name
	})
}

// language counts the words of either language; a tie goes to the hint.
func (m *message) language() string {
	var n [2]int
	for i := range m.toks {
		switch m.toks[i].word.lang {
		case 1 << langEN:
			n[langEN]++
		case 1 << langES:
			n[langES]++
		}
	}
	switch {
	case n[langES] > n[langEN]:
		return "es"
	case n[langEN] > n[langES]:
		return "en"
	case m.ctx.Language == "es":
		return "es"
	}
	return "en"
}

func (m *message) read() Reading {
	r := Reading{Language: m.lang}
	m.readPhase(&r)
	m.readFindings(&r)
	m.readDrug(&r)
	m.readDoses(&r)
	m.readIntents(&r)
	m.readDate(&r)
	m.readTime(&r)
	return r
}

func addOnce[T comparable](s []T, v ...T) []T {
	for _, x := range v {
		if !slices.Contains(s, x) {
			s = append(s, x)
		}
	}
	return s
}

// readPhase takes where she says she is; what the chart knows goes before it.
func (m *message) readPhase(r *Reading) {
	defer func() {
		if r.phase = m.ctx.Phase; r.phase == "" {
			r.phase = r.PhaseTold
		}
	}()
	for _, x := range m.found {
		if x.concept.kind == "phase" && x.state == Present {
			r.PhaseTold = laterPhase(r.PhaseTold, rules.Phase(x.concept.name))
		}
		if x.concept.kind == "flag" && x.state != Negated && x.state != OtherPerson {
			r.Flags = addOnce(r.Flags, rules.Flag(x.concept.name))
		}
	}
}

// laterPhase: of two phases told, the one further on in the cycle.
func laterPhase(a, b rules.Phase) rules.Phase {
	if slices.Index(rules.Phases, a) > slices.Index(rules.Phases, b) {
		return a
	}
	return b
}

// foundNear has the matches that begin in the tokens from to to.
func (m *message) foundNear(from, to int) []match {
	at := func(i int) int {
		return sort.Search(len(m.found), func(k int) bool { return m.found[k].from >= i })
	}
	return m.found[at(from):at(max(from, to+1))]
}
