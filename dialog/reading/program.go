package reading

// A pattern is compiled to a few instructions that run over tokens.
type opcode uint8

const (
	opWord opcode = iota
	opNumber
	// opFirst goes on only where one of the words follows with which a choice
	// can begin: one look in place of one for each alternative.
	opFirst
	// opChoose goes on at the alternatives of a choice that can begin with the
	// word that follows. The choice itself, as splits, stands right behind it.
	opChoose
	opSplit
	opJump
	opGap
	opMatch
)

type instr struct {
	op opcode
	// a and b are the targets of a split or a jump, or the width of a gap.
	a, b int
	// ids are the word ids that opWord, opFirst and opChoose take; mask has their
	// marks.
	ids  idSet
	mask uint64
	// ways are the alternatives of opChoose.
	ways []way
}

// way is a word and how far behind opChoose the alternative stands that can begin
// with it. The ways of a choice are in the order of their words.
type way struct{ id, ahead int32 }

// waysOf is where the ways with word id begin.
func waysOf(ways []way, id int32) int {
	lo, hi := 0, len(ways)
	for lo < hi {
		if mid := int(uint(lo+hi) >> 1); ways[mid].id < id {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	return lo
}

// markOf is the mark of a word id: words that share no mark are different, which
// settles most comparisons at once.
func markOf(id int32) uint64 { return 1 << (uint32(id) % 64) }

func (s idSet) mask() (m uint64) {
	for _, id := range s {
		m |= markOf(id)
	}
	return m
}

// idSet is a set of word ids, in ascending order.
type idSet []int32

func (s idSet) has(w *word) bool {
	for _, id := range w.ids {
		if id != 0 && s.contains(id) {
			return true
		}
	}
	return false
}

func (s idSet) contains(id int32) bool {
	if len(s) <= 8 {
		for _, x := range s {
			if x == id {
				return true
			}
		}
		return false
	}
	lo, hi := 0, len(s)
	for lo < hi {
		m := int(uint(lo+hi) >> 1)
		if s[m] < id {
			lo = m + 1
		} else {
			hi = m
		}
	}
	return lo < len(s) && s[lo] == id
}

// jumps is 1 for an instruction whose a and b are places in the program.
func jumps(op opcode) int {
	if op == opSplit || op == opJump {
		return 1
	}
	return 0
}
