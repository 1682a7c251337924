package reading

import "errors"

// firstIDs has the words with which what stands from place start on can begin;
// number is true when it can begin with a number.
func firstIDs(prog []instr, start int) (ids idSet, number bool, err error) {
	if start < len(prog) && prog[start].op == opWord {
		return prog[start].ids, false, nil
	}
	seen := make([]bool, len(prog))
	var walk func(pc int) error
	walk = func(pc int) error {
		if pc >= len(prog) {
			return errBeginsAnyhow
		}
		if seen[pc] {
			return nil
		}
		seen[pc] = true
		switch in := &prog[pc]; in.op {
		case opWord:
			ids = append(ids, in.ids...)
		case opNumber:
			number = true
		case opFirst, opChoose:
			return walk(pc + 1)
		case opJump:
			return walk(in.a)
		case opSplit:
			if err := walk(in.a); err != nil {
				return err
			}
			return walk(in.b)
		default:
			return errBeginsAnyhow
		}
		return nil
	}
	err = walk(start)
	return sortedIDs(ids), number, err
}

var errBeginsAnyhow = errors.New("it may begin with nothing or with a gap")

// reachOf is how many tokens the longest match of a program has. Programs only
// ever go forward.
func reachOf(prog []instr) int {
	reach := make([]int, len(prog)+1)
	for pc := len(prog) - 1; pc >= 0; pc-- {
		switch in := prog[pc]; in.op {
		case opMatch:
		case opSplit:
			reach[pc] = max(reach[in.a], reach[in.b])
		case opJump:
			reach[pc] = reach[in.a]
		case opFirst, opChoose:
			reach[pc] = reach[pc+1]
		case opGap:
			reach[pc] = reach[pc+1] + in.a
		default:
			reach[pc] = reach[pc+1] + 1
		}
	}
	return reach[0]
}

// kept copies a program into one of a few large pieces of memory.
func (c *compiler) kept(prog []instr) []instr {
	if cap(c.slab)-len(c.slab) < len(prog) {
		c.slab = make([]instr, 0, max(4096, len(prog)))
	}
	from := len(c.slab)
	c.slab = append(c.slab, prog...)
	return c.slab[from:len(c.slab):len(c.slab)]
}
