package triage

import (
	"context"
	"fmt"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Check looks at every case, colleague and shift: whether what is sealed opens, whether
// every live case has a ladder under it, and whether the record of what staff did is
// whole. published are heads of the record that were noted elsewhere.
func (d *Desk) Check(ctx context.Context, tx *store.Tx, published ...Head) (found []store.Finding, head Head, err error) {
	for _, check := range []func(context.Context, *store.Tx) ([]store.Finding, error){d.checkCases, d.checkEvents, d.checkStaff, d.checkShifts, d.checkArrivals} {
		more, err := check(ctx, tx)
		found = append(found, more...)
		if err != nil {
			return found, head, err
		}
	}
	head, faults, err := d.CheckRecord(ctx, tx, published...)
	for _, f := range faults {
		at := "the record of what staff did"
		if f.Row != 0 {
			at += fmt.Sprintf(", row %d", f.Row)
		}
		found = append(found, store.Finding{At: at, What: f.What,
			Do: "keep this file and the backups as they are; the last backup in which the row holds says what stood there; find out who could write to the file"})
	}
	return found, head, err
}

const byHand = "take it by hand (`cases` in chat, or the desk); `handrail serve` does not ring for it any more"

func (d *Desk) checkCases(ctx context.Context, tx *store.Tx) (found []store.Finding, err error) {
	var rows []struct {
		ID     int64       `db:"id"`
		Person seal.Person `db:"person_id"`
		State  State       `db:"state"`
		Body   []byte      `db:"body"`
		Gone   bool        `db:"gone"`
	}
	if err := tx.Select(ctx, &rows, `SELECT id, person_id, state, body,
		coalesce((SELECT left_at IS NOT NULL FROM staff WHERE staff.id = holder_id), 0) AS gone
		FROM cases ORDER BY id`); err != nil {
		return nil, err
	}
	for _, r := range rows {
		at := fmt.Sprintf("case %d", r.ID)
		opens, err := d.Vault.Opens(ctx, tx, r.Person, "case", r.Body)
		if err != nil {
			return found, err
		}
		if !opens {
			found = append(found, seal.NotOpening(at, "what it says"))
		}
		if r.State == Closed {
			continue
		}
		promised, err := d.Outbox.Promised(ctx, tx, taskTopic(r.ID))
		if err != nil {
			return found, err
		}
		if !promised {
			found = append(found, store.Finding{At: at, What: "it is open, and nothing will ring for it", Do: byHand})
		}
		if r.Gone {
			found = append(found, store.Finding{At: at, What: "whoever has it works here no more", Do: byHand})
		}
	}
	return found, nil
}

func (d *Desk) checkEvents(ctx context.Context, tx *store.Tx) (found []store.Finding, err error) {
	var rows []struct {
		Case   int64       `db:"case_id"`
		Person seal.Person `db:"person_id"`
		Body   []byte      `db:"body"`
	}
	if err := tx.Select(ctx, &rows, `SELECT e.case_id, c.person_id, e.body FROM case_events e JOIN cases c ON c.id = e.case_id WHERE e.body IS NOT NULL ORDER BY e.id`); err != nil {
		return nil, err
	}
	for _, r := range rows {
		opens, err := d.Vault.Opens(ctx, tx, r.Person, "case", r.Body)
		if err != nil {
			return found, err
		}
		if !opens {
			found = append(found, seal.NotOpening(fmt.Sprintf("case %d", r.Case), "something that happened to it"))
		}
	}
	return found, nil
}

func (d *Desk) checkStaff(ctx context.Context, tx *store.Tx) (found []store.Finding, err error) {
	var rows []staffRow
	if err := tx.Select(ctx, &rows, staffColumns+`1 ORDER BY id`); err != nil {
		return nil, err
	}
	working := false
	for _, r := range rows {
		opens, err := d.Vault.Opens(ctx, tx, r.Person, "staff name", r.Name)
		if err != nil {
			return found, err
		}
		if !opens {
			found = append(found, seal.NotOpening("staff "+r.Handle, "her name"))
		}
		working = working || r.Left.IsZero() && Allowed(r.Role, TakeCase)
	}
	if len(rows) > 0 && !working {
		found = append(found, store.Finding{At: "staff", What: "nobody works here who may take a case", Do: "take somebody on: `handrail staff add`"})
	}
	return found, nil
}

// checkShifts finds shifts that lie ahead and will not begin.
func (d *Desk) checkShifts(ctx context.Context, tx *store.Tx) (found []store.Finding, err error) {
	var ids []int64
	if err := tx.Select(ctx, &ids, `SELECT id FROM on_call WHERE from_at > ? ORDER BY id`, store.At(tx.Now)); err != nil {
		return nil, err
	}
	for _, id := range ids {
		promised, err := d.Outbox.Promised(ctx, tx, shiftTopic(id))
		if err != nil {
			return found, err
		}
		if !promised {
			found = append(found, store.Finding{At: fmt.Sprintf("shift %d", id), What: "it lies ahead, and nobody will be asked whether she is there", Do: "drop the shift and enter it anew"})
		}
	}
	return found, nil
}

// CheckNotes opens what colleagues left each other about a patient.
func (d *Desk) CheckNotes(ctx context.Context, tx *store.Tx, patient int64, p seal.Person) ([]store.Finding, error) {
	return d.checkSealed(ctx, tx, `SELECT id, ? AS person, body FROM handover_notes WHERE patient_id = ? ORDER BY id`, "hand-over note", "handover", p, patient)
}

// checkArrivals opens what other systems handed in and waits for a person.
func (d *Desk) checkArrivals(ctx context.Context, tx *store.Tx) ([]store.Finding, error) {
	return d.checkSealed(ctx, tx, `SELECT id, sealed_for AS person, body FROM arrivals WHERE body IS NOT NULL ORDER BY id`, "arrival", "arrival")
}

func (d *Desk) checkSealed(ctx context.Context, tx *store.Tx, query, what, label string, args ...any) (found []store.Finding, err error) {
	var rows []struct {
		ID     int64       `db:"id"`
		Person seal.Person `db:"person"`
		Body   []byte      `db:"body"`
	}
	if err := tx.Select(ctx, &rows, query, args...); err != nil {
		return nil, err
	}
	for _, r := range rows {
		opens, err := d.Vault.Opens(ctx, tx, r.Person, label, r.Body)
		if err != nil {
			return found, err
		}
		if !opens {
			found = append(found, seal.NotOpening(fmt.Sprintf("%s %d", what, r.ID), "what it says"))
		}
	}
	return found, nil
}
