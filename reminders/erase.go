package reminders

import (
	"context"
	"fmt"
	"time"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// KeptUntil is until when a patient's records must be kept: the policy's years after
// the last entry of a cycle of hers. The zero time where nothing was ever entered.
func (b *Book) KeptUntil(ctx context.Context, tx *store.Tx, patient int64) (time.Time, error) {
	var last store.Time
	if err := tx.Get(ctx, &last, `SELECT max(at) FROM (
		SELECT max(f.recorded_at) AS at FROM facts f JOIN cycles c ON c.id = f.cycle_id WHERE c.patient_id = ?
		UNION ALL SELECT max(d.recorded_at) FROM dose_answers d JOIN cycles c ON c.id = d.cycle_id WHERE c.patient_id = ?
		UNION ALL SELECT max(recorded_at) FROM checklist WHERE patient_id = ?
		UNION ALL SELECT max(closed_at) FROM cycles WHERE patient_id = ?)`, patient, patient, patient, patient); err != nil {
		return time.Time{}, err
	}
	if last.IsZero() {
		return time.Time{}, nil
	}
	return last.In(b.zone()).AddDate(b.Policy.Records.KeepYears, 0, 0), nil
}

// Kept says that a patient's records must still be kept.
type Kept struct{ Until time.Time }

func (k *Kept) Error() string {
	return fmt.Sprintf("her records must be kept until %s (records.keep_years of the policy, counted from her last entry): erase her after that", k.Until.Format("2006-01-02"))
}

// Erase ends everything of a patient and destroys her key: nothing that was ever sealed
// for her can be read again. Her handle, and the shape of what happened, stay. Those who
// were linked to her alone go with her. It is a *Kept while her records must be kept.
// Cases and conversations are for the callers, before.
func (b *Book) Erase(ctx context.Context, tx *store.Tx, p Patient) error {
	until, err := b.KeptUntil(ctx, tx, p.ID)
	if err != nil {
		return err
	}
	if until.After(tx.Now) {
		return &Kept{until}
	}
	links, err := b.Links(ctx, tx, p.ID)
	if err != nil {
		return err
	}
	for _, q := range []string{
		`UPDATE links SET until_at = ?, code_hash = NULL, expires_at = NULL WHERE patient_id = ? AND until_at IS NULL`,
		`UPDATE cycles SET closed_at = ?, outcome = 'erased' WHERE patient_id = ? AND closed_at IS NULL`,
		`UPDATE enrolment_codes SET expires_at = ? WHERE patient_id = ? AND used_at IS NULL`,
	} {
		if _, err := tx.Exec(ctx, q, store.At(tx.Now), p.ID); err != nil {
			return err
		}
	}
	if _, err := tx.Exec(ctx, `UPDATE links SET until_at = ?, code_hash = NULL, expires_at = NULL WHERE person_id = ? AND until_at IS NULL`, store.At(tx.Now), p.Person); err != nil {
		return err
	}
	if err := b.forget(ctx, tx, p.Person); err != nil {
		return err
	}
	for _, l := range links {
		if err := b.eraseLinked(ctx, tx, l); err != nil {
			return err
		}
	}
	return nil
}

// forget withdraws what is queued, and destroys a person's key.
func (b *Book) forget(ctx context.Context, tx *store.Tx, p seal.Person) error {
	if err := b.Outbox.Forget(ctx, tx, p); err != nil {
		return err
	}
	return b.Vault.Destroy(ctx, tx, p)
}

// eraseLinked erases somebody who was linked to an erased patient and to nobody else.
func (b *Book) eraseLinked(ctx context.Context, tx *store.Tx, l Link) error {
	var others int
	if err := tx.Get(ctx, &others, `SELECT (SELECT count(*) FROM links WHERE person_id = ? AND until_at IS NULL) + (SELECT count(*) FROM patients WHERE person_id = ?)`, l.Person, l.Person); err != nil || others > 0 {
		return err
	}
	return b.forget(ctx, tx, l.Person)
}
