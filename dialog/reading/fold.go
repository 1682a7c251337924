package reading

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// folded has the letters that carry an accent in English and Spanish texts
// (and in the names of medicines) with what they count as.
var folded = map[rune]string{
	'á': "a", 'à': "a", 'â': "a", 'ä': "a", 'ã': "a", 'å': "a", 'ª': "a",
	'é': "e", 'è': "e", 'ê': "e", 'ë': "e",
	'í': "i", 'ì': "i", 'î': "i", 'ï': "i",
	'ó': "o", 'ò': "o", 'ô': "o", 'ö': "o", 'õ': "o", 'º': "o",
	'ú': "u", 'ù': "u", 'û': "u", 'ü': "u",
	'ñ': "n", 'ç': "c", 'ý': "y", 'ÿ': "y", 'ß': "ss", 'æ': "ae", 'œ': "oe", 'ø': "o",
}

func appendFolded(b []byte, r rune) []byte {
	if r < utf8.RuneSelf {
		if 'A' <= r && r <= 'Z' {
			r += 'a' - 'A'
		}
		return append(b, byte(r))
	}
	r = unicode.ToLower(r)
	if s, ok := folded[r]; ok {
		return append(b, s...)
	}
	return utf8.AppendRune(b, r)
}

// fold is the form in which words are compared: lower case, no accents.
func fold(s string) string {
	b := make([]byte, 0, len(s))
	for _, r := range s {
		if r >= 0x300 && r <= 0x36F {
			continue
		}
		b = appendFolded(b, r)
	}
	return strings.TrimSpace(string(b))
}

// pictograms that say something, as the words under which the lexicon has them.
var pictograms = map[rune]string{
	'🩸': "eblood", '🤮': "evomit", '🤢': "enausea", '🤒': "efever", '🌡': "efever",
	'💊': "epill", '💉': "eshot", '👍': "ethumb", '✅': "ethumb", '☑': "ethumb", '✔': "ethumb",
	'🙏': "ethanks", '❤': "eheart", '🥰': "eheart", '💕': "eheart", '😊': "eheart", '🤗': "eheart", '💜': "eheart", '🫶': "eheart",
	'😭': "ecry", '😢': "ecry", '😞': "ecry", '💔': "ecry", '😔': "ecry", '🥺': "ecry",
	'😂': "elol", '🤣': "elol", '😅': "elol", '😆': "elol", '💀': "elol", '🙃': "elol", '😜': "elol",
	'😵': "edizzy", '🥴': "edizzy", '🎉': "eparty", '🥳': "eparty",
}
