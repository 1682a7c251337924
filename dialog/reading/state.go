package reading

import (
	"slices"
	"sort"
	"strings"
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

// order in which states win over one another where several cues govern.
var stateOrder = []State{Quoted, OtherPerson, Hypothetical, Figurative, Negated, Past, resolved}

// stateOf decides how a concept stands: by the cues of its sentence.
func (m *message) stateOf(x match) State {
	if isKind(x.concept, "mod", "word", "phase") {
		return m.plainState(x)
	}
	governed := map[State]bool{}
	for _, c := range m.cuesNear(x.from-farReach, x.to+farReach) {
		s := State(c.concept.name)
		if s == resolved && x.concept.kind == "dose" {
			continue
		}
		if c.concept.name == "end" || governed[s] || !m.governs(c, x) {
			continue
		}
		governed[s] = true
	}
	if governed[Present] {
		delete(governed, Past)
		delete(governed, resolved)
	}
	for _, s := range stateOrder {
		if governed[s] {
			return s
		}
	}
	return Present
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
	if m.toks[c.from].sentence != m.toks[x.from].sentence {
		return false
	}
	if c.to-c.from == 1 && c.to < len(m.toks) && m.toks[c.to].brk == softBreak && m.toks[c.from].norm == "si" {
		return false // "sí, ..." is a yes
	}
	if c.from < x.from && c.to > x.from && c.concept.name == string(Negated) && gapEnds[m.toks[x.from].norm] {
		return false // the "no" of "ya no quiero vivir" belongs to the sign itself
	}
	switch {
	case (c.from < x.from || c.from == x.from && c.to < x.to && c.concept.name == string(Past)) && c.reaches("forward"):
		return x.from-c.to <= c.reach() && !m.ended(c, c.to, x.from) && !m.restarts(c, c.to, x.from)
	case c.from >= x.to && c.reaches("backward"):
		return c.from-x.to <= c.reach() && !m.ended(c, x.to, c.from)
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

func (c match) reach() int {
	v, ok := c.concept.opt("reach")
	if !ok {
		return defaultReach
	}
	n := 0
	for _, d := range v {
		n = n*10 + int(d-'0')
	}
	return n
}

// ended reports whether something between the tokens from and to ends the
// scope of cue c.
func (m *message) ended(c match, from, to int) bool {
	for _, e := range m.cuesNear(from, to) {
		if e.concept.name == "end" && e.ends(c.concept.name) {
			return true
		}
	}
	return false
}

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
	"solo": true, "siento": true, "los": true, "las": true, "hay": true, "like": true, "como": true,
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
