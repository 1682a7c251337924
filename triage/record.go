package triage

import (
	"context"
	"fmt"
	"time"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Ref is what an action of staff was done to. Zero fields are left out.
type Ref struct {
	Patient, Case, Fact int64
	// Person is under whose key the note is sealed; zero means the actor's own.
	Person seal.Person
}

// Did puts an action on record: who, when, what, to whom. The note is sealed.
func (d *Desk) Did(ctx context.Context, tx *store.Tx, who Staff, a Action, r Ref, note string) error {
	var sealed []byte
	var sealedFor any
	if note != "" {
		if r.Person == 0 {
			r.Person = who.Person
		}
		var err error
		if sealed, err = d.Vault.Seal(ctx, tx, r.Person, "action", []byte(note)); err != nil {
			return err
		}
		sealedFor = r.Person
	}
	_, err := tx.Exec(ctx, `INSERT INTO staff_actions (at, staff_id, action, patient_id, case_id, fact_id, sealed_for, note) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`,
		store.At(tx.Now), who.ID, a, orNull(r.Patient), orNull(r.Case), orNull(r.Fact), sealedFor, sealed)
	if err != nil {
		return fmt.Errorf("record %s by staff %d: %w", a, who.ID, err)
	}
	return nil
}

// Looked reports whether somebody's look at a case, or with 0 at the queue, is on record
// since an instant.
func (d *Desk) Looked(ctx context.Context, tx *store.Tx, who Staff, caseID int64, since time.Time) (bool, error) {
	var n int
	err := tx.Get(ctx, &n, `SELECT count(*) FROM staff_actions WHERE staff_id = ? AND at >= ? AND action = ? AND coalesce(case_id, 0) = ?`,
		who.ID, store.At(since), SeeCases, caseID)
	return n > 0, err
}

// Deed is an action on record.
type Deed struct {
	At     time.Time
	Staff  int64
	Action Action
	Ref    Ref
	Note   string // "" also when its person has been erased
}

// Deeds are the actions of staff on a patient, in order.
func (d *Desk) Deeds(ctx context.Context, tx *store.Tx, patient int64) ([]Deed, error) {
	var rows []struct {
		At        store.Time   `db:"at"`
		Staff     int64        `db:"staff_id"`
		Action    Action       `db:"action"`
		Case      *int64       `db:"case_id"`
		Fact      *int64       `db:"fact_id"`
		SealedFor *seal.Person `db:"sealed_for"`
		Note      []byte       `db:"note"`
	}
	if err := tx.Select(ctx, &rows, `SELECT at, staff_id, action, case_id, fact_id, sealed_for, note FROM staff_actions WHERE patient_id = ? ORDER BY id`, patient); err != nil {
		return nil, err
	}
	var all []Deed
	for _, r := range rows {
		deed := Deed{At: r.At.Time, Staff: r.Staff, Action: r.Action, Ref: Ref{Patient: patient, Case: orZero(r.Case), Fact: orZero(r.Fact)}}
		if r.SealedFor != nil {
			deed.Ref.Person = *r.SealedFor
			if note, err := d.Vault.Open(ctx, tx, *r.SealedFor, "action", r.Note); err == nil {
				deed.Note = string(note)
			}
		}
		all = append(all, deed)
	}
	return all, nil
}

func orZero(n *int64) int64 {
	if n == nil {
		return 0
	}
	return *n
}
