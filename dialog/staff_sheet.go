package dialog

import (
	"context"
	"fmt"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/outbox"
	"handrail.example/triage/care"
)

// showSheet lays a patient's values before a clinician: what was measured, what is
// met, how it grows or rises, what to weigh, and the options side by side.
func (c *colleague) showSheet(ctx context.Context, id int64) error {
	s, err := c.room.Care.Sheet(ctx, c.tx, c.in.Who, id)
	if err != nil {
		return err
	}
	l := c.words().Lay(s, civil.DateOf(c.now))
	rows := append([]string{l.Head}, l.About...)
	rows = append(rows, c.scanRows(l.Scans, s.Patient.Handle)...)
	rows = append(rows, c.hcgRows(l.HCG)...)
	if l.Empty != "" {
		rows = append(rows, l.Empty)
	}
	rows = append(rows, l.Lapses...)
	return c.about(ctx, s.Patient, strings.Join(rows, "\n"), [][]outbox.Button{{c.button("button.chart", fmt.Sprintf("chart/%d", id)),
		c.button("button.calendar", fmt.Sprintf("calendar/%d", id))}})
}

// dotted puts a mark before each row.
func dotted(all []string) []string {
	var rows []string
	for _, one := range all {
		rows = append(rows, "· "+one)
	}
	return rows
}

func (c *colleague) scanRows(l care.LaidScans, handle string) []string {
	rows := dotted(l.Looks)
	if len(l.Criteria) > 0 {
		rows = append(rows, c.phrase("sheet.criteria", nil))
	}
	for _, k := range l.Criteria {
		rows = append(rows, "· "+c.phrase("sheet.criterion", phrase.Args{"what": k.What, "want": k.Want, "got": k.Got, "state": k.Says, "source": k.Source}))
	}
	rows = append(rows, l.Growth...)
	rows = append(rows, l.Forecast...)
	rows = append(rows, l.Cautions...)
	rows = append(rows, l.Settled...)
	rows = append(rows, dotted(l.Steps)...)
	rows = append(rows, c.optionRows(l, handle)...)
	if l.Sources != "" {
		rows = append(rows, l.Sources)
	}
	return rows
}

// optionRows are what can be chosen between, and by which words each is entered.
func (c *colleague) optionRows(l care.LaidScans, handle string) []string {
	if len(l.Evenings) == 0 {
		return nil
	}
	rows := []string{c.phrase("sheet.options", nil)}
	if l.Rescan != "" {
		rows = append(rows, c.phrase("sheet.rescan", phrase.Args{"days": l.Rescan}))
	}
	for _, e := range l.Evenings {
		key := "sheet.evening"
		args := phrase.Args{"on": e.On, "chance": e.Chance, "luteal": e.Luteal, "transfer": e.Transfer, "first": e.First, "repeat": e.Repeat, "booked": e.Booked, "room": e.Room}
		if e.Closed != "" {
			key, args["closed"] = "sheet.evening_closed", e.Closed
		}
		rows = append(rows, c.phrase(key, args))
	}
	return append(rows, c.phrase("sheet.cancel", phrase.Args{"handle": handle}), c.phrase("sheet.order", phrase.Args{"handle": handle}))
}

func (c *colleague) hcgRows(l care.LaidHCG) []string {
	if len(l.Values) == 0 {
		return nil
	}
	rows := append([]string{c.phrase("sheet.hcg", nil)}, dotted(l.Values)...)
	return append(append(rows, l.Course...), l.Sources)
}
