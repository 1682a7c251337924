package reading

import (
	"embed"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"sync"
)

//go:embed lexicon/*.txt
var lexiconFiles embed.FS

// concept is one block of a lexicon file: what its patterns mean.
type concept struct {
	// kind is the sort of block (sign, intent, cue ...), name its name.
	kind, name string
	// opts are the further words of its first line.
	opts []string
	// far is how many words a cue reaches, gives the state that it gives.
	far   int
	gives stateSet
	id    int
	// class numbers the blocks that frames name, from 1; 0 for all others.
	class int
}

// pattern is one compiled expression of a concept.
type pattern struct {
	concept *concept
	prog    []instr
	// needs are sets of words, one word of each being in every match.
	needs []idSet
	// reach is how many tokens the longest match has.
	reach int
	// first are the words with which a match can begin; number: or a number.
	first  idSet
	number bool
}

// lexicon is everything that the files say, ready for use. It does not change
// once built.
type lexicon struct {
	concepts []*concept
	patterns []pattern
	// byFirst has the patterns that can begin with a word id, byNumber those that
	// can begin with a number.
	byFirst  [][]starter
	byNumber []starter

	// frames, and those whose first term is a class; classes counts these.
	frames   []frame
	framesBy [][]int32
	classes  int

	// forms has the words of the files and common words, as they are written.
	forms   map[string]form
	aliases map[string][]string
	// exact, stems: the ids of words and of stems, by language.
	exact  map[string]int32
	stems  [2]map[string]int32
	lastID int32
	// stemIDs saves stemming a word twice while loading.
	stemIDs, exactIDs map[stemKey]int32
	// near has the words of the patterns by first letter and length, for words
	// with a slip in them; real words are never taken for another.
	near map[nearKey][]string
	// sounds has the words, soundStems the stems that sound like a key; see
	// soundOf.
	sounds     map[string]string
	soundStems map[string]int32
	real       map[string]bool
}

// Languages, as indices and as bits of word.lang.
const (
	langEN = iota
	langES
	langAny
)

// theLexicon reads the embedded files once, at first use. They are checked by
// a test, so a fault in them is a fault of the build.
var theLexicon = sync.OnceValue(func() *lexicon {
	l, err := loadLexicon(lexiconFiles)
	if err != nil {
		panic("reading: " + err.Error())
	}
	return l
})

// block is one concept with its lines, not yet compiled.
type block struct {
	concept *concept
	lines   []setLine
	where   string
}

func loadLexicon(files fs.FS) (*lexicon, error) {
	l := &lexicon{
		forms: make(map[string]form, 1<<14), aliases: map[string][]string{},
		stemIDs: make(map[stemKey]int32, 1<<14), exactIDs: map[stemKey]int32{},
		exact: map[string]int32{}, stems: [2]map[string]int32{make(map[string]int32, 1<<13), make(map[string]int32, 1<<13)},
		near: map[nearKey][]string{}, sounds: map[string]string{}, soundStems: map[string]int32{}, real: map[string]bool{},
	}
	names, err := fs.Glob(files, "lexicon/*.txt")
	if err != nil {
		return nil, err
	}
	var blocks []block
	for _, name := range names {
		text, err := fs.ReadFile(files, name)
		if err != nil {
			return nil, err
		}
		more, err := l.readFile(strings.TrimPrefix(name, "lexicon/"), string(text))
		if err != nil {
			return nil, err
		}
		blocks = append(blocks, more...)
	}
	if err := l.compileAll(blocks); err != nil {
		return nil, err
	}
	l.finish()
	l.stemIDs, l.exactIDs = nil, nil
	return l, nil
}

// readFile reads one file of blocks. A block's first line is a kind and a
// name; its other lines are indented and begin with en, es or xx (either
// language), then patterns with ";" between them.
func (l *lexicon) readFile(name, text string) ([]block, error) {
	var blocks []block
	n := 0
	for line := range strings.Lines(text) {
		n++
		where := fmt.Sprintf("%s line %d", name, n)
		body := strings.TrimSpace(line)
		if body == "" || body[0] == '#' {
			continue
		}
		if line[0] != ' ' && line[0] != '\t' {
			f := strings.Fields(body)
			if len(f) < 2 {
				return nil, fmt.Errorf("%s: a block begins with a kind and a name", where)
			}
			blocks = append(blocks, block{concept: newConcept(f), where: where})
			continue
		}
		lang, rest, _ := strings.Cut(body, " ")
		k := slices.Index([]string{"en", "es", "xx"}, lang)
		if k < 0 || len(blocks) == 0 {
			return nil, fmt.Errorf("%s: a line of a block begins with en, es or xx", where)
		}
		b := &blocks[len(blocks)-1]
		b.lines = append(b.lines, setLine{k, fold(rest)})
	}
	return blocks, nil
}

// newConcept is what the first line of a block says.
func newConcept(line []string) *concept {
	c := &concept{kind: line[0], name: line[1], opts: line[2:], far: defaultReach}
	if c.kind == "cue" {
		c.gives = bitOf(State(c.name))
	}
	if v, ok := c.opt("reach"); ok {
		c.far = 0
		for _, d := range v {
			c.far = c.far*10 + int(d-'0')
		}
	}
	return c
}

func (l *lexicon) compileAll(blocks []block) error {
	c := &compiler{lex: l, sets: map[string][]setLine{}, parts: map[string][]instr{}}
	for _, b := range blocks {
		switch b.concept.kind {
		case "set":
			c.sets[b.concept.name] = append(c.sets[b.concept.name], b.lines...)
		case "words":
			l.readWords(b)
		}
	}
	for _, b := range blocks {
		if b.concept.kind == "set" || b.concept.kind == "words" || b.concept.kind == "frame" {
			continue
		}
		if err := l.compileBlock(c, b); err != nil {
			return fmt.Errorf("%s: %w", b.where, err)
		}
	}
	for _, b := range blocks {
		if b.concept.kind != "frame" {
			continue
		}
		if err := l.compileFrames(b); err != nil {
			return fmt.Errorf("%s: %w", b.where, err)
		}
	}
	l.indexFrames()
	return nil
}

func (l *lexicon) compileBlock(c *compiler, b block) error {
	b.concept.id = len(l.concepts)
	l.concepts = append(l.concepts, b.concept)
	for _, line := range b.lines {
		for _, src := range singlesJoined(line.patterns) {
			c.exact = slices.Contains(b.concept.opts, "exact")
			prog, err := c.compile(line.lang, src)
			if err != nil {
				return err
			}
			first, number, err := firstIDs(prog, 0)
			if err != nil {
				return fmt.Errorf("pattern %q: %w", src, err)
			}
			l.patterns = append(l.patterns, pattern{b.concept, prog, c.needs, reachOf(prog), first, number})
		}
	}
	return nil
}

// singlesJoined has the patterns of a line, those of one plain word joined to
// one choice: they are one look-up instead of many.
func singlesJoined(line string) []string {
	var out, singles []string
	for _, src := range strings.Split(line, ";") {
		switch f := strings.Fields(src); {
		case len(f) == 1 && plainWord(f[0]):
			singles = append(singles, f[0])
		case len(f) > 0:
			out = append(out, src)
		}
	}
	if len(singles) > 0 {
		out = append(out, strings.Join(singles, "|"))
	}
	return out
}

// readWords takes a block of kind words: "words alias" has lines of
// "shorthand = words", "words common" and "words real" bare words.
func (l *lexicon) readWords(b block) {
	for _, line := range b.lines {
		switch b.concept.name {
		case "alias":
			for _, a := range strings.Split(line.patterns, ";") {
				if short, long, ok := strings.Cut(a, "="); ok {
					l.aliases[strings.TrimSpace(short)] = strings.Fields(long)
				}
			}
		case "common":
			for _, w := range strings.Fields(line.patterns) {
				f := l.forms[w]
				f.lang |= 1 << line.lang
				f.common = true
				l.forms[w] = f
			}
		case "real":
			for _, w := range strings.Fields(line.patterns) {
				l.real[w] = true
			}
		}
	}
}

// find has every match of every concept, in the order of the text.
func (l *lexicon) find(r *runner) []match {
	r.look()
	out := make([]match, 0, 3*len(r.toks)+8)
	for i := range r.toks {
		t := &r.toks[i]
		if t.isNumber() {
			out = l.try(r, l.byNumber, i, out)
		}
		for _, id := range t.word.ids {
			if id != 0 {
				out = l.try(r, l.byFirst[id], i, out)
			}
		}
	}
	return out
}

// try runs the patterns that find the words they need near token i.
func (l *lexicon) try(r *runner, starters []starter, i int, out []match) []match {
	for k := range starters {
		s := &starters[k]
		if !r.sees(s, i) {
			continue
		}
		p := &l.patterns[s.pattern]
		if end := r.at(p.prog, i); end > i {
			out = addMatch(out, match{concept: p.concept, from: i, to: end})
		}
	}
	return out
}

// addMatch keeps the longest match of a concept at one place.
func addMatch(out []match, m match) []match {
	for k := len(out) - 1; k >= 0 && out[k].from == m.from; k-- {
		if out[k].concept == m.concept {
			out[k].to = max(out[k].to, m.to)
			return out
		}
	}
	return append(out, m)
}
