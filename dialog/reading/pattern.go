package reading

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// compiler turns patterns of one lexicon into programs.
//
// A pattern is a row of words as a patient would write them:
//
//	soaking .. (pad|towel) .. (hour|hr)
//
//	word      that word in any form that has the same stem
//	=word     that very form
//	a|b c     one or the other; brackets bound the choice
//	(a b)?    may be missing
//	<name>    any expression of a named set
//	..  ...   up to three, up to six other words
//	#         any number
type compiler struct {
	lex  *lexicon
	lang int
	src  string
	toks []string
	pos  int
	prog []instr
	sets map[string][]setLine
	deep int
	// nested counts open brackets and sets; needs collects, outside of them, the
	// word sets of which every match has a word.
	nested int
	needs  []idSet
	// parts has the sets that were compiled before.
	parts map[string][]instr
	// work is the memory that programs are written in before they are copied.
	work []instr
	slab []instr
	// exact: the block's words stand for no other forms of themselves.
	exact bool
}

// setLine is one line of a named set, in its own language.
type setLine struct {
	lang     int
	patterns string
}

func (c *compiler) compile(lang int, src string) ([]instr, error) {
	c.lang, c.src, c.prog, c.needs = lang, src, c.work[:0], nil
	c.toks, c.pos = splitPattern(src), 0
	if err := c.alternatives(); err != nil {
		return nil, err
	}
	if c.pos < len(c.toks) {
		return nil, fmt.Errorf("pattern %q: %q stands where nothing is open", src, c.toks[c.pos])
	}
	c.emit(instr{op: opMatch})
	c.work = c.prog
	return c.kept(c.prog), nil
}

func splitPattern(s string) []string {
	out := make([]string, 0, len(s)/5+4)
	from := 0
	for i := 0; i <= len(s); i++ {
		if i < len(s) && strings.IndexByte(" ()|?", s[i]) < 0 {
			continue
		}
		if i > from {
			out = append(out, s[from:i])
		}
		if i < len(s) && s[i] != ' ' {
			out = append(out, s[i:i+1])
		}
		from = i + 1
	}
	return out
}

func (c *compiler) peek() string {
	if c.pos < len(c.toks) {
		return c.toks[c.pos]
	}
	return ""
}

func (c *compiler) emit(i instr) int {
	i.mask = i.ids.mask()
	c.prog = append(c.prog, i)
	return len(c.prog) - 1
}

// alternatives compiles "a b|c", merging single words into one set.
func (c *compiler) alternatives() error {
	if c.plainChoice() {
		return nil
	}
	var ends []int
	var starts []int
	guard := c.emit(instr{op: opJump})
	for {
		split := c.emit(instr{op: opSplit})
		starts = append(starts, split+1)
		if err := c.sequence(); err != nil {
			return err
		}
		c.prog[split].a = split + 1
		if c.peek() != "|" {
			c.prog[split] = instr{op: opJump, a: split + 1}
			break
		}
		c.pos++
		ends = append(ends, c.emit(instr{op: opJump}))
		c.prog[split].b = len(c.prog)
	}
	if c.nested == 0 && len(ends) > 0 {
		c.needs = nil
	}
	for _, e := range ends {
		c.prog[e].a = len(c.prog)
	}
	c.guard(guard, starts)
	return nil
}

// guard turns the instruction at place at, which stands before a choice, into a
// look at the word that comes next, if every alternative begins with a word.
func (c *compiler) guard(at int, starts []int) {
	c.prog[at] = instr{op: opJump, a: at + 1}
	ids, number, err := firstIDs(c.prog, at+1)
	if err != nil || number {
		return
	}
	c.prog[at] = instr{op: opFirst, ids: ids, mask: ids.mask()}
	if len(starts) < fewWays {
		return
	}
	var ways []way
	for _, start := range starts {
		first, _, err := firstIDs(c.prog, start)
		if err != nil {
			return
		}
		for _, id := range first {
			ways = append(ways, way{id, int32(start - at)})
		}
	}
	slices.SortStableFunc(ways, func(a, b way) int { return cmp.Compare(a.id, b.id) })
	c.prog[at].op, c.prog[at].ways = opChoose, ways
}

// fewWays are so few alternatives that they are best tried one by one.
const fewWays = 3

// plainChoice compiles a choice of single words as one instruction.
func (c *compiler) plainChoice() bool {
	var ids idSet
	p := c.pos
	for ; p < len(c.toks) && c.toks[p] != ")"; p++ {
		if alternate := (p-c.pos)%2 == 1; alternate != (c.toks[p] == "|") {
			return false
		}
		if c.toks[p] == "|" {
			continue
		}
		if !plainWord(c.toks[p]) {
			return false
		}
		ids = append(ids, c.wordID(c.toks[p], c.lang))
	}
	if (p-c.pos)%2 == 0 {
		return false
	}
	c.pos = p
	c.emit(instr{op: opWord, ids: sortedIDs(ids)})
	if c.nested == 0 {
		c.needs = append(c.needs, c.prog[len(c.prog)-1].ids)
	}
	return true
}

// need notes that a match needs one of the words with which the part from
// start on begins.
func (c *compiler) need(start int) {
	if c.nested > 0 || c.prog[start].op == opGap {
		return
	}
	if ids, number, err := firstIDs(c.prog, start); err == nil && !number {
		c.needs = append(c.needs, ids)
	}
}

func (c *compiler) sequence() error {
	n := 0
	for ; ; n++ {
		t := c.peek()
		if t == "" || t == ")" || t == "|" {
			break
		}
		start := len(c.prog)
		if err := c.element(t); err != nil {
			return err
		}
		if c.peek() == "?" {
			c.pos++
			c.makeOptional(start)
			continue
		}
		c.need(start)
	}
	if n == 0 {
		return fmt.Errorf("pattern %q: an alternative is empty", c.src)
	}
	return nil
}

// makeOptional puts a split before the instructions from start on; every
// target behind it moves by one.
func (c *compiler) makeOptional(start int) {
	c.prog = append(c.prog, instr{})
	copy(c.prog[start+1:], c.prog[start:])
	for i := start + 1; i < len(c.prog); i++ {
		if op := c.prog[i].op; op == opSplit || op == opJump {
			c.prog[i].a++
			c.prog[i].b++
		}
	}
	c.prog[start] = instr{op: opSplit, a: start + 1, b: len(c.prog)}
}

func (c *compiler) element(t string) error {
	c.pos++
	switch {
	case t == "(":
		return c.group()
	case t == "..":
		c.emit(instr{op: opGap, a: 3})
	case t == "...":
		c.emit(instr{op: opGap, a: 6})
	case t == "#":
		c.emit(instr{op: opNumber})
	case t == "?":
		return fmt.Errorf("pattern %q: nothing stands before ?", c.src)
	case strings.HasPrefix(t, "<") && strings.HasSuffix(t, ">"):
		return c.set(t[1 : len(t)-1])
	default:
		c.emit(instr{op: opWord, ids: idSet{c.wordID(t, c.lang)}})
	}
	return nil
}

func (c *compiler) group() error {
	c.nested++
	err := c.alternatives()
	c.nested--
	if err != nil {
		return err
	}
	if c.peek() != ")" {
		return fmt.Errorf("pattern %q: a bracket is not closed", c.src)
	}
	c.pos++
	return nil
}

// set puts in every expression of a named set, each in its own language.
func (c *compiler) set(name string) error {
	key := name
	if c.exact {
		key = "=" + name
	}
	part, ok := c.parts[key]
	if !ok {
		var err error
		if part, err = c.compileSet(name); err != nil {
			return err
		}
		c.parts[key] = part
	}
	base := len(c.prog)
	for _, in := range part {
		in.a, in.b = in.a+base*jumps(in.op), in.b+base*jumps(in.op)
		c.prog = append(c.prog, in)
	}
	return nil
}

func (c *compiler) compileSet(name string) ([]instr, error) {
	lines, ok := c.sets[name]
	if !ok {
		return nil, fmt.Errorf("pattern %q: there is no set <%s>", c.src, name)
	}
	if c.deep++; c.deep > 4 {
		return nil, fmt.Errorf("pattern %q: set <%s> names itself", c.src, name)
	}
	saved := *c
	c.prog, c.nested = nil, 1
	var single idSet
	var starts, ends []int
	guard := c.emit(instr{op: opJump})
	for _, l := range lines {
		for _, p := range strings.Split(l.patterns, ";") {
			c.lang, c.toks, c.pos = l.lang, splitPattern(p), 0
			if len(c.toks) == 0 {
				continue
			}
			if len(c.toks) == 1 && plainWord(c.toks[0]) {
				single = append(single, c.wordID(c.toks[0], l.lang))
				continue
			}
			split := c.emit(instr{op: opSplit})
			starts = append(starts, split+1)
			if err := c.alternatives(); err != nil {
				return nil, err
			}
			ends = append(ends, c.emit(instr{op: opJump}))
			c.prog[split].a, c.prog[split].b = split+1, len(c.prog)
		}
	}
	starts = append(starts, c.emit(instr{op: opWord, ids: sortedIDs(single)}))
	for _, e := range ends {
		c.prog[e].a = len(c.prog)
	}
	c.guard(guard, starts)
	part := c.prog
	c.lang, c.toks, c.pos, c.src, c.prog, c.nested, c.deep = saved.lang, saved.toks, saved.pos, saved.src, saved.prog, saved.nested, saved.deep-1
	return part, nil
}

func (c *compiler) wordID(t string, lang int) int32 {
	if c.exact && t[0] != '=' {
		t = "=" + t
	}
	return c.lex.wordID(t, lang)
}

func plainWord(t string) bool { return !strings.ContainsAny(t, "<>().#?|") }
