package reading

import (
	"cmp"
	"math/bits"
	"slices"
)

// A pattern is tried at a word only where the rarest of the words that every
// match of it needs stand near enough behind. Sets of words are told apart by
// marks, a few bits each: two words may share one, so that a pattern is tried in
// vain now and then, but none is passed over.

// marks are those of some words, two marks a word.
type marks [2]uint64

// otherMark is a mark of a word id that is independent of markOf.
func otherMark(id int32) uint64 { return 1 << (uint32(id) * 2654435769 >> 26) }

func (s idSet) marks() (m marks) {
	for _, id := range s {
		m[0] |= markOf(id)
		m[1] |= otherMark(id)
	}
	return m
}

func (w *word) mark() {
	for _, id := range w.ids {
		if id != 0 {
			w.mask |= markOf(id)
			w.other |= otherMark(id)
		}
	}
}

// starter is a pattern, under a word with which it can begin.
type starter struct {
	// rare and second are the marks of the two rarest sets of words that a match
	// needs behind its first word; none where it needs no more.
	rare, second marks
	pattern      int32
	// level is the binary logarithm of the longest match, rounded up.
	level uint8
}

// levels is more than the binary logarithm of the longest match of a pattern.
const levels = 7

func (p *pattern) starter(n int32, common []bool) starter {
	weight := func(s idSet) int {
		w := 0
		for _, id := range s {
			if w++; common[id] {
				w += 100
			}
		}
		return w
	}
	var needs []idSet
	for _, s := range p.needs {
		if len(s) > 0 && !slices.Equal(s, p.first) {
			needs = append(needs, s)
		}
	}
	slices.SortStableFunc(needs, func(a, b idSet) int { return cmp.Compare(weight(a), weight(b)) })
	st := starter{pattern: n, level: uint8(min(bits.Len(uint(max(p.reach-1, 0))), levels-1))}
	if p.reach > 1<<(levels-1) {
		return st
	}
	if len(needs) > 0 {
		st.rare = needs[0].marks()
	}
	if len(needs) > 1 {
		st.second = needs[1].marks()
	}
	return st
}

// look notes, for every token and every length of a match, which words such a
// match could take: those of its sentence, up to that length.
func (r *runner) look() {
	n := len(r.toks)
	for k := range levels {
		if cap(r.near[k]) < n {
			r.near[k] = make([]marks, n, n+n/2)
		}
		r.near[k] = r.near[k][:n]
	}
	for i := range r.toks {
		r.near[0][i] = marks{r.toks[i].word.mask, r.toks[i].word.other}
	}
	for k := 1; k < levels; k++ {
		half, from := r.near[k-1], r.near[k]
		for i := range from {
			from[i] = half[i]
			if j := i + 1<<(k-1); j < n && r.toks[j].sentence == r.toks[i].sentence {
				from[i][0] |= half[j][0]
				from[i][1] |= half[j][1]
			}
		}
	}
}

// sees reports whether the words that a pattern needs may stand near token i.
func (r *runner) sees(s *starter, i int) bool {
	w := &r.near[s.level][i]
	return (s.rare[0] == 0 || s.rare[0]&w[0] != 0 && s.rare[1]&w[1] != 0) &&
		(s.second[0] == 0 || s.second[0]&w[0] != 0 && s.second[1]&w[1] != 0)
}
