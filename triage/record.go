package triage

import (
	"context"
	"errors"
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

// Place is where somebody acts from.
type Place string

// The places.
const (
	InChat    Place = "chat"
	AtDesk    Place = "desk"
	OnServer  Place = "command" // the command line of the server
	ByProgram Place = "program" // what nobody asked for just now, as a backup at its time
	Nowhere   Place = "unknown" // on record from before places were
)

// Origin is from where somebody acts. The zero Origin is the program itself.
type Origin struct {
	Place Place
	// Ref is the row of the inbox in chat, the session at the desk.
	Ref int64
	// Address is the keyed hash of the network address at the desk.
	Address []byte
}

func (o Origin) place() Place {
	if o.Place == "" {
		return ByProgram
	}
	return o.Place
}

// Did puts an action on record: who, when, what, to whom, from where. The note is
// sealed.
func (d *Desk) Did(ctx context.Context, tx *store.Tx, who Staff, a Action, r Ref, note string) error {
	var sealed []byte
	var sealedFor *int64
	if note != "" {
		if r.Person == 0 {
			r.Person = who.Person
		}
		var err error
		if sealed, err = d.Vault.Seal(ctx, tx, r.Person, "action", []byte(note)); err != nil {
			return err
		}
		n := int64(r.Person)
		sealedFor = &n
	}
	row := recordRow{At: store.At(tx.Now).Text(), Staff: who.ID, Action: string(a), Patient: orNil(r.Patient), Case: orNil(r.Case), Fact: orNil(r.Fact),
		SealedFor: sealedFor, Note: sealed, Place: string(who.From.place()), PlaceRef: orNil(who.From.Ref), Address: who.From.Address}
	if err := d.extend(ctx, tx, row); err != nil {
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

// EverDid reports whether an action is on record at all.
func (d *Desk) EverDid(ctx context.Context, tx *store.Tx, a Action) (ever bool, err error) {
	err = tx.Get(ctx, &ever, `SELECT EXISTS (SELECT 1 FROM staff_actions WHERE action = ?)`, a)
	return ever, err
}

// WhoWorked is who one of the staff is, and whether she has left; also where her name
// does not open.
func (d *Desk) WhoWorked(ctx context.Context, tx *store.Tx, id int64) (p seal.Person, left bool, err error) {
	var r struct {
		Person seal.Person `db:"person_id"`
		Left   bool        `db:"gone"`
	}
	err = tx.Get(ctx, &r, `SELECT person_id, left_at IS NOT NULL AS gone FROM staff WHERE id = ?`, id)
	return r.Person, r.Left, err
}

// StaffHandle is the handle of one of the staff, for the record.
func (d *Desk) StaffHandle(ctx context.Context, tx *store.Tx, id int64) (string, error) {
	var handle string
	err := tx.Get(ctx, &handle, `SELECT handle FROM staff WHERE id = ?`, id)
	return handle, err
}

// Deed is an action on record.
type Deed struct {
	Row    int64
	At     time.Time
	Staff  int64
	Action Action
	Ref    Ref
	From   Origin
	Note   string // "" also when its person has been erased
}

// Deeds are the actions of staff on a patient, in order.
func (d *Desk) Deeds(ctx context.Context, tx *store.Tx, patient int64) ([]Deed, error) {
	return d.deeds(ctx, tx, `WHERE patient_id = ? ORDER BY id`, patient)
}

// DeedsBetween are the actions of staff from an instant on and before another, in
// order.
func (d *Desk) DeedsBetween(ctx context.Context, tx *store.Tx, from, to time.Time) ([]Deed, error) {
	return d.deeds(ctx, tx, `WHERE at >= ? AND at < ? ORDER BY id`, store.At(from), store.At(to))
}

func (d *Desk) deeds(ctx context.Context, tx *store.Tx, where string, args ...any) ([]Deed, error) {
	var rows []recordRow
	if err := tx.Select(ctx, &rows, recordColumns+where, args...); err != nil {
		return nil, err
	}
	all := make([]Deed, 0, len(rows))
	for _, r := range rows {
		var at store.Time
		if err := at.Scan(r.At); err != nil {
			return nil, fmt.Errorf("row %d of the record: %w", r.ID, err)
		}
		deed := Deed{Row: r.ID, At: at.Time, Staff: r.Staff, Action: Action(r.Action), From: Origin{Place(r.Place), orZero(r.PlaceRef), r.Address},
			Ref: Ref{Patient: orZero(r.Patient), Case: orZero(r.Case), Fact: orZero(r.Fact), Person: seal.Person(orZero(r.SealedFor))}}
		if r.SealedFor != nil {
			note, err := d.Vault.Open(ctx, tx, deed.Ref.Person, "action", r.Note)
			if err == nil {
				deed.Note = string(note)
			} else if !errors.Is(err, seal.ErrSealed) {
				return nil, err
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

func orNil(n int64) *int64 {
	if n == 0 {
		return nil
	}
	return &n
}
