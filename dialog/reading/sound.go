package reading

// Spanish is written as it sounds by many, and several letters sound alike: b
// and v, s and z and c, ll and y, g and j, k and c and qu; h sounds like
// nothing; at the end of a word s and d are often not said. A word that the
// lexicon does not know is read as the Spanish word that sounds the same.
// (Real Academia Española, Ortografía de la lengua española 2010, on betacismo,
// seseo, yeísmo; from memory.)

// minSoundStem is the length from which stems are compared by their sound.
const minSoundStem = 5

// soundsLike is the one Spanish word of the lexicon that sounds like w, or "".
func (l *lexicon) soundsLike(w string) string {
	if len(w) < minNear || len(w) > maxNear {
		return ""
	}
	return l.sounds[soundOf(w)]
}

// addSound notes how a word sounds; of two that sound alike neither is taken
// unless they are forms of one word.
func (l *lexicon) addSound(w string) {
	k := soundOf(w)
	switch old, ok := l.sounds[k]; {
	case !ok:
		l.sounds[k] = w
	case old != "" && stem(langES, old) != stem(langES, w):
		l.sounds[k] = ""
	case old != "":
		l.sounds[k] = min(old, w) // whichever was seen first
	}
}

// soundOf is a key that is the same for Spanish words that sound the same.
// Words are folded before: lower case, no accents.
func soundOf(w string) string {
	out := make([]byte, 0, len(w))
	for i := 0; i < len(w); i++ {
		c, next := w[i], byte(0)
		if i+1 < len(w) {
			next = w[i+1]
		}
		soft := next == 'e' || next == 'i'
		switch {
		case c == 'h' || c == next && c != 'r': // a doubled letter counts once
			if c == 'l' && next == 'l' {
				out, i = append(out, 'y'), i+1
			}
			continue
		case c == 'v' || c == 'w':
			c = 'b'
		case c == 'c' && next == 'h':
			out, i = append(out, '2'), i+1
			continue
		case c == 'z' || c == 'c' && soft || c == 'x':
			c = 's'
		case c == 'q' && next == 'u':
			c, i = 'k', i+1
		case c == 'c':
			c = 'k'
		case c == 'g' && soft:
			c = 'j'
		case c == 'g' && next == 'u' && i+2 < len(w) && (w[i+2] == 'e' || w[i+2] == 'i'):
			i++
		case c == 'n' && (next == 'b' || next == 'p' || next == 'v'):
			c = 'm'
		}
		if n := len(out); n > 0 && out[n-1] == c && c != 'r' {
			continue
		}
		out = append(out, c)
	}
	return string(out)
}
