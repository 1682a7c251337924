package dialog

import (
	"maps"
	"slices"
)

// StaffWords are the first words of what a colleague may write, each once, by what
// they are in English.
func StaffWords() []string {
	all := make(map[string]bool)
	for _, w := range staffWords {
		all[w] = true
	}
	return slices.Sorted(maps.Keys(all))
}
