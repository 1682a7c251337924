package triage

import (
	"context"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Erased is how a case ends whose person is being erased. Nobody can choose it.
const Erased Outcome = "erased"

// Forget closes what is open about somebody who is being erased.
func (d *Desk) Forget(ctx context.Context, tx *store.Tx, by Staff, p seal.Person) error {
	live, err := d.ForPerson(ctx, tx, p)
	if err != nil {
		return err
	}
	for _, c := range live {
		if err := d.quiet(ctx, tx, c); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `UPDATE cases SET state = 'closed', closed_at = ?, outcome = ? WHERE id = ?`, store.At(tx.Now), Erased, c.ID); err != nil {
			return err
		}
		if _, err := d.note(ctx, tx, c, event{what: Ended, by: by.Person}); err != nil {
			return err
		}
	}
	// What was handed in for her and waits would wait for ever: nobody can read it.
	_, err = tx.Exec(ctx, `UPDATE arrivals SET state = 'set_aside', body = NULL, sealed_for = NULL, settled_at = ?, settled_by = ? WHERE state = 'waiting' AND sealed_for = ?`,
		store.At(tx.Now), by.ID, p)
	return err
}

// Everyone are the persons of all who work here or ever did.
func (d *Desk) Everyone(ctx context.Context, tx *store.Tx) (all []seal.Person, err error) {
	err = tx.Select(ctx, &all, `SELECT person_id FROM staff ORDER BY id`)
	return all, err
}
