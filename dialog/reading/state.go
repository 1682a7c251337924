package reading

import (
	"slices"
	"sort"
	"strings"

	"handrail.example/triage/rules"
)

// The cues of negation and context. A cue of the lexicon is named by the state
// it gives; its options say which way it reaches: "forward" (what follows, the
// default), "backward" (what stands before) or "both", and how far
// ("reach=8", in words). "cue end" blocks end the scope of the states named in
// their options ("all" for every one); "cue pseudo" blocks look like a cue and
// are none. This is the scheme of NegEx (Chapman 2001) and ConText (Harkema
// 2009); the reach is longer than NegEx's six words, since lists in messages
// run on, and ends at the next clause, since punctuation is often missing.

// defaultReach is how many words a cue governs where its block says nothing.
const defaultReach = 12

// farReach bounds every reach, so that the time for a long text without a full
// stop grows with its length only.
const farReach = 40

// cuesNear has the cues that begin in the tokens from to to.
func (m *message) cuesNear(from, to int) []match {
	at := func(i int) int {
		return sort.Search(len(m.cues), func(k int) bool { return m.cues[k].from >= i })
	}
	return m.cues[at(from):at(max(from, to))]
}

// looseCues drops pseudo cues, having done their work of covering others.
func (m *message) looseCues() []match {
	out := m.cues[:0]
	for _, c := range m.cues {
		if c.concept.name != "pseudo" && c.concept.name != "unend" {
			out = append(out, c)
		}
	}
	return out
}

// resolved cues ("gone now") give the state Past too, but never to a dose: "it
// slipped my mind" has the same words.
// It is a state of its own only until weigh has looked at it.
const resolved = State("resolved")

// nearly cues ("almost forgot") make a missed dose one that was taken. A faint
// that nearly came is a sign of its own.
const nearly = State("nearly")

// order in which states win over one another where several cues govern.
var stateOrder = []State{Quoted, OtherPerson, Hypothetical, Figurative, Negated, Past, resolved}

// stateOf decides how a concept stands: by the cues of its sentence.
func (m *message) stateOf(x match) State {
	if isKind(x.concept, "mod", "word", "phase") {
		return m.plainState(x)
	}
	var governed stateSet
	dose := x.concept.kind == "dose"
	for _, c := range m.cuesNear(x.from-farReach, x.to+farReach) {
		s := c.concept.gives
		if s == 0 || governed&s != 0 || dose && s == bitOf(resolved) || !dose && s == bitOf(nearly) || !m.governs(c, x) {
			continue
		}
		governed |= s
	}
	if governed&bitOf(nearly) != 0 {
		return nearly
	}
	if governed&bitOf(Present) != 0 {
		governed &^= bitOf(Past) | bitOf(resolved)
	}
	if governed&bitOf(OtherPerson) == 0 && (m.tellsOn(x) || m.someoneElses(x)) {
		governed |= bitOf(OtherPerson)
	}
	for _, s := range stateOrder {
		if governed&bitOf(s) != 0 {
			return s
		}
	}
	return Present
}

// stateSet is a set of states.
type stateSet uint16

// bitOf is the set of one state, empty for what is none.
func bitOf(s State) stateSet {
	switch s {
	case Present:
		return 1
	case Negated:
		return 1 << 1
	case Hypothetical:
		return 1 << 2
	case Past:
		return 1 << 3
	case OtherPerson:
		return 1 << 4
	case Quoted:
		return 1 << 5
	case Figurative:
		return 1 << 6
	case resolved:
		return 1 << 7
	case nearly:
		return 1 << 8
	}
	return 0
}

// tellsOn reports whether the sentence of x goes on telling of somebody else: a
// sentence before it began to, this one speaks of her or him, and no word of the
// first person has stood since.
func (m *message) tellsOn(x match) bool {
	s := m.toks[x.from].sentence
	if s == 0 || !m.tale[s] || m.relays || m.ours || m.owned(x) {
		return false
	}
	for k := x.from; k >= 0 && m.toks[k].sentence == s; k-- {
		if m.mine[k] {
			return false
		}
	}
	return true
}

// tales marks the words of the first person, and the sentences that go on
// telling of somebody else whom a sentence before has named.
func (m *message) tales() {
	m.relays, m.ours = m.any("intent", string(rules.OtherPerson)), m.isPatient()
	m.mine, m.tale = make([]bool, len(m.toks)), make([]bool, len(m.questions))
	for _, x := range m.found {
		if x.concept.kind == "word" && x.concept.name == "first_person" {
			for k := x.from; k < x.to; k++ {
				m.mine[k] = true
			}
		}
	}
	for k := range m.toks {
		switch t := &m.toks[k]; {
		case strings.HasSuffix(t.norm, "o") && strings.Contains(m.text[t.from:t.to], "ó"):
			m.mine[k] = false // "sangró", "vomitó" or the noun "vómito", not "I vomit"
		case t.kind == wordToken && firstVerb(m.text[t.from:t.to]):
			m.mine[k] = true
		}
	}
	for _, x := range m.found {
		if x.concept.kind == "word" && x.concept.name == "relative" {
			for k := max(x.from-2, 0); k < x.from; k++ {
				if n := m.toks[k].norm; n == "my" || n == "mi" || n == "mis" {
					m.mine[k] = false // "my late mother"
				}
			}
		}
	}
	told := make([]bool, len(m.questions))
	for _, c := range m.cues {
		if c.concept.name == string(OtherPerson) {
			told[m.toks[c.from].sentence] = true
		}
	}
	for i := range m.toks {
		s := m.toks[i].sentence
		if s > 0 && thirdPerson[m.toks[i].norm] && (told[s-1] || m.tale[s-1]) {
			m.tale[s] = true
		}
	}
}

// thirdPerson are words that speak of somebody told of before.
var thirdPerson = map[string]bool{
	"she": true, "he": true, "they": true, "her": true, "his": true, "their": true, "hers": true, "them": true,
	"ella": true, "ellos": true, "ellas": true, "le": true, "les": true, "suya": true, "suyo": true,
}

// governedBy reports whether a cue of one of the states has x in its scope.
func (m *message) governedBy(x match, states ...State) bool {
	for _, c := range m.cuesNear(x.from-farReach, x.to+farReach) {
		if slices.Contains(states, State(c.concept.name)) && m.governs(c, x) {
			return true
		}
	}
	return false
}

// plainState looks for negation only.
func (m *message) plainState(x match) State {
	for _, c := range m.cuesNear(x.from-farReach, x.to+farReach) {
		if c.concept.name == string(Negated) && m.governs(c, x) {
			return Negated
		}
	}
	return Present
}

// governs reports whether x lies in the scope of cue c.
func (m *message) governs(c, x match) bool {
	if max(x.from-c.to, c.from-x.to) > c.reach() || m.toks[c.from].sentence != m.toks[x.from].sentence {
		return false
	}
	if c.to-c.from == 1 && c.to < len(m.toks) && m.toks[c.to].brk == softBreak && (m.toks[c.from].norm == "si" || m.toks[c.from].norm == "no" && c.from < x.from) {
		return false // "sí, ..." is a yes, "oh no, ..." no denial of what follows
	}
	if c.to-c.from == 1 && m.toks[c.from].norm == "no" && c.to < len(m.toks) && m.toks[c.to].norm == "i" {
		return false // "no I did not" answers, and goes on
	}
	if c.concept.name == string(Hypothetical) && m.saysYes(c) {
		return false // "ahora sí me duele"
	}
	if c.from < x.from && c.to >= x.from && c.concept.name == string(Negated) && gapEnds[m.toks[x.from].norm] {
		return false // the "no" of "ya no quiero vivir" belongs to the sign itself
	}
	if c.concept.name == string(OtherPerson) && isKind(x.concept, "dose", "verb") && c.reaches("both") {
		return false // "I was in hospital with my father": the dose is hers
	}
	if c.concept.name == string(OtherPerson) && m.hasWord["speaks_for_her"] {
		return false // "it's Dan, her husband, she had some kind of fit"
	}
	if c.concept.name == string(Quoted) && isKind(x.concept, "dose", "verb", "drug", "form") && c.says("unowned") {
		return false // "the label says two": a paper is quoted, the dose is hers
	}
	if c.says("unowned") && (m.owned(x) || c.concept.name == string(OtherPerson) && m.relays) {
		return false
	}
	if c.says("thrill") && !thrills[x.concept.name] {
		return false
	}
	if c.says("head") && c.from > 0 && m.toks[c.from].brk == noBreak && !openings[m.toks[c.from-1].norm] {
		return false
	}
	if c.says("clause") && c.concept.name == string(Hypothetical) && c.to < len(m.toks) && gapEnds[m.toks[c.to].norm] {
		return false // "would not" denies
	}
	if c.says("closing") && (c.to < len(m.toks) && m.toks[c.to].brk == noBreak || c.from > 0 && (m.toks[c.from-1].norm == "y" || m.toks[c.from-1].norm == "and")) {
		return false // "se despegó y no lo vi" tells of two things
	}
	if c.says("tail") {
		return c.from >= x.to && c.from-x.to <= c.reach() && m.closes(c) && !m.owned(x)
	}
	if c.from < x.from && m.turnsToHer(c, x) {
		return false
	}
	switch {
	case (c.from < x.from || c.from == x.from && c.to < x.to && c.concept.name == string(Past)) && c.reaches("forward"):
		return x.from-c.to <= c.reach() && !m.ended(c, c.to, x.from) && !m.restarts(c, c.to, x.from) && !(c.says("clause") && m.brokenBetween(c.to-1, x.from))
	case c.from >= x.to && c.reaches("backward"):
		return c.from-x.to <= c.reach() && !m.ended(c, x.to, c.from) && !(c.says("clause") && m.brokenBetween(x.to-1, c.from))
	}
	return false
}

// saysYes: the "si" with which cue c supposes is a yes, by its accent or by the
// word before it.
func (m *message) saysYes(c match) bool {
	for k := c.from; k < c.to; k++ {
		t := &m.toks[k]
		if t.norm != "si" {
			continue
		}
		return t.to-t.from > len("si") || k > 0 && t.brk == noBreak && beforeYes[m.toks[k-1].norm]
	}
	return false
}

// thrills are the signs, and the classes that make them, which joy and dread bring
// too.
var thrills = set("rigors", "chills", "near_faint", "dizzy", "palpitations", "nausea", "stroke", "shake", "convulse", "limb", "fails", "beyond_control", "wobbly",
	"legs", "high_temperature", "unread")

// beforeYes are words behind which an unaccented "si" is a yes.
var beforeYes = set("ahora", "eso", "ya", "hoy", "esta", "este", "mi", "vez", "ahorita", "claro")

// turnsToHer: between a cue of somebody else, a paper or a supposition and x she
// begins to speak of herself: with any word of the first person after somebody
// else ("the nurse said I fainted"), with one behind a comma after the others
// ("it might be the appendix, I cannot stand").
func (m *message) turnsToHer(c, x match) bool {
	switch State(c.concept.name) {
	case OtherPerson:
		return slices.Contains(m.mine[min(c.to, x.to):x.to], true)
	case Quoted, Hypothetical:
		for k := c.to; k < min(x.to, len(m.toks)); k++ {
			if m.mine[k] && m.toks[k].brk == softBreak {
				return true
			}
		}
	}
	return false
}

// says reports whether the block of the cue has an option: "unowned", it does
// not govern what she says of herself; "clause", it reaches to the next comma
// only; "head", it counts only at the head of a clause;
// "thrill", it governs only what joy and dread do to a body, never a bleeding or
// a pain; "tail", it answers its whole sentence from the end of it;
// "closing", it counts only where its clause ends with it.
func (c match) says(option string) bool { return slices.Contains(c.concept.opts, option) }

// closes reports whether c is the last thing that its sentence says, after a
// break: "the blurry vision you asked about: none".
func (m *message) closes(c match) bool {
	last := c.to == len(m.toks) || m.toks[c.to].brk == hardBreak
	return last && m.toks[c.from].brk == softBreak
}

// ownReach is how many words before a sign the word that makes it hers may stand.
const ownReach = 6

// owned reports whether x is told as hers: a word of the first person stands in
// it, or before it in its clause.
func (m *message) owned(x match) bool {
	for k := x.to - 1; k >= max(x.from-ownReach, 0); k-- {
		if m.mine[k] {
			return true
		}
		if k <= x.from && m.toks[k].brk != noBreak {
			return false
		}
	}
	return false
}

func (c match) reaches(way string) bool {
	for _, o := range c.concept.opts {
		if o == way || o == "both" {
			return true
		}
	}
	return false
}

func (c match) reach() int { return c.concept.far }

// ended reports whether something between the tokens from and to ends the
// scope of cue c.
func (m *message) ended(c match, from, to int) bool {
	for _, e := range m.cuesNear(from, to) {
		if c.concept.name == string(resolved) && e.to <= c.from && recent[m.toks[e.from].norm] {
			continue // "the dizziness of yesterday went away"
		}
		if e.concept.name == "end" && e.ends(c.concept.name) {
			return true
		}
	}
	return false
}

// recent are words that bring a past near and do not undo that it is over.
var recent = map[string]bool{"yesterday": true, "ayer": true}

// restarts reports whether a new clause begins between the tokens from and to,
// so that a denial before it says nothing of what follows: after a comma, a
// word that opens a clause; or many words with nothing that makes a list.
func (m *message) restarts(c match, from, to int) bool {
	if c.concept.name != string(Negated) {
		return false
	}
	listed := from
	for k := from; k <= to && k < len(m.toks); k++ {
		t := &m.toks[k]
		joined := k > from && (m.toks[k-1].norm == "and" || m.toks[k-1].norm == "y")
		told := k+1 < len(m.toks) && m.toks[k+1].brk == noBreak && tellers[m.toks[k+1].norm] // ", pain is everywhere"
		if (t.brk == softBreak || joined) && k > from && (openers[t.norm] || told) {
			return true
		}
		if t.brk == softBreak || listers[t.norm] {
			listed = k
		}
	}
	return to-listed > listReach
}

// listReach is how many words a denial governs where nothing makes a list.
const listReach = 8

var listers = map[string]bool{"or": true, "and": true, "nor": true, "ni": true, "o": true, "y": true, "no": true, "e": true, "u": true}

var openers = map[string]bool{
	"i": true, "it": true, "this": true, "the": true, "my": true, "there": true, "its": true, "that": true, "he": true, "she": true,
	"es": true, "esto": true, "eso": true, "el": true, "la": true, "un": true, "una": true, "mi": true, "me": true, "ya": true,
	"se": true, "son": true, "tengo": true, "estoy": true, "pero": true, "but": true, "now": true, "ahora": true, "just": true,
	"solo": true, "siento": true, "los": true, "las": true, "so": true, "asi": true, "hay": true, "like": true, "como": true,
}

var tellers = map[string]bool{
	"is": true, "are": true, "has": true, "hurts": true, "feels": true, "keeps": true, "started": true, "esta": true, "estan": true, "duele": true,
	"duelen": true, "empezo": true, "sigue": true,
}

func (c match) ends(state string) bool {
	for _, o := range c.concept.opts {
		if o == "all" || strings.EqualFold(o, state) {
			return true
		}
	}
	return false
}

// isPatient: somebody of whom the message tells is said to be a patient here.
func (m *message) isPatient() bool {
	return slices.ContainsFunc(m.found, func(x match) bool {
		return x.concept.kind == "word" && x.concept.name == "is_patient" && !m.deniedJustBefore(x) && m.toks[max(x.from-1, 0)].norm != "not" && !m.holdsDenial(x)
	})
}

// holdsDenial: a word of denial stands within x ("is not a patient").
func (m *message) holdsDenial(x match) bool {
	return slices.ContainsFunc(m.toks[x.from:x.to], func(t token) bool { return t.norm == "not" || t.norm == "no" })
}
