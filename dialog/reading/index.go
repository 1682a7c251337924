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
		f.word.mark()
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
	l.byFirst = make([][]starter, l.lastID+1)
	common := l.commonIDs()
	for i, p := range l.patterns {
		st := p.starter(int32(i), common)
		for _, id := range p.first {
			l.byFirst[id] = append(l.byFirst[id], st)
		}
		if p.number {
			l.byNumber = append(l.byNumber, st)
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
