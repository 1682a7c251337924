package dialog

import (
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/plan"
	"handrail.example/triage/care"
)

// words are how the calendar and the facts are put to her.
func (c *colleague) words() care.Words {
	return care.Words{Desk: c.room.Service.Desk, Lang: c.lang, Zone: c.now.Location(), Drugs: c.drugs}
}

func (c *colleague) why(r plan.Reason) string        { return c.words().Why(r) }
func (c *colleague) stepName(n plan.StepName) string { return c.words().StepName(n) }
func (c *colleague) step(s plan.Step) string         { return c.words().Step(s) }
func (c *colleague) conflict(k plan.Conflict) string { return c.words().Conflict(k) }
func (c *colleague) fact(f plan.Fact) string         { return c.words().Fact(f) }

// learn notes what a patient's orders are of, so that a stop order can be told by
// the drug.
func (c *colleague) learn(facts []reminders.Recorded) { c.drugs = care.DrugsOf(facts) }

// preview says what an entry is and what it would move.
func (c *colleague) preview(v care.Preview) string {
	rows := append([]string{who(v.Patient) + " · " + c.fact(v.Fact)}, c.also(v)...)
	if len(v.Changes) > 0 {
		rows = append(rows, c.phrase("staff.moves", nil))
	}
	for _, ch := range v.Changes {
		rows = append(rows, "· "+c.words().Change(ch))
	}
	for _, k := range v.Conflicts {
		rows = append(rows, c.conflict(k))
	}
	rows = append(rows, c.words().Cautions(v.Cautions)...)
	if len(v.Missing) > 0 {
		var items []string
		for _, i := range v.Missing {
			items = append(items, c.item(i))
		}
		rows = append(rows, c.phrase("note.missing", phrase.Args{"items": strings.Join(items, ", ")}))
	}
	return strings.Join(rows, "\n")
}

// also are the facts that are saved with an entry.
func (c *colleague) also(v care.Preview) (rows []string) {
	for _, f := range v.Also {
		rows = append(rows, c.phrase("staff.also", phrase.Args{"fact": c.fact(f)}))
	}
	return rows
}
