package bot

import (
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestSplitPrefersGoodPlaces(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		text string
		want []string
	}{
		"it fits":             {"one two", []string{"one two"}},
		"blank line":          {"one two.\n\nthree.\nfour", []string{"one two.\n\n", "three.\nfour"}},
		"line":                {"one two.\nthree four five", []string{"one two.\n", "three four five"}},
		"sentence":            {"one two. three four five", []string{"one two. ", "three four five"}},
		"word":                {"one two three four five", []string{"one two three ", "four five"}},
		"nowhere":             {"onetwothreefourfivesix", []string{"onetwothreefourf", "ivesix"}},
		"pairs are not split": {strings.Repeat("🌱", 9), []string{strings.Repeat("🌱", 8), "🌱"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(tc.want, split(tc.text, 16)); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestSplitKeepsEveryCharacter(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringOf(rapid.RuneFrom([]rune("ab .\n?ñ🌱"))).Draw(t, "text")
		limit := rapid.IntRange(2, 20).Draw(t, "limit")
		parts := split(text, limit)
		if strings.Join(parts, "") != text {
			t.Fatalf("%q came back as %q", text, parts)
		}
		for i, p := range parts {
			if n := len(utf16.Encode([]rune(p))); n > limit || n == 0 && len(parts) > 1 && i < len(parts)-1 {
				t.Fatalf("part %d has %d units, limit %d", i, n, limit)
			}
		}
	})
}
