package reading

import "slices"

// What stands behind a sign and changes how it stands: a checklist said back, a
// sentence that says it is over, one that says it has come true.

// manySigns bounds what is compared each with each.
const manySigns = 100

// recite marks the signs of a checklist said back ("fever, call; bleeding, call"):
// two of them at least, each followed by what is to be done.
func (m *message) recite(all []seen) {
	var at []int
	for _, w := range m.found {
		if w.concept.kind == "word" && w.concept.name == "checklist" && (w.to == len(m.toks) || m.toks[w.to].brk != noBreak) {
			if slices.ContainsFunc(all, func(x seen) bool { return x.state == Present && m.leadsTo(x, w.from) }) {
				at = append(at, w.from)
			}
		}
	}
	if len(at) < 2 {
		return
	}
	for i := range all {
		if slices.ContainsFunc(at, func(k int) bool { return m.leadsTo(all[i], k) }) {
			all[i].state = Quoted
		}
	}
}

// overSince: the sentence behind a sign says that it is over ("Dizzy yesterday.
// Ate, lay down, never came back.").
func (m *message) overSince(all []seen) {
	for i := range all {
		x := &all[i]
		if x.state != Present {
			continue
		}
		s := m.toks[x.from].sentence
		over := slices.ContainsFunc(m.foundNear(x.to, x.to+farReach), func(w match) bool {
			at := m.toks[w.from].sentence
			switch {
			case w.concept.kind != "word":
			case w.concept.name == "over_here":
				return at == s && w.from >= x.to && (w.to == len(m.toks) || m.toks[w.to].brk != noBreak)
			case w.concept.name == "over_now":
				return at > s && at <= s+2
			}
			return false
		})
		if over && !slices.ContainsFunc(all, func(o seen) bool { return o.state == Present && m.toks[o.from].sentence > s }) {
			x.state = resolved
		}
	}
}

// leadsTo: x stands right before token k, with a comma at most between.
func (m *message) leadsTo(x seen, k int) bool {
	return x.to <= k && k-x.to <= 4 && m.toks[x.from].sentence == m.toks[k].sentence && !m.brokenBetween(x.to-1, k-1)
}

// happening: behind token i a word says that it goes on at this moment, so that
// whoever it befalls needs help now.
func (m *message) happening(i int) bool {
	return slices.ContainsFunc(m.foundNear(i, i+farReach), func(w match) bool {
		return w.concept.kind == "word" && w.concept.name == "happening" && w.from >= i && m.toks[w.from].sentence <= m.toks[i-1].sentence+1
	})
}

// cameTrue: behind what she had asked or read about at token i she says that it
// is so now ("well. that's me since four").
func (m *message) cameTrue(i int) bool {
	return slices.ContainsFunc(m.foundNear(i, i+farReach), func(x match) bool {
		return x.concept.kind == "word" && x.concept.name == "came_true" && x.from >= i && m.toks[x.from].sentence <= m.toks[i-1].sentence+2 &&
			(x.to == len(m.toks) || !gapEnds[m.toks[x.to].norm])
	})
}
