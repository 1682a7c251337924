package desk

// Patterns are the addresses that need somebody to be signed in.
func Patterns() (all []string) {
	for _, r := range (&Site{}).routes() {
		all = append(all, r.pattern)
	}
	return all
}
