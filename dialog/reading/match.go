package reading

import "sync"

// match is one place where a pattern of a concept was found.
type match struct {
	concept *concept
	// from and to are token indices, to exclusive.
	from, to int
	// head is the same as from for most; see frames.
	state State
}

// maxSteps bounds one attempt of one pattern, so that the time for a message
// grows with its length and with nothing else. The longest attempt that the
// lexicon needs on real sentences takes far fewer.
const maxSteps = 2000

// runner tries patterns on tokens.
type runner struct {
	toks []token
	// near has the marks of the words of which a match from each token may be made.
	near [levels][]marks

	prog  []instr
	start int
	steps int
	best  int
	// total counts steps over a whole message, for the test of linear growth.
	total int
}

// runners are working memories; they hold nothing between messages.
var runners = sync.Pool{New: func() any { return new(runner) }}

// at runs a program from token i, with which it can begin, and returns the end of
// the longest match, or -1.
func (r *runner) at(prog []instr, i int) int {
	r.prog, r.start, r.steps, r.best = prog, i, 0, -1
	if prog[0].op == opWord { // the word at i is why the program is run
		r.run(1, i+1, i+1)
	} else {
		r.run(0, i, i)
	}
	r.total += min(r.steps, maxSteps)
	return r.best
}

// run follows the program from pc at token i. end is where the last word that
// was taken ends: a gap passed since then belongs to no match, and a comma in it
// is no hindrance.
func (r *runner) run(pc, i, end int) {
	for {
		if r.steps++; r.steps > maxSteps {
			return
		}
		in := &r.prog[pc]
		switch in.op {
		case opMatch:
			r.best = max(r.best, end)
			return
		case opJump:
			pc = in.a
		case opSplit:
			r.run(in.a, i, end)
			pc = in.b
		case opGap:
			r.gap(pc+1, i, end, in.a)
			return
		case opFirst:
			if !r.takes(in, i, i > end) {
				return
			}
			pc++
		case opChoose:
			r.choose(in, pc, i, end)
			return
		default:
			if !r.takes(in, i, i > end) {
				return
			}
			pc, i, end = pc+1, i+1, i+1
		}
	}
}

// choose follows the alternatives of a choice that can begin with token i.
func (r *runner) choose(in *instr, pc, i, end int) {
	if i >= len(r.toks) || in.mask&r.toks[i].word.mask == 0 || r.parted(i, i > end) {
		return
	}
	ids := &r.toks[i].word.ids
	for n, id := range ids {
		if id == 0 || n > 0 && id == ids[0] || n > 1 && id == ids[1] {
			continue
		}
		for k := waysOf(in.ways, id); k < len(in.ways) && in.ways[k].id == id; k++ {
			r.run(pc+int(in.ways[k].ahead), i, end)
		}
	}
}

// takes reports whether the word or number at i fits. Only the first token of
// a match may begin a sentence, and only after a gap may a word follow a comma.
func (r *runner) takes(in *instr, i int, gap bool) bool {
	if i >= len(r.toks) {
		return false
	}
	t := &r.toks[i]
	if r.parted(i, gap) {
		return false
	}
	if in.op == opNumber {
		return t.isNumber()
	}
	return in.mask&t.word.mask != 0 && in.ids.has(&t.word)
}

// parted reports whether a break stands before token i that a match does not pass.
func (r *runner) parted(i int, gap bool) bool {
	b := r.toks[i].brk
	return i > r.start && (b == hardBreak || b == softBreak && !gap)
}

// gapEnds are words that no gap passes: a denial or a "but" between two words
// parts them. A pattern that means them names them.
var gapEnds = map[string]bool{
	"no": true, "not": true, "without": true, "sin": true, "ni": true, "never": true, "nunca": true, "none": true,
	"zero": true, "cero": true, "nor": true, "tampoco": true, "but": true, "pero": true, "nothing": true, "nada": true,
	"aunque": true, "although": true, "ningun": true, "ninguna": true,
}

// newSubjects begin another clause behind an "and".
var newSubjects = set("i", "she", "he", "they", "we", "you", "yo", "ella", "ellos", "nosotros", "ustedes")

// gap continues behind none to width tokens of the same sentence.
func (r *runner) gap(pc, i, end, width int) {
	in := &r.prog[pc]
	for j := i; j <= i+width; j++ {
		switch in.op { // nearly always: look before going on
		case opWord:
			if r.steps++; r.takes(in, j, j > end) {
				r.run(pc+1, j+1, j+1)
			}
		case opFirst:
			if r.steps++; r.takes(in, j, j > end) {
				r.run(pc+1, j, end)
			}
		case opChoose:
			r.steps++
			r.choose(in, pc, j, end)
		default:
			r.run(pc, j, end)
		}
		if j >= len(r.toks) || r.toks[j].endsGap || j > r.start && r.toks[j].brk == hardBreak {
			return
		}
	}
}
