package bot

import "unicode/utf16"

// The platform's limits in UTF-16 code units.
const (
	maxText    = 4096
	maxCaption = 1024
)

// units is the length of s as the platform counts it.
func units(s string) int {
	n := 0
	for _, r := range s {
		n += utf16.RuneLen(r)
	}
	return n
}

// split cuts text into parts of at most limit UTF-16 units: after a blank line
// where there is one, else after a line, a sentence, a word, and only then
// anywhere. It looks for such a place in the second half of what fits.
func split(text string, limit int) []string {
	var parts []string
	for units(text) > limit {
		head := fitting(text, limit)
		at := cut([]rune(head))
		parts = append(parts, string([]rune(head)[:at]))
		text = text[len(string([]rune(head)[:at])):]
	}
	return append(parts, text)
}

// fitting is the longest beginning of text that has at most limit units.
func fitting(text string, limit int) string {
	n := 0
	for i, r := range text {
		if n += utf16.RuneLen(r); n > limit {
			return text[:i]
		}
	}
	return text
}

// cut is where to end the part, in runes.
func cut(head []rune) int {
	best, rank := len(head), 0
	for i := max(1, len(head)/2); i < len(head); i++ {
		if r := breakRank(head[i], head[i-1]); r > 0 && r >= rank {
			best, rank = i+1, r
		}
	}
	return best
}

// breakRank is how good a place r is to break after, given what precedes it.
func breakRank(r, before rune) int {
	switch {
	case r == '\n' && before == '\n':
		return 4
	case r == '\n':
		return 3
	case r == ' ' && (before == '.' || before == '!' || before == '?'):
		return 2
	case r == ' ':
		return 1
	default:
		return 0
	}
}
