package desk

import "handrail.example/reminders/plan"

// Patterns are the addresses that need somebody to be signed in.
func Patterns() (all []string) {
	for _, r := range (&Site{}).routes() {
		all = append(all, r.pattern)
	}
	return all
}

// FormWords are the keys of all that the forms say.
func FormWords() (all []string) {
	for _, f := range forms {
		all = append(all, "word."+string(f.kind))
		for _, x := range f.fields {
			all = append(all, "desk.field."+x.name)
			for _, c := range x.choices {
				all = append(all, "desk.choice."+x.name+"."+c)
			}
		}
	}
	return all
}

// HasForm reports whether a kind of fact can be entered.
func HasForm(kind plan.FactKind) bool {
	_, known := fieldsFor(kind)
	return known
}
