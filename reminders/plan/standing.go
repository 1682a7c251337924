package plan

import "slices"

// Standing are the facts that nothing takes the place of, in order of time.
func Standing(facts []Fact) []Fact {
	gone := map[string]bool{}
	for _, f := range facts {
		gone[f.Replaces] = true
	}
	var out []Fact
	for _, f := range facts {
		if (f.ID == "" || !gone[f.ID]) && f.Kind != Retracted {
			out = append(out, f)
		}
	}
	slices.SortFunc(out, compareFacts)
	return out
}
