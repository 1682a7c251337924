package reading

import "slices"

// After a story of somebody else's, a list or a warning, people come back to
// themselves in a clause of its own: "me, dry as a bone", "yo hasta ahorita nada
// de eso", "mine are both fine". What stood before it is then not theirs. What was
// told with a word of the first person stays hers, whatever follows.

// disowned marks the signs that a later clause says are not hers.
func (m *message) disowned(all []seen) {
	for k := 1; k < len(m.toks); k++ {
		c, ok := m.comesBack(k)
		m.cameBack = m.cameBack || ok
		if !ok || slices.ContainsFunc(all, func(x seen) bool { return x.state == Present && k <= x.to-1 && x.from < c.to }) {
			continue
		}
		for i := range all {
			x := &all[i]
			if x.state != Present || x.to > k || !m.precedes(x.from, k) || m.hersBefore(x) {
				continue
			}
			switch others := m.tellsOfOthers(x.from); {
			case others:
				x.state = OtherPerson
			case c.none:
				x.state = Negated
			}
		}
	}
}

// comeback is a clause that comes back to her, up to token to; none: it denies in
// so many words, and does not only say that she is well.
type comeback struct {
	to   int
	none bool
}

// comesBack reports whether the clause that begins at token k sets herself
// against what stood before and says that she has nothing.
func (m *message) comesBack(k int) (comeback, bool) {
	if m.toks[k].brk == noBreak && !turns[m.toks[k-1].norm] && m.toks[k-1].norm != "and" && m.toks[k-1].norm != "y" || !m.contrasts(k) {
		return comeback{}, false
	}
	c := comeback{to: k}
	well, at := false, 0
	for ; c.to < len(m.toks) && m.toks[c.to].sentence == m.toks[k].sentence; c.to++ {
		n := m.toks[c.to].norm
		well = well || wellWords[n] || calmWords[n] || noneWords[n]
		before := m.toks[c.to-1].norm
		if noneWords[n] && c.to <= k+noneReach && before != "con" && before != "with" && m.toks[k].norm != "i" && m.toks[k].norm != "my" {
			at = c.to
		}
	}
	// "Yo hasta ahorita nada de eso" denies the list; "a mí no se me quita con nada,
	// llevo así tres días" does not.
	c.none = at > 0 && c.to-at <= noneReach
	return c, well && !m.questions[m.toks[k].sentence]
}

// noneReach is how many words such a clause has before and behind its denial.
const noneReach = 5

// contrasts: the clause at token k begins with a word that sets her against
// others: "yo", "a mí", "me,", "mine", "over here".
func (m *message) contrasts(k int) bool {
	next := ""
	if k+1 < len(m.toks) {
		next = m.toks[k+1].norm
	}
	switch m.toks[k].norm {
	case "yo", "mine", "myself", "acá", "aca", "aqui":
		return true
	case "me":
		return m.lang == "en"
	case "a":
		return next == "mi"
	case "en":
		return next == "mi"
	case "por":
		return next == "mi" || next == "aca" || next == "aqui"
	case "as":
		return next == "for"
	case "over", "round", "on":
		return next == "here" || next == "my"
	case "i", "i'm", "my", "las", "los", "la", "el", "lo":
		return next == "mias" || next == "mios" || next == "mia" || next == "mio" || m.toks[k].norm == "i" || m.toks[k].norm == "my"
	}
	return false
}

var noneWords = set("none", "nothing", "zero", "nada", "ninguno", "ninguna", "cero", "nope", "nadita", "zilch", "neither")

var calmWords = set("dry", "symptomless", "tranquila", "sana", "maravilla", "contenta", "lucky", "unscathed", "healthy", "great", "calm", "peachy",
	"excelente", "normales", "limpia", "super", "divinamente", "estupendamente", "genial", "spared", "delgaditas", "fresca", "intacta")

// precedes: token i stands before the clause at token k, in its sentence or, where
// the clause opens one, in the sentence before.
func (m *message) precedes(i, k int) bool {
	s, at := m.toks[i].sentence, m.toks[k].sentence
	return s == at || s == at-1 && m.toks[k].brk == hardBreak
}

// hersBefore: a word of the first person stands before the end of x in its
// sentence.
func (m *message) hersBefore(x *seen) bool {
	s := m.toks[x.from].sentence
	for k := x.to - 1; k >= 0 && m.toks[k].sentence == s; k-- {
		if n := m.toks[k].norm; m.mine[k] || n == "me" || n == "we" || n == "nos" {
			return true
		}
	}
	return false
}

// tellsOfOthers: what stands before token i in its sentence speaks of somebody
// else, a paper or what might be.
func (m *message) tellsOfOthers(i int) bool {
	s := m.toks[i].sentence
	for _, c := range m.cuesNear(i-farReach, i) {
		switch State(c.concept.name) {
		case OtherPerson, Quoted, Hypothetical:
			if m.toks[c.from].sentence == s {
				return true
			}
		}
	}
	return m.tale[s]
}
