package dialog

import (
	"context"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
)

// showNote is a case as it goes into the patient's chart.
func (c *colleague) showNote(ctx context.Context, id int64) error {
	note, err := c.room.Care.Note(ctx, c.tx, c.in.Who, c.words(), id)
	if err != nil {
		return err
	}
	cs, err := c.room.Service.Desk.Case(ctx, c.tx, id)
	if err != nil {
		return err
	}
	p, err := c.patientOf(ctx, cs)
	if err != nil {
		return c.say(ctx, note, nil) // nobody whom the clinic knows
	}
	return c.about(ctx, p, note, nil)
}

// showNotes are the contacts of a patient's cycle as they go into her chart.
func (c *colleague) showNotes(ctx context.Context, p reminders.Patient) error {
	all, err := c.room.Care.Notes(ctx, c.tx, c.in.Who, c.words(), p.ID)
	if err != nil {
		return err
	}
	if len(all) == 0 {
		all = []string{c.phrase("staff.no_notes", phrase.Args{"who": who(p)})}
	}
	return c.about(ctx, p, strings.Join(all, "\n"), nil)
}
