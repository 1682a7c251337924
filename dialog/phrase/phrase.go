// Package phrase is the phrasebook: everything that the program itself says, in
// every language, as files that a nurse can read and correct.
//
// It owns the wording. It refuses a phrasebook in which a language lacks a key
// that another has, or in which the two want different fillings.
//
// A file in a language's folder maps keys to sentences. {name} in a sentence is
// filled in by the caller. A key that ends in ".neutral" is the form for somebody
// who wants nothing in a notification that a bystander could understand.
package phrase

import (
	"embed"
	"fmt"
	"io/fs"
	"maps"
	"path"
	"regexp"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
)

//go:embed en/*.yaml es/*.yaml
var files embed.FS

// Languages are those that the phrasebook speaks, by ISO 639-1 code.
var Languages = []string{"en", "es"}

// Book is a phrasebook.
type Book struct{ sentences map[string]map[string]string }

// Args fills the gaps of a sentence.
type Args map[string]string

// Load reads the phrasebook that is built in.
func Load() (*Book, error) { return load(files) }

// MustLoad is Load for tests and for the start of the program: the phrasebook is
// part of it, and is tested with it.
func MustLoad() *Book {
	b, err := Load()
	if err != nil {
		panic(err)
	}
	return b
}

func load(from fs.FS) (*Book, error) {
	b := &Book{sentences: make(map[string]map[string]string)}
	for _, lang := range Languages {
		sentences, err := loadLanguage(from, lang)
		if err != nil {
			return nil, err
		}
		b.sentences[lang] = sentences
	}
	return b, b.complete()
}

func loadLanguage(from fs.FS, lang string) (map[string]string, error) {
	names, err := fs.Glob(from, path.Join(lang, "*.yaml"))
	if err != nil {
		return nil, err
	}
	all := make(map[string]string)
	for _, name := range names {
		raw, err := fs.ReadFile(from, name)
		if err != nil {
			return nil, err
		}
		var part map[string]string
		if err := yaml.Unmarshal(raw, &part); err != nil {
			return nil, fmt.Errorf("phrasebook %s: %w", name, err)
		}
		for key, sentence := range part {
			if _, twice := all[key]; twice {
				return nil, fmt.Errorf("phrasebook %s: %s is there already", name, key)
			}
			all[key] = strings.TrimSpace(sentence)
		}
	}
	return all, nil
}

var gap = regexp.MustCompile(`\{([a-z_]+)\}`)

func (b *Book) complete() error {
	first := b.sentences[Languages[0]]
	for _, lang := range Languages[1:] {
		other := b.sentences[lang]
		for _, key := range slices.Sorted(maps.Keys(first)) {
			if other[key] == "" {
				return fmt.Errorf("phrasebook: %s is missing in %s", key, lang)
			}
			if a, b := gaps(first[key]), gaps(other[key]); !slices.Equal(a, b) {
				return fmt.Errorf("phrasebook: %s wants %v in %s and %v in %s", key, a, Languages[0], b, lang)
			}
		}
		for _, key := range slices.Sorted(maps.Keys(other)) {
			if first[key] == "" {
				return fmt.Errorf("phrasebook: %s is missing in %s", key, Languages[0])
			}
		}
	}
	return nil
}

func gaps(sentence string) []string {
	var names []string
	for _, m := range gap.FindAllStringSubmatch(sentence, -1) {
		names = append(names, m[1])
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// Keys lists every key, in order.
func (b *Book) Keys() []string { return slices.Sorted(maps.Keys(b.sentences[Languages[0]])) }

// Has reports whether there is a sentence under key.
func (b *Book) Has(key string) bool { return b.sentences[Languages[0]][key] != "" }

// Say is the sentence under key in lang, with its gaps filled. What fills a gap
// is never read again, so a name that looks like a gap stays a name. A language
// that the phrasebook does not speak gets the first one; a key that does not
// exist gets itself, which a test of the caller must catch.
func (b *Book) Say(lang, key string, args Args) string {
	sentences, ok := b.sentences[lang]
	if !ok {
		sentences = b.sentences[Languages[0]]
	}
	sentence, ok := sentences[key]
	if !ok {
		return key
	}
	return fill(lang, sentence, args)
}

// fill puts args into the gaps of a sentence, and keeps the grammar around them:
// one full stop where "9:30 p. m." ends the sentence, "a la 1:00" in Spanish.
func fill(lang, sentence string, args Args) string {
	var said strings.Builder
	for {
		at := gap.FindStringSubmatchIndex(sentence)
		if at == nil {
			return said.String() + sentence
		}
		before, value, after := sentence[:at[0]], sentence[at[0]:at[1]], sentence[at[1]:]
		if given, ok := args[sentence[at[2]:at[3]]]; ok {
			value = given
		}
		if lang == "es" && oneOClock.MatchString(value) {
			before = one(before)
		}
		if strings.HasSuffix(value, ".") && strings.HasPrefix(after, ".") {
			after = after[1:]
		}
		said.WriteString(before + value)
		sentence = after
	}
}

var oneOClock = regexp.MustCompile(`^1:\d\d `)

// one puts the words before an hour into the singular that one o'clock takes.
func one(before string) string {
	for _, form := range [][2]string{{"Son las ", "Es la "}, {"son las ", "es la "}, {"las ", "la "}} {
		if rest, ends := strings.CutSuffix(before, form[0]); ends {
			return rest + form[1]
		}
	}
	return before
}
