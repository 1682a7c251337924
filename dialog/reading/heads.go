package reading

import (
	"slices"
	"sort"

	"handrail.example/triage/rules"
)

// A head is a word for pain, bleeding, swelling or headache; its modifiers
// (how bad, where, since when) stand anywhere near it, so they are not written
// as patterns. Each modifier goes to the nearest head of its sentence.

// modReach is how many words a modifier may stand from its head.
const modReach = 9

type head struct {
	match
	mods []string
	to   int // the end of the last modifier, for the span
	from int
}

func (h *head) is(names ...string) bool {
	for _, n := range names {
		if slices.Contains(h.mods, n) {
			return true
		}
	}
	return false
}

// heads has the signs of all heads of the message.
func (m *message) heads() []seen {
	var hs []*head
	for _, x := range m.found {
		if x.concept.kind == "head" {
			hs = append(hs, &head{match: x, from: x.from, to: x.to})
		}
	}
	for _, x := range m.found {
		if x.concept.kind == "mod" && x.state == Present {
			m.attach(hs, x)
		}
	}
	hs = append(hs, m.meantBy(hs)...)
	var out []seen
	for i, h := range hs {
		if aches(hs, i) {
			continue
		}
		for _, s := range h.signs() {
			out = append(out, seen{s, h.from, h.to, h.state})
		}
	}
	return out
}

// meantBy has the heads that a later word takes up again: "I had migraines as a
// teen and this is nothing like those, it went off like a bomb". What was told of
// another time, another person or a paper is then told of now.
func (m *message) meantBy(hs []*head) []*head {
	var out []*head
	for _, w := range m.found {
		if w.concept.kind != "word" || w.concept.name != "this_one" {
			continue
		}
		of := m.takenUp(hs, w)
		if of == nil {
			continue
		}
		h := &head{match: match{concept: of.concept, from: w.from, to: w.to, state: Present}, from: w.from, to: w.to}
		for _, mod := range m.foundNear(w.from, w.to+takeUpReach) {
			if mod.concept.kind == "mod" && mod.state == Present && m.toks[mod.from].sentence <= m.toks[w.from].sentence+1 && mod.from >= w.from {
				h.mods, h.to = addOnce(h.mods, mod.concept.name), max(h.to, mod.to)
			}
		}
		if h.is("severe", "worst", "sudden", "worse", "soaks", "heavy", "lasting", "moderate") {
			out = append(out, h)
		}
	}
	return out
}

// takeUpReach is how many words behind such a word tell of what it takes up.
const takeUpReach = 16

// takenUp is the last head before w, if it was not told of her now.
func (m *message) takenUp(hs []*head, w match) *head {
	for i := len(hs) - 1; i >= 0; i-- {
		h := hs[i]
		if h.match.from >= w.from {
			continue
		}
		if h.match.from < w.from-farReach || h.state == Present || h.state == Figurative || h.concept.name == "swelling" {
			return nil
		}
		return h
	}
	return nil
}

// aches reports whether a pain is only the word within a headache ("duele mucho
// la cabeza"), with no other place named; how bad it is then belongs to the
// headache, and to both where another place is named.
func aches(hs []*head, i int) bool {
	h := hs[i]
	if h.concept.name != "pain" {
		return false
	}
	for k := max(i-2, 0); k < min(i+3, len(hs)); k++ {
		o := hs[k]
		if o.concept.name != "headache" || o.match.from > h.match.from || o.match.to < h.match.to {
			continue
		}
		o.mods = addOnce(o.mods, h.mods...)
		h.mods = addOnce(h.mods, o.mods...)
		return !h.is("belly", "one_side", "back", "chest", "shoulder", "leg", "throat", "breast", "elsewhere", "site", "urine")
	}
	return false
}

// attach gives a modifier to the nearest head that it can belong to.
func (m *message) attach(hs []*head, mod match) {
	var best *head
	at := modReach + 1
	// Heads stand in the order of the text: only those within reach are asked.
	first := sort.Search(len(hs), func(k int) bool { return hs[k].match.from >= mod.from-modReach-maxSpan })
	for _, h := range hs[first:] {
		if h.match.from > mod.to+modReach {
			break
		}
		if d := m.apart(h.match, mod); d < at {
			best, at = h, d
		}
	}
	if best != nil && best.concept.name == "bleeding" && mod.concept.name == "mild" && asUsual[m.toks[mod.from].norm] {
		return // a normal period is no spotting
	}
	if best != nil {
		best.mods = addOnce(best.mods, mod.concept.name)
		best.from, best.to = min(best.from, mod.from), max(best.to, mod.to)
	}
}

// asUsual are words that make a pain mild and a bleeding a period.
var asUsual = map[string]bool{
	"normal": true, "normales": true, "regular": true, "usual": true, "typical": true, "period": true, "like": true, "como": true,
}

// apart is the number of words between two matches; far for another sentence
// or beyond a word that ends scopes.
func (m *message) apart(h, mod match) int {
	const far = modReach + 1
	if m.toks[h.from].sentence != m.toks[mod.from].sentence {
		return far
	}
	lo, hi := h.to, mod.from
	if mod.from < h.from {
		lo, hi = mod.to, h.from
	}
	d := max(hi-lo, 0)
	if d >= far {
		return far
	}
	for _, e := range m.cuesNear(lo, hi) {
		if e.concept.name == "end" && e.ends("mod") {
			return far
		}
	}
	return d
}

func (h *head) signs() []rules.Sign {
	switch h.concept.name {
	case "pain":
		return h.pain()
	case "headache":
		return []rules.Sign{h.headache()}
	case "bleeding":
		return h.bleeding()
	case "swelling":
		return h.swelling()
	}
	return nil
}

func (h *head) headache() rules.Sign {
	switch {
	case h.is("worst", "sudden") && !h.is("mild"):
		return "worst_headache"
	case h.is("severe") && !h.is("mild"):
		return "headache_severe"
	}
	return "mild_headache"
}

// sites that have a sign of their own, in the order of gravity.
var painSites = []struct {
	mod  string
	sign rules.Sign
}{
	{"chest", "chest_pain"}, {"shoulder", "shoulder_pain"}, {"leg", "leg_swelling"},
	{"throat", "ill"}, {"urine", "burning_urine"}, {"site", "site_sore"},
}

func (h *head) pain() []rules.Sign {
	var out []rules.Sign
	for _, p := range painSites {
		if h.is(p.mod) {
			out = append(out, p.sign)
		}
	}
	if h.is("head") {
		out = append(out, h.headache())
	}
	if len(out) > 0 && !h.is("belly") {
		return out
	}
	if h.is("elsewhere", "breast", "back") && !h.is("belly") {
		return append(out, h.painElsewhere())
	}
	return append(out, h.bellyPain())
}

func (h *head) painElsewhere() rules.Sign {
	switch {
	case h.is("severe", "worst", "sudden") && !h.is("mild"):
		return "pain_elsewhere"
	case h.is("worse", "moderate"):
		return "moderate_pain"
	case h.is("back"):
		return "cramps"
	}
	return "side_effect"
}

func (h *head) bellyPain() rules.Sign {
	mild := h.is("mild")
	switch {
	case h.is("severe", "worst") && !mild:
		return "severe_belly_pain"
	case h.is("sudden") && !mild:
		return "sudden_pain"
	case h.is("sharp") && h.is("one_side") && !mild:
		return "sudden_pain"
	case h.is("worse", "moderate", "sharp", "lasting"):
		return "moderate_pain"
	case h.is("one_side"):
		return "one_sided_pain"
	}
	return "cramps"
}

func (h *head) bleeding() []rules.Sign {
	switch {
	case h.is("soaks"):
		return []rules.Sign{"soaking"}
	case h.is("clots") && h.is("large"):
		return []rules.Sign{"large_clots"}
	case h.is("mild", "light", "brown"):
		return []rules.Sign{"spotting"}
	case h.is("heavy", "severe", "worst"):
		return []rules.Sign{"heavy_flow"}
	}
	return []rules.Sign{"period_bleeding"}
}

func (h *head) swelling() []rules.Sign {
	switch {
	case h.is("throat", "face"):
		return []rules.Sign{"airway_swelling"}
	case h.is("leg"), h.is("limb") && h.is("one_side"):
		return []rules.Sign{"leg_swelling"}
	case h.is("belly") && h.is("severe", "worse", "sudden", "hard"):
		return []rules.Sign{"tense_belly"}
	case h.is("site"):
		return []rules.Sign{"site_sore"}
	case h.is("elsewhere", "breast", "head"):
		return []rules.Sign{"side_effect"}
	}
	return []rules.Sign{"bloated"}
}
