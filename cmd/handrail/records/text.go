package records

import (
	"fmt"
	"slices"
	"strings"
)

// Text lays sections out to be read. say puts "records.<table>" and "records.of.<column>"
// into a language.
func Text(sections []Section, say func(key string) string) string {
	var b strings.Builder
	for _, s := range sections {
		fmt.Fprintf(&b, "\n%s (%d)\n", say("records."+s.Table), len(s.Rows))
		for _, row := range s.Rows {
			first := true
			for _, v := range row {
				mark := "  "
				if first {
					mark, first = "- ", false
				}
				for i, line := range lines(v.Is) {
					if i == 0 {
						fmt.Fprintf(&b, "%s%s: %s\n", mark, say("records.of."+v.Column), line)
					} else {
						fmt.Fprintf(&b, "      %s\n", line)
					}
				}
			}
		}
	}
	return b.String()
}

// lines lay a value out, each part of it on a line of its own.
func lines(is any) []string {
	switch v := is.(type) {
	case nil:
		return []string{"–"}
	case map[string]any:
		all := []string{""}
		for _, key := range slices.Sorted(keys(v)) {
			inner := lines(v[key])
			all = append(all, key+": "+inner[0])
			for _, l := range inner[1:] {
				all = append(all, "  "+l)
			}
		}
		return all
	case []any:
		all := []string{""}
		for _, item := range v {
			inner := lines(item)
			if inner[0] == "" && len(inner) > 1 {
				inner = inner[1:]
			}
			all = append(all, "· "+inner[0])
			for _, l := range inner[1:] {
				all = append(all, "  "+l)
			}
		}
		return all
	case string:
		return strings.Split(v, "\n")
	}
	return []string{fmt.Sprint(is)}
}

func keys(m map[string]any) func(yield func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}
