package reading

import (
	"strings"

	"handrail.example/triage/rules"
)

// A feeling and a part of the body make a sign wherever in a clause the two
// stand: "pressure smack in the middle of my chest", "the right hand keeps
// dropping things". A "feel" block of the lexicon says which sign it gives with
// which part ("feel press chest=chest_pain"); a "part" block has the words for
// the part.

// composeReach is how many words a feeling may stand from its part.
const composeReach = 6

// composed has the signs of every feeling that stands near its part.
func (m *message) composed() []seen {
	var out []seen
	for _, x := range m.found {
		if x.concept.kind != "feel" {
			continue
		}
		for _, p := range m.foundNear(x.from-x.within()-3, x.to+x.within()) {
			if p.concept.kind != "part" {
				continue
			}
			if s, ok := m.compose(x, p); ok {
				out = append(out, s)
			}
		}
	}
	return out
}

// within is how far a feeling may stand from its part: "reach=" of its block,
// or composeReach.
func (c match) within() int {
	if _, ok := c.concept.opt("reach"); ok {
		return c.reach()
	}
	return composeReach
}

func (m *message) compose(feel, part match) (seen, bool) {
	sign, ok := feel.concept.opt(part.concept.name)
	_, comma := feel.concept.opt("comma")
	if !ok || m.apart(feel, part) > feel.within() || !comma && m.commaBetween(feel, part) {
		return seen{}, false
	}
	state := feel.state
	if state == Present {
		state = part.state
	}
	return seen{rules.Sign(sign), min(feel.from, part.from), max(feel.to, part.to), state}, true
}

// commaBetween reports whether a comma parts two matches: "tight schedule, my
// chest is fine".
func (m *message) commaBetween(a, b match) bool {
	lo, hi := min(a.to, b.to), max(a.from, b.from)
	for k := lo; k <= hi && k < len(m.toks); k++ {
		if m.toks[k].brk == softBreak && !strings.ContainsAny(m.text[m.toks[k-1].to:m.toks[k].from], "-/") {
			return true
		}
	}
	return false
}
