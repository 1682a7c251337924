package reading

import (
	"slices"
	"strings"
	"sync"

	"github.com/blevesearch/snowballstem"
	"github.com/blevesearch/snowballstem/english"
	"github.com/blevesearch/snowballstem/spanish"
)

// word is what the lexicon knows of a word: its ids as it stands, by English
// stem and by Spanish stem (0 for none).
type word struct {
	ids  [3]int32
	lang uint8
	// mask and other have the marks of the ids, in a token.
	mask, other uint64
}

// form is a word as it is written.
type form struct {
	word   word
	text   string
	lang   uint8
	common bool
}

// wordID is the id of a pattern's word: of its stem in the language of the
// line, or of that very form after "=" and in lines for either language.
func (l *lexicon) wordID(w string, lang int) int32 {
	exact := lang == langAny
	if w[0] == '=' {
		w, exact = w[1:], true
	}
	key := stemKey{lang, w}
	ids := l.stemIDs
	if exact {
		ids = l.exactIDs
	}
	id, ok := ids[key]
	if ok {
		return id // most words stand in many blocks
	}
	f := l.forms[w]
	if lang != langAny {
		f.lang |= 1 << lang
	}
	l.forms[w] = f
	if exact {
		id = l.newID(l.exact, w)
	} else {
		id = l.newID(l.stems[lang], stem(lang, w))
	}
	ids[key] = id
	return id
}

// stemKey is a word in a language; stemming is what loading spends its time on.
type stemKey struct {
	lang int
	word string
}

func (l *lexicon) newID(m map[string]int32, key string) int32 {
	id, ok := m[key]
	if !ok {
		l.lastID++
		id = l.lastID
		m[key] = id
	}
	return id
}

// stem is the Snowball stem of a folded word. Stems are only compared, so it is
// no matter that the Spanish algorithm expects accents: both sides lack them.
func stem(lang int, w string) string {
	if len(w) < 3 {
		return w
	}
	env := envs.Get().(*snowballstem.Env)
	defer envs.Put(env)
	env.SetCurrent(w)
	if lang == langEN {
		english.Stem(env)
	} else {
		spanish.Stem(env)
	}
	return env.Current()
}

// envs are working memories of the stemmers; they hold nothing between words.
var envs = sync.Pool{New: func() any { return snowballstem.NewEnv("") }}

// identifyIn finds the ids of a word of the given languages. A word of one
// language is no form of a word of the other: "got" is not "gota".
func (l *lexicon) identifyIn(w string, langs uint8) word {
	out := word{ids: [3]int32{l.exact[w]}}
	for lang := range 2 {
		if langs == 1<<(1-lang) {
			continue
		}
		id, ok := l.stemIDs[stemKey{lang, w}]
		if !ok {
			id = l.stems[lang][stem(lang, w)]
		}
		out.ids[1+lang] = id
	}
	return out
}

// identify finds a word's ids without correcting it.
func (l *lexicon) identify(w string) word {
	return word{ids: [3]int32{l.exact[w], l.stems[langEN][stem(langEN, w)], l.stems[langES][stem(langES, w)]}}
}

// knows reports whether a word stands in the lexicon as it is or by its stem.
func (l *lexicon) knows(b []byte) bool {
	if _, ok := l.forms[string(b)]; ok {
		return true
	}
	return l.identify(string(b)).ids != [3]int32{}
}

// intern is the word as a string, without an allocation where it is known.
func (l *lexicon) intern(b []byte) string {
	if f, ok := l.forms[string(b)]; ok {
		return f.text
	}
	return string(b)
}

// lookup is what the lexicon knows of a word; a word that it does not know at
// all is read as the one known word that it is a slip of, if there is one.
// lookup also gives the word as it should have been written.
func (l *lexicon) lookup(w string) (string, word) {
	if f, ok := l.forms[w]; ok {
		return w, f.word
	}
	got := l.identify(w)
	if got.ids != [3]int32{} || len(w) < minNear || l.real[w] {
		return w, got
	}
	if f, ok := l.forms[w+"g"]; ok && strings.HasSuffix(w, "in") {
		return f.text, f.word // "bleedin"
	}
	if same := l.soundsLike(w); same != "" {
		return same, l.forms[same].word
	}
	if near := l.nearest(w); near != "" {
		return near, l.forms[near].word
	}
	if id := l.soundStems[soundOf(stem(langES, w))]; id != 0 {
		return w, word{ids: [3]int32{1 + langES: id}, lang: 1 << langES}
	}
	return w, got
}

// nearKey is a bucket of words for nearest.
type nearKey struct {
	first byte
	size  int
}

const (
	// minNear is the length below which a word is never corrected: too many
	// short words are one letter apart.
	minNear = 5
	// minFar is the length from which two slips are allowed.
	minFar = 9
	// maxNear is the length above which nothing is corrected.
	maxNear = 24
)

// nearest is the word of the lexicon that w is a slip of: one letter wrong,
// missing, doubled or swapped (two in long words), the first one right. Two
// words equally near, and no correction is made.
func (l *lexicon) nearest(w string) string {
	if len(w) > maxNear {
		return ""
	}
	limit := 1
	if len(w) >= minFar {
		limit = 2
	}
	best, at, tie := "", limit+1, false
	for size := max(len(w)-limit, minNear); size <= len(w)+limit; size++ {
		for _, c := range l.near[nearKey{w[0], size}] {
			switch d := distance(w, c, limit); {
			case d < at:
				best, at, tie = c, d, false
			case d == at && d <= limit && !l.sameWord(best, c):
				tie = true
			}
		}
	}
	if tie {
		return ""
	}
	return best
}

// sameWord: two forms with a stem in common, as "cramp" and "cramps".
func (l *lexicon) sameWord(a, b string) bool {
	x, y := l.forms[a].word.ids, l.forms[b].word.ids
	for i := range x {
		if x[i] != 0 && x[i] == y[i] {
			return true
		}
	}
	return false
}

// distance is the optimal string alignment distance (Damerau 1964: insert,
// delete, replace, swap neighbours), or limit+1 when it is larger.
func distance(a, b string, limit int) int {
	if len(a) > maxNear+2 || len(b) > maxNear+2 {
		return limit + 1
	}
	var rows [3][maxNear + 4]int
	for j := range len(b) + 1 {
		rows[0][j] = j
	}
	prev2, prev, cur := &rows[2], &rows[0], &rows[1]
	for i := 1; i <= len(a); i++ {
		cur[0] = i
		low := i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			d := min(prev[j]+1, cur[j-1]+1, prev[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				d = min(d, prev2[j-2]+1)
			}
			cur[j] = d
			low = min(low, d)
		}
		if low > limit {
			return limit + 1
		}
		prev2, prev, cur = prev, cur, prev2
	}
	return min(prev[len(b)], limit+1)
}

func sortedIDs(ids idSet) idSet {
	slices.Sort(ids)
	return slices.Compact(ids)
}

func isKind(c *concept, kinds ...string) bool { return slices.Contains(kinds, c.kind) }

func (c *concept) opt(name string) (string, bool) {
	for _, o := range c.opts {
		if k, v, _ := strings.Cut(o, "="); k == name {
			return v, true
		}
	}
	return "", false
}

// over reports whether the block says "over=NAME,NAME" of another sign, which a
// longer match of this one then voids.
func (c *concept) over(name string) bool {
	v, _ := c.opt("over")
	return v != "" && slices.Contains(strings.Split(v, ","), name)
}
