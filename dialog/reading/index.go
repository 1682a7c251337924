package reading

import (
	"slices"
	"strings"
)

// finish fills what needs all words: the forms' ids and the two indices.
func (l *lexicon) finish() {
	for w, f := range l.forms {
		f.word, f.text = l.identifyIn(w, f.lang), strings.Clone(w)
		f.word.lang = f.lang
		l.forms[w] = f
		if len(w) >= minNear && !f.common {
			k := nearKey{w[0], len(w)}
			l.near[k] = append(l.near[k], w)
		}
		if f.lang == 1<<langES && !f.common && len(w) >= minNear {
			l.addSound(w)
		}
	}
	for s, id := range l.stems[langES] {
		if len(s) >= minSoundStem {
			if k := soundOf(s); l.soundStems[k] == 0 || id < l.soundStems[k] {
				l.soundStems[k] = id
			}
		}
	}
	for _, ws := range l.near {
		slices.Sort(ws)
	}
	l.byFirst, l.byKey = make([][]int32, l.lastID+1), make([][]int32, l.lastID+1)
	common := l.commonIDs()
	for i, p := range l.patterns {
		for _, id := range p.first {
			l.byFirst[id] = append(l.byFirst[id], int32(i))
		}
		if p.number {
			l.byNumber = append(l.byNumber, int32(i))
		}
		key := keyOf(p, common)
		if p.number && len(p.needs) == 0 {
			l.always = append(l.always, int32(i))
		}
		for _, id := range key {
			l.byKey[id] = append(l.byKey[id], int32(i))
		}
	}
}

// commonIDs are the ids of common words.
func (l *lexicon) commonIDs() []bool {
	out := make([]bool, l.lastID+1)
	for _, f := range l.forms {
		if f.common {
			for _, id := range f.word.ids {
				out[id] = true
			}
		}
	}
	return out
}

// keyOf is the set of words, one of which a match of p needs, that is likely to
// be met least often.
func keyOf(p pattern, common []bool) idSet {
	weight := func(s idSet) int {
		w := 0
		for _, id := range s {
			if w++; common[id] {
				w += 100
			}
		}
		return w
	}
	best := p.first
	for _, s := range p.needs {
		if len(s) > 0 && (len(best) == 0 || weight(s) < weight(best)) {
			best = s
		}
	}
	return best
}
