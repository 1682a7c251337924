package triage

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// SetOwner gives a patient to somebody who looks after her from now on.
func (d *Desk) SetOwner(ctx context.Context, tx *store.Tx, actor Staff, k Known, p seal.Person, to Staff) error {
	switch {
	case actor.May(AssignOwner) != nil:
		return actor.May(AssignOwner)
	case to.May(TakeCase) != nil:
		return Refuse("not_to_her", map[string]string{"who": to.Name})
	}
	if _, err := tx.Exec(ctx, `INSERT INTO owners (patient_id, staff_id, since_at) VALUES (?, ?, ?)
		ON CONFLICT (patient_id) DO UPDATE SET staff_id = excluded.staff_id, since_at = excluded.since_at`, k.ID, to.ID, store.At(tx.Now)); err != nil {
		return err
	}
	return d.Did(ctx, tx, actor, AssignOwner, Ref{Patient: k.ID, Person: p}, "to "+to.Handle)
}

// Owner is who looks after a patient; false for nobody, or somebody who has left.
func (d *Desk) Owner(ctx context.Context, tx *store.Tx, patient int64) (Staff, bool, error) {
	var id int64
	found, err := tx.Find(ctx, &id, `SELECT staff_id FROM owners WHERE patient_id = ?`, patient)
	if err != nil || !found {
		return Staff{}, false, err
	}
	s, err := d.StaffMember(ctx, tx, id)
	return s, err == nil && s.Left.IsZero(), err
}

// Absence is a time for which somebody is away, To exclusive.
type Absence struct {
	ID           int64
	Staff, Cover Staff
	From, To     time.Time
}

// AddAbsence notes that somebody is away and who covers for her.
func (d *Desk) AddAbsence(ctx context.Context, tx *store.Tx, actor Staff, a Absence) error {
	switch {
	case actor.ID != a.Staff.ID && actor.May(ChangeRota) != nil:
		return actor.May(ChangeRota)
	case a.Cover.May(TakeCase) != nil || a.Cover.ID == a.Staff.ID:
		return Refuse("not_to_her", map[string]string{"who": a.Cover.Name})
	case !a.From.Before(a.To) || !a.To.After(tx.Now):
		return Refuse("shift_times", nil)
	}
	if _, err := tx.Exec(ctx, `INSERT INTO absences (staff_id, cover_id, from_at, to_at) VALUES (?, ?, ?, ?)`,
		a.Staff.ID, a.Cover.ID, store.At(a.From), store.At(a.To)); err != nil {
		return err
	}
	return d.Did(ctx, tx, actor, ChangeRota, Ref{}, a.Staff.Handle+" is covered by "+a.Cover.Handle)
}

// looksAfter is who of the crew hears first of a patient's case: her owner, while she is
// away whoever covers for her; false for nobody. Only while the chat is read: at other
// hours those on call have it.
func (d *Desk) looksAfter(ctx context.Context, tx *store.Tx, c Case, all crew) (Staff, bool, error) {
	if c.Patient == 0 || !d.Policy.ChatOpen(tx.Now) {
		return Staff{}, false, nil
	}
	owner, some, err := d.Owner(ctx, tx, c.Patient)
	if err != nil || !some {
		return Staff{}, false, err
	}
	id, here, err := d.covering(ctx, tx, owner.ID)
	i := slices.IndexFunc(all.team, is(id))
	if err != nil || !here || i < 0 {
		return Staff{}, false, err
	}
	return all.team[i], true, nil
}

// covering is who is here for somebody now: she herself, or whoever covers for her while
// she is away; false when everybody who would is away.
func (d *Desk) covering(ctx context.Context, tx *store.Tx, id int64) (int64, bool, error) {
	// A cover may be away herself; nobody is asked twice.
	for seen := []int64{}; !slices.Contains(seen, id); {
		seen = append(seen, id)
		var cover int64
		away, err := tx.Find(ctx, &cover, `SELECT cover_id FROM absences WHERE staff_id = ? AND from_at <= ? AND to_at > ? ORDER BY id DESC LIMIT 1`,
			id, store.At(tx.Now), store.At(tx.Now))
		if err != nil || !away {
			return id, err == nil, err
		}
		id = cover
	}
	return 0, false, nil
}

// Hands is who looks after a patient. Now is who is here for her at this moment: the
// owner, or whoever covers for her; the zero Staff where nobody is.
type Hands struct{ Owner, Now Staff }

// Hands is who looks after a patient; zero for nobody.
func (d *Desk) Hands(ctx context.Context, tx *store.Tx, patient int64) (h Hands, err error) {
	owner, some, err := d.Owner(ctx, tx, patient)
	if err != nil || !some {
		return h, err
	}
	h.Owner = owner
	id, here, err := d.covering(ctx, tx, owner.ID)
	if err != nil || !here {
		return h, err
	}
	h.Now, err = d.StaffMember(ctx, tx, id)
	return h, err
}

// Owners is who looks after each patient that somebody looks after, by number.
func (d *Desk) Owners(ctx context.Context, tx *store.Tx) (map[int64]int64, error) {
	var rows []struct {
		Patient int64 `db:"patient_id"`
		Staff   int64 `db:"staff_id"`
	}
	err := tx.Select(ctx, &rows, `SELECT patient_id, staff_id FROM owners`)
	all := make(map[int64]int64, len(rows))
	for _, r := range rows {
		all[r.Patient] = r.Staff
	}
	return all, err
}

// Absences are the absences of people who work here that are not over, by their start.
func (d *Desk) Absences(ctx context.Context, tx *store.Tx) ([]Absence, error) {
	var rows []struct {
		ID    int64      `db:"id"`
		Staff int64      `db:"staff_id"`
		Cover int64      `db:"cover_id"`
		From  store.Time `db:"from_at"`
		To    store.Time `db:"to_at"`
	}
	if err := tx.Select(ctx, &rows, `SELECT id, staff_id, cover_id, from_at, to_at FROM absences WHERE to_at > ? ORDER BY from_at, id`, store.At(tx.Now)); err != nil {
		return nil, err
	}
	var all []Absence
	for _, r := range rows {
		who, err := d.StaffMember(ctx, tx, r.Staff)
		if err != nil {
			return nil, err
		}
		cover, err := d.StaffMember(ctx, tx, r.Cover)
		if err != nil {
			return nil, err
		}
		all = append(all, Absence{ID: r.ID, Staff: who, Cover: cover, From: r.From.Time, To: r.To.Time})
	}
	return all, nil
}

// EndAbsence has somebody back from now on, or strikes an absence that lies ahead.
func (d *Desk) EndAbsence(ctx context.Context, tx *store.Tx, actor Staff, id int64) error {
	all, err := d.Absences(ctx, tx)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(all, func(a Absence) bool { return a.ID == id })
	switch {
	case i < 0:
		return Refuse("no_absence", nil)
	case actor.ID != all[i].Staff.ID && actor.May(ChangeRota) != nil:
		return actor.May(ChangeRota)
	}
	if _, err := tx.Exec(ctx, `DELETE FROM absences WHERE id = ? AND from_at >= ?`, id, store.At(tx.Now)); err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `UPDATE absences SET to_at = ? WHERE id = ?`, store.At(tx.Now), id); err != nil {
		return err
	}
	return d.Did(ctx, tx, actor, ChangeRota, Ref{}, all[i].Staff.Handle+" is back")
}

// Note is a version of what whoever takes a patient over should know.
type Note struct {
	At    time.Time
	By    seal.Person
	Words string
}

const longestNote = 2000

// WriteNote adds a version of the hand-over note of a patient.
func (d *Desk) WriteNote(ctx context.Context, tx *store.Tx, actor Staff, k Known, p seal.Person, words string) error {
	words = strings.TrimSpace(words)
	switch {
	case actor.May(WriteNote) != nil:
		return actor.May(WriteNote)
	case words == "":
		return Refuse("no_words", nil)
	case len([]rune(words)) > longestNote:
		return Refuse("too_long", map[string]string{"most": "2000"})
	}
	body, err := d.Vault.Seal(ctx, tx, p, "handover", []byte(words))
	if err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `INSERT INTO handover_notes (patient_id, by, at, body) VALUES (?, ?, ?, ?)`, k.ID, actor.Person, store.At(tx.Now), body); err != nil {
		return err
	}
	return d.Did(ctx, tx, actor, WriteNote, Ref{Patient: k.ID, Person: p}, "")
}

// Notes are the versions of a patient's hand-over note, the latest first.
func (d *Desk) Notes(ctx context.Context, tx *store.Tx, patient int64, p seal.Person) ([]Note, error) {
	var rows []struct {
		By   seal.Person `db:"by"`
		At   store.Time  `db:"at"`
		Body []byte      `db:"body"`
	}
	if err := tx.Select(ctx, &rows, `SELECT by, at, body FROM handover_notes WHERE patient_id = ? ORDER BY id DESC`, patient); err != nil {
		return nil, err
	}
	var all []Note
	for _, r := range rows {
		plain, err := d.Vault.Open(ctx, tx, p, "handover", r.Body)
		if errors.Is(err, seal.ErrErased) {
			return nil, nil // gone with her key
		}
		if err != nil {
			return nil, err
		}
		all = append(all, Note{At: r.At.Time, By: r.By, Words: string(plain)})
	}
	return all, nil
}
