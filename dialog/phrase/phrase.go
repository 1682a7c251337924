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
	return gap.ReplaceAllStringFunc(sentence, func(g string) string {
		if fill, ok := args[g[1:len(g)-1]]; ok {
			return fill
		}
		return g
	})
}
