package reading

// painScore reads "8/10" and "8 out of 10" near a word for pain.
func (m *message) painScore(i int) (seen, bool) {
	j := 0
	switch {
	case i+2 < len(m.toks) && m.toks[i+1].norm == "/" && m.toks[i+2].num == 10:
		j = i + 3
	case i+3 < len(m.toks) && m.toks[i+1].norm == "out" && m.toks[i+3].num == 10:
		j = i + 4
	case i+2 < len(m.toks) && (m.toks[i+1].norm == "de" || m.toks[i+1].norm == "sobre") && m.toks[i+2].num == 10:
		j = i + 3
	default:
		return seen{}, false
	}
	if i > 0 && otherScores[m.toks[i-1].norm] {
		return seen{}, false
	}
	h := m.headNear(i, "pain", "headache")
	if h == nil && !m.placeNear(i) {
		return seen{}, false
	}
	score, head := m.toks[i].num, h != nil && h.concept.name == "headache"
	switch {
	case score > 10 || score < moderateOfTen:
		return seen{}, false
	case head && score >= severeOfTen:
		return m.seenAt("headache_severe", i, j), true
	case head:
		return seen{}, false
	case score >= severeOfTen:
		return m.seenAt("severe_belly_pain", i, j), true
	}
	return m.seenAt("moderate_pain", i, j), true
}

// otherScores are what else people give points for.
var otherScores = set("mood", "energy", "stress", "anxiety", "appetite", "sleep", "hope", "patience", "animo", "energia", "estres", "apetito", "humor",
	"ansiedad", "paciencia", "hambre", "nervios")

// placeNear: a part of the belly stands near token i, so that a score there is
// one of pain ("9/10, lower left").
func (m *message) placeNear(i int) bool {
	for _, x := range m.foundNear(i-12, i+12) {
		if x.concept.kind == "mod" && (x.concept.name == "belly" || x.concept.name == "one_side") || x.concept.kind == "class" && x.concept.name == "site" {
			return true
		}
	}
	return false
}

// risingScore reads "was a 3 and is a 6 now", "from a 2 to a 7": of two scores of
// a pain the later is the higher. Token i is the later one.
func (m *message) risingScore(i int) (seen, bool) {
	now := m.toks[i].num
	if now < moderateOfTen || now > 10 || !m.isScore(i) || m.headNear(i, "pain") == nil && !m.placeNear(i) {
		return seen{}, false
	}
	for k := i - 1; k >= max(i-12, 0); k-- {
		if before := m.toks[k].num; before <= 0 || before >= now || !m.isScore(k) {
			continue
		}
		if now >= severeOfTen {
			return m.seenAt("severe_belly_pain", k, i+1), true
		}
		return m.seenAt("moderate_pain", k, i+1), true
	}
	return seen{}, false
}

// isScore: a bare number behind an article or "to", with no unit.
func (m *message) isScore(i int) bool {
	if i == 0 || m.toks[i].num != float64(int(m.toks[i].num)) || m.toks[i].brk != noBreak || units[m.unit(i)] != "" {
		return false
	}
	switch m.toks[i-1].norm {
	case "a", "un", "to", "from", "en", "de":
		return true
	}
	return false
}
