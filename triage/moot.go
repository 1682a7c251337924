package triage

import (
	"context"
	"fmt"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Moot tells a case that what it asked for has happened: she has repeated the
// instruction, or said that the dose was taken. One that nobody has yet ends with
// that, so that nobody phones her for nothing, and everybody who was alerted is told;
// whoever has it decides for herself.
func (d *Desk) Moot(ctx context.Context, tx *store.Tx, id int64, o Opening) error {
	c, err := d.Attach(ctx, tx, id, o)
	if err != nil || c.State != Open || c.ID != id {
		return err
	}
	told, err := d.told(ctx, tx, c.ID)
	if err != nil {
		return err
	}
	if err := d.quiet(ctx, tx, c); err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `UPDATE cases SET state = 'closed', closed_at = ?, outcome = ? WHERE id = ?`, store.At(tx.Now), Answered, c.ID); err != nil {
		return err
	}
	if _, err := d.note(ctx, tx, c, event{what: Mooted, by: seal.House}); err != nil {
		return err
	}
	known, err := d.Who(ctx, tx, c.Person)
	if err != nil {
		return err
	}
	key := "staff.mooted"
	if c.Person == seal.House {
		key = "staff.mooted_house"
	}
	for _, s := range told {
		if err := d.tell(ctx, tx, c, s, key, phrase.Args{"case": fmt.Sprint(c.ID), "who": known.Label}); err != nil {
			return err
		}
	}
	return nil
}
