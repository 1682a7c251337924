package reading

import "slices"

// What has the words of a sign and is none: an hour, a headache's own words, a
// blow that was a pain.

// struckByPain: it was a pain that struck her ("me pegó un latigazo en la ingle"),
// no hand.
func (m *message) struckByPain(x match) bool {
	if x.concept.name != "violence" || x.to-x.from > 3 || x.to+1 >= len(m.toks) || m.toks[x.to].norm != "un" && m.toks[x.to].norm != "una" {
		return false
	}
	return slices.ContainsFunc(m.foundNear(x.to+1, x.to+2), func(y match) bool {
		return isKind(y.concept, "head", "feel") || y.concept.kind == "mod" && y.concept.name == "sudden" || y.concept.kind == "sign" && y.concept.name != "violence" && y.concept.name != "danger"
	})
}

// onClock: a number among the words of a pain is a time of day: "it is 10 pm" is
// no ten out of ten.
func (m *message) onClock(x match) bool {
	if x.concept.name != "severe_belly_pain" && x.concept.name != "moderate_pain" && x.concept.name != "worst_headache" {
		return false
	}
	d := m.dater()
	for i := x.from; i < x.to; i++ {
		if !m.toks[i].isNumber() {
			continue
		}
		if _, to, ok := d.clock(i, false); ok && d.toldAsClock(i, to) {
			return true
		}
		if i > 0 && (m.toks[i-1].norm == "at" || m.toks[i-1].norm == "las") {
			if _, to, ok := d.clock(i-1, false); ok && d.toldAsClock(i-1, to) {
				return true
			}
		}
	}
	return false
}

// ofHead: the words of a severe pain speak of the head and of no other place
// ("awful headache, nothing touches it"); the headache has them as its own.
func (m *message) ofHead(x match) bool {
	if x.concept.name != "severe_belly_pain" {
		return false
	}
	head := false
	for _, o := range m.foundNear(x.from-maxSpan, x.to+modReach) {
		if m.toks[o.from].sentence != m.toks[x.from].sentence {
			continue
		}
		switch o.concept.name {
		case "belly", "one_side", "back", "site", "pain":
			if o.concept.kind != "sign" && !m.inHeadache(o) {
				return false
			}
		case "headache":
			head = head || o.concept.kind == "head" && o.state == Present
		}
	}
	return head
}

// inHeadache: x is a word within an expression for a headache.
func (m *message) inHeadache(x match) bool {
	return slices.ContainsFunc(m.foundNear(x.from-maxSpan/4, x.to), func(o match) bool {
		return o.concept.kind == "head" && o.concept.name == "headache" && o.from <= x.from && x.to <= o.to
	})
}
