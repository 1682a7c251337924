package reading

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// token is one word, number, sign or pictogram. A contraction or a shorthand
// gives several tokens with the same place in the text.
type token struct {
	// from and to are byte offsets into the original text, to exclusive.
	from, to int
	// norm is the word in lower case, without accents and without letters
	// repeated for effect.
	norm string
	kind tokenKind
	// brk is the strongest break between the token before and this one.
	brk brk
	// word is what the vocabulary knows of norm.
	word word
	// endsGap: it is one of gapEnds.
	endsGap bool
	// num is the value of a number.
	num float64
	// sentence counts sentences from 0.
	sentence int32
}

type tokenKind uint8

const (
	wordToken tokenKind = iota
	numberToken
	// signToken is one of / : - . between digits.
	signToken
)

type brk uint8

const (
	noBreak brk = iota
	// softBreak is a comma, a dash, a bracket, dots.
	softBreak
	// hardBreak ends a sentence.
	hardBreak
)

// isNumber: digits, or a number in words ("two", "dos").
func (t *token) isNumber() bool { return t.kind == numberToken || t.num > 0 }

// maxTokens bounds the work on one message. A chat message has at most 4096
// characters, which is far below.
const maxTokens = 20000

// scanner cuts a text into tokens.
type scanner struct {
	lex  *lexicon
	text string
	toks []token
	// questions has, for every sentence, whether a question mark ends it.
	questions []bool
	brk       brk
	sentence  int32
	buf       []byte
	// foreign counts letters of scripts that are not read here.
	foreign, letters int
	quotes           []int // byte offsets of quotation marks
}

func scan(lex *lexicon, text string) *scanner {
	s := &scanner{lex: lex, text: text, brk: hardBreak}
	s.toks = make([]token, 0, len(text)/5+8)
	s.questions = append(s.questions, false)
	for i := 0; i < len(text) && len(s.toks) < maxTokens; {
		i = s.next(i)
	}
	return s
}

// next reads one thing at byte i and returns where the following one begins.
func (s *scanner) next(i int) int {
	c := s.text[i]
	switch {
	case isDigit(c):
		return s.number(i)
	case c < utf8.RuneSelf && !isLetter(c):
		return s.mark(i, rune(c), 1)
	}
	r, n := utf8.DecodeRuneInString(s.text[i:])
	if isWordRune(r) {
		return s.word(i)
	}
	return s.mark(i, r, n)
}

func isDigit(c byte) bool  { return '0' <= c && c <= '9' }
func isLetter(c byte) bool { return 'a' <= c|0x20 && c|0x20 <= 'z' }

func isWordRune(r rune) bool {
	return r < utf8.RuneSelf && isLetter(byte(r)) ||
		r >= utf8.RuneSelf && r != utf8.RuneError && r != 'º' && r != 'ª' && unicode.IsLetter(r)
}

// mark takes punctuation, space and pictograms.
func (s *scanner) mark(i int, r rune, n int) int {
	switch r {
	case ' ', '\t', '\'', '’', '*', '_', '~', '`', 0xFE0F, 0x200D:
	case '.', '…':
		if j := s.dots(i, n); j > 0 {
			s.soft()
			return j
		}
		s.hard()
	case '!', ';', '\n', '\r', '¡':
		s.hard()
	case '?':
		s.questions[s.sentence] = true
		s.hard()
	case '"', '“', '”', '«', '»':
		s.quotes = append(s.quotes, i)
		s.soft()
	case '-':
		if i == 0 || !isLetter(s.text[i-1]) || !letterAt(s.text, i+1) { // "period-like" is not parted
			s.soft()
		}
	case '¿', ',', ':', '(', ')', '–', '—', '/', '[', ']', '+', '=', '&', '|', '<', '>':
		s.soft()
	default:
		if name, ok := pictograms[r]; ok {
			s.add(token{from: i, to: i + n, norm: name})
		} else if r != utf8.RuneError && r > 0x2190 && !unicode.IsLetter(r) {
			s.soft()
		}
	}
	return i + n
}

// dots recognises a pause, "..." or "…", and returns where it ends, or 0.
func (s *scanner) dots(i, n int) int {
	if n > 1 {
		return i + n
	}
	j := i
	for j < len(s.text) && s.text[j] == '.' {
		j++
	}
	if j-i > 1 {
		return j
	}
	return 0
}

func (s *scanner) soft() { s.brk = max(s.brk, softBreak) }

func (s *scanner) hard() {
	if s.brk == hardBreak {
		return
	}
	s.brk = hardBreak
	s.sentence++
	s.questions = append(s.questions, false)
}

func (s *scanner) add(t token) {
	t.brk, t.sentence = s.brk, s.sentence
	if t.kind == numberToken {
		t.word = s.lex.forms[t.norm].word
	}
	if t.kind == wordToken {
		t.norm, t.word = s.lex.lookup(t.norm)
		t.num = numberWords[t.norm]
	}
	if t.word.mask == 0 {
		t.word.mark()
	}
	t.endsGap = gapEnds[t.norm]
	if n := len(s.toks); n > 0 && s.brk == noBreak && newSubjects[t.norm] && (s.toks[n-1].norm == "and" || s.toks[n-1].norm == "y") {
		s.toks[n-1].endsGap = true // "bleeding everywhere, and I can not stop crying" are two things
	}
	s.toks = append(s.toks, t)
	s.brk = noBreak
}

// word reads a word with the apostrophes inside it.
func (s *scanner) word(i int) int {
	j, apostrophe := i, false
	s.buf = s.buf[:0]
	for j < len(s.text) {
		r, n := utf8.DecodeRuneInString(s.text[j:])
		switch {
		case isWordRune(r):
			s.letters++
			if r > 0x24F {
				s.foreign++
			}
			s.buf = appendFolded(s.buf, r)
		case (r == '\'' || r == '’') && j > i && letterAt(s.text, j+n):
			apostrophe = true
			s.buf = append(s.buf, '\'')
		case r >= 0x300 && r <= 0x36F:
		default:
			n = 0
		}
		if n == 0 {
			break
		}
		j += n
	}
	j = s.abbreviation(i, j)
	s.put(i, j, apostrophe)
	return j
}

// abbreviation takes "a.m." and "p.m." as one word.
func (s *scanner) abbreviation(i, j int) int {
	t := s.text
	if j-i != 1 || j+1 >= len(t) || t[j] != '.' || t[j+1]|0x20 != 'm' {
		return j
	}
	if c := t[i] | 0x20; c != 'a' && c != 'p' || j+2 < len(t) && isLetter(t[j+2]) {
		return j
	}
	s.buf = append(s.buf, 'm')
	j += 2
	if j < len(t) && t[j] == '.' {
		j++
	}
	return j
}

func letterAt(s string, i int) bool {
	r, _ := utf8.DecodeRuneInString(s[min(i, len(s)):])
	return isWordRune(r)
}

// put adds the word in buf, expanded where it is a shorthand, a contraction or
// a known misspelling.
func (s *scanner) put(from, to int, apostrophe bool) {
	if len(s.buf) == 0 {
		return
	}
	if s.expand(from, to, s.buf) {
		return
	}
	if apostrophe {
		s.buf = dropApostrophes(s.buf)
		if s.expand(from, to, s.buf) {
			return
		}
	}
	if len(s.buf) == 0 {
		return
	}
	b := s.unstretch(s.buf)
	if s.expand(from, to, b) {
		return
	}
	s.add(token{from: from, to: to, norm: s.lex.intern(b)})
}

func (s *scanner) expand(from, to int, b []byte) bool {
	words, ok := s.lex.aliases[string(b)]
	if ok && string(b) == "oi" && to-from > len("oi") {
		return false // "oí", not a slip of "hoy"
	}
	if n := len(s.toks); ok && n > 0 && s.toks[n-1].to == from && s.toks[n-1].kind == numberToken && string(b) == "nd" {
		return false // "2nd"
	}
	for _, w := range words {
		s.add(token{from: from, to: to, norm: w})
	}
	return ok
}

func dropApostrophes(b []byte) []byte {
	out := b[:0]
	for _, c := range b {
		if c != '\'' {
			out = append(out, c)
		}
	}
	// English genitive: "doctor's" is doctor, as far as concepts go.
	return out
}

// unstretch shortens letters repeated for effect: three or more become two
// when that is a known word, else one ("bleeeeding", "sooo").
func (s *scanner) unstretch(b []byte) []byte {
	if !stretched(b) {
		return b
	}
	two := squeeze(b, 2)
	if s.lex.knows(two) {
		return two
	}
	return squeeze(b, 1)
}

func stretched(b []byte) bool {
	for i := 2; i < len(b); i++ {
		if b[i] == b[i-1] && b[i] == b[i-2] {
			return true
		}
	}
	return false
}

func squeeze(b []byte, most int) []byte {
	out := make([]byte, 0, len(b))
	for i := 0; i < len(b); {
		j := i
		for j < len(b) && b[j] == b[i] {
			j++
		}
		n := j - i
		if n > 2 {
			n = most
		}
		for range n {
			out = append(out, b[i])
		}
		i = j
	}
	return out
}

// number reads digits, with a decimal part, and the signs between numbers.
func (s *scanner) number(i int) int {
	j := digits(s.text, i)
	dotted := 0
	end := j
	if k := digitsAfter(s.text, j, ".,"); k > 0 {
		end, dotted = k, 1
		if k2 := digitsAfter(s.text, k, ".,"); k2 > 0 {
			end, dotted = k2, 2
		}
	}
	switch {
	case dotted == 1 && plainDecimal(s.text[j+1:end]):
		s.add(token{from: i, to: end, kind: numberToken, norm: s.text[i:end], num: decimal(s.text[i:end])})
		j = end
	default:
		s.add(token{from: i, to: j, kind: numberToken, norm: s.text[i:j], num: decimal(s.text[i:j])})
	}
	if j+1 < len(s.text) && strings.IndexByte("/:-.,", s.text[j]) >= 0 && isDigit(s.text[j+1]) {
		s.add(token{from: j, to: j + 1, kind: signToken, norm: s.text[j : j+1]})
		return j + 1
	}
	return j
}

// plainDecimal: "38.5", "100.4" and "38,55" have one or two decimals; longer
// ones are thousands.
func plainDecimal(d string) bool { return len(d) <= 2 }

func digits(s string, i int) int {
	for i < len(s) && isDigit(s[i]) {
		i++
	}
	return i
}

// digitsAfter is where digits that follow one of the separators at i end, or 0.
func digitsAfter(s string, i int, seps string) int {
	if i+1 >= len(s) || strings.IndexByte(seps, s[i]) < 0 || !isDigit(s[i+1]) {
		return 0
	}
	return digits(s, i+1)
}

// decimal reads digits with at most one "." or ","; longer than 9 digits is
// no number that means anything here and gives a large value.
func decimal(s string) float64 {
	v, scale, point := 0.0, 1.0, false
	for i := 0; i < len(s) && i < 12; i++ {
		if !isDigit(s[i]) {
			point = true
			continue
		}
		v = v*10 + float64(s[i]-'0')
		if point {
			scale *= 10
		}
	}
	return v / scale
}
