package reading

import (
	"fmt"
	"slices"
	"strings"

	"handrail.example/triage/rules"
)

// A frame is a sign that several things said together make, in whatever words
// and order: something to catch blood in, and that it no longer holds; a limb,
// and that it does not obey. A "class" block of the lexicon has the words for
// one such thing, in both languages; a "frame" block says which classes
// together make its sign:
//
//	class vessel
//	  en <pad>; towel
//	  es toalla
//	frame soaking reach=6
//	  xx vessel overflow; vessel count hourly -dry
//
// A term is a class, or another kind of block with its kind before it
// ("mod:severe"); with "-" before it, it must not be there. The things of a
// frame stand in one sentence ("across": in neighbouring ones), none of them
// further than reach= words from the next, with no "but" between ("through":
// all the same), and none of them somebody else's ("hers": all the same).
// Languages may mix.

// frameReach is how many words one thing of a frame may stand from the next.
const frameReach = 7

// lacksReach is how far from the things of a frame a thing that must not be
// there is looked for, at most.
const lacksReach = 8

// frame is one row of terms.
type frame struct {
	concept    *concept
	has, lacks []int
	reach      int
	across     bool
	through    bool
	hers       bool
}

// compileFrames reads the rows of a frame block; classes numbers the terms that
// frames name.
func (l *lexicon) compileFrames(b block) error {
	for _, line := range b.lines {
		for _, row := range strings.Split(line.patterns, ";") {
			terms := strings.Fields(row)
			if len(terms) == 0 {
				continue
			}
			f := frame{concept: b.concept, reach: frameReach}
			if _, ok := b.concept.opt("reach"); ok {
				f.reach = match{concept: b.concept}.reach()
			}
			_, f.across = b.concept.opt("across")
			_, f.through = b.concept.opt("through")
			_, f.hers = b.concept.opt("hers")
			for _, t := range terms {
				name, lacks := strings.CutPrefix(t, "-")
				id, err := l.classOf(name)
				if err != nil {
					return fmt.Errorf("frame %q: %w", row, err)
				}
				if lacks {
					f.lacks = append(f.lacks, id)
				} else {
					f.has = append(f.has, id)
				}
			}
			l.frames = append(l.frames, f)
		}
	}
	return nil
}

// classOf is the number of the class that a term names.
func (l *lexicon) classOf(term string) (int, error) {
	kind, name, ok := strings.Cut(term, ":")
	if !ok {
		kind, name = "class", term
	}
	id := -1
	for _, c := range l.concepts {
		if c.kind != kind || c.name != name {
			continue
		}
		if id < 0 {
			if id = c.class - 1; id < 0 {
				l.classes++
				id = l.classes - 1
			}
		}
		c.class = id + 1
	}
	if id < 0 {
		return 0, fmt.Errorf("there is no block %q", kind+" "+name)
	}
	return id, nil
}

// indexFrames puts every frame under its first term.
func (l *lexicon) indexFrames() {
	l.framesBy = make([][]int32, l.classes)
	for i, f := range l.frames {
		l.framesBy[f.has[0]] = append(l.framesBy[f.has[0]], int32(i))
	}
}

// framed has the signs of all frames of the message.
func (m *message) framed() []seen {
	lex := theLexicon()
	there := make([]bool, lex.classes)
	for _, x := range m.found {
		if x.concept.class > 0 {
			there[x.concept.class-1] = true
		}
	}
	var out []seen
	for _, x := range m.found {
		if x.concept.class == 0 {
			continue
		}
		for _, k := range lex.framesBy[x.concept.class-1] {
			f := &lex.frames[k]
			if slices.ContainsFunc(f.has, func(c int) bool { return !there[c] }) {
				continue
			}
			if s, ok := m.frameAt(f, x); ok {
				out = append(out, s)
			}
		}
	}
	return out
}

// frameAt looks for the other things of a frame around its first.
func (m *message) frameAt(f *frame, first match) (seen, bool) {
	taken := []match{first}
	lo, hi := first.from, first.to
	for _, c := range f.has[1:] {
		next, ok := m.nearestOf(f, c, taken, lo, hi)
		if !ok {
			return seen{}, false
		}
		taken = append(taken, next)
		lo, hi = min(lo, next.from), max(hi, next.to)
	}
	close := *f
	close.reach = min(f.reach, lacksReach)
	for _, c := range f.lacks {
		if _, ok := m.nearestOf(&close, c, nil, lo, hi); ok {
			return seen{}, false
		}
	}
	return seen{rules.Sign(f.concept.name), lo, hi, m.frameState(f, taken)}, true
}

// nearestOf is the nearest match of class c to the tokens lo..hi that overlaps
// none of those taken.
func (m *message) nearestOf(f *frame, c int, taken []match, lo, hi int) (best match, ok bool) {
	at := f.reach + 1
	for _, x := range m.foundNear(lo-f.reach-maxSpan/4, hi+f.reach) {
		if x.concept.class != c+1 || slices.ContainsFunc(taken, func(t match) bool { return x.from < t.to && t.from < x.to }) {
			continue
		}
		if d := m.between(f, x, lo, hi); d < at {
			best, at, ok = x, d, true
		}
	}
	return best, ok
}

// between is how many words part x from the tokens lo..hi; out of reach beyond
// the end of a sentence or a word that ends scopes.
func (m *message) between(f *frame, x match, lo, hi int) int {
	from, to := hi, x.from
	if x.from < lo {
		from, to = x.to, lo
	}
	far := f.reach + 1
	if m.quiz && m.toks[x.from].sentence != m.toks[lo].sentence {
		return far // a list gone through is no story
	}
	if to <= from {
		return 0
	}
	steps := m.toks[to].sentence - m.toks[from-1].sentence
	if to-from >= far || steps > 1 || steps == 1 && !f.across {
		return far
	}
	for k := from; k < to && !f.through; k++ {
		if turns[m.toks[k].norm] {
			return far
		}
	}
	return to - from
}

// turns are words behind which another thing is told.
var turns = map[string]bool{
	"but": true, "pero": true, "however": true, "although": true, "though": true, "aunque": true, "except": true,
	"excepto": true, "salvo": true, "sino": true, "unless": true,
}

// frameState: a frame counts as present when all of its things do. A denial that
// is part of one of them ("can not move", "my arm") denies none of the others.
// Who takes her leave, or is hit, speaks of others and of what will be no more:
// it is hers and now all the same.
func (m *message) frameState(f *frame, taken []match) State {
	states := make([]State, len(taken))
	hers := f.hers || slices.ContainsFunc(taken, m.saysMe)
	for i, t := range taken {
		states[i] = t.state
		switch {
		case t.state == Negated && !m.deniedOutside(t, taken),
			t.state == OtherPerson && hers,
			t.state == resolved && f.hers:
			states[i] = Present
		}
	}
	for _, s := range stateOrder {
		if slices.Contains(states, s) {
			return s
		}
	}
	return Present
}

// saysMe reports whether what x tells befell herself: "a lady found me",
// "someone is stabbing me" tell of her, whoever the other is.
func (m *message) saysMe(x match) bool {
	for i := x.from; i < min(x.to+1, len(m.toks)); i++ {
		switch m.toks[i].norm {
		case "me", "my", "i", "mi", "mis", "yo", "myself":
			return true
		}
	}
	return false
}

// deniedOutside reports whether a denial that belongs to none of the things
// taken has x in its scope.
func (m *message) deniedOutside(x match, taken []match) bool {
	for _, c := range m.cuesNear(x.from-farReach, x.to+farReach) {
		if c.concept.name != string(Negated) || !m.governs(c, x) {
			continue
		}
		if !slices.ContainsFunc(taken, func(t match) bool { return t.from <= c.from && c.from < t.to }) {
			return true
		}
	}
	return false
}
