package triage

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Staff is somebody who works at the clinic.
type Staff struct {
	ID     int64
	Person seal.Person
	Handle string // short, known to the colleagues
	Name   string
	Role   Role
	// Languages are those that she may answer patients in, by ISO 639-1 code; the
	// first is the one that she is spoken to in.
	Languages []string
	Left      time.Time // zero while she works here
	// From is where she acts from just now, for the record.
	From Origin
}

// Language is the language that she is spoken to in.
func (s Staff) Language() string { return s.Languages[0] }

// Speaks reports whether she may answer patients in a language.
func (s Staff) Speaks(lang string) bool { return slices.Contains(s.Languages, lang) }

// Newcomer is what is needed to take somebody on.
type Newcomer struct {
	Handle, Name string
	Role         Role
	Languages    []string
}

func (n *Newcomer) tidy() error {
	n.Handle, n.Name = strings.ToLower(strings.TrimSpace(n.Handle)), strings.TrimSpace(n.Name)
	switch {
	case n.Handle == "" || n.Handle == serverHandle || len(n.Handle) > 20 || strings.ContainsAny(n.Handle, " \t\n/,"):
		return Refuse("staff_handle", nil)
	case n.Name == "" || len(n.Name) > 200:
		return Refuse("name", nil)
	case !slices.Contains(Roles, n.Role):
		return Refuse("no_role", phrase.Args{"roles": join(Roles)})
	case len(n.Languages) == 0 || slices.ContainsFunc(n.Languages, func(l string) bool { return !slices.Contains(phrase.Languages, l) }):
		return Refuse("language", phrase.Args{"languages": strings.Join(phrase.Languages, ", ")})
	}
	return nil
}

func join[S ~string](all []S) string {
	words := make([]string, len(all))
	for i, s := range all {
		words[i] = string(s)
	}
	return strings.Join(words, ", ")
}

// AddStaff takes somebody on and draws the code with which she links her chat.
// The code is shown to whoever hands it to her and is not kept.
func (d *Desk) AddStaff(ctx context.Context, tx *store.Tx, n Newcomer) (Staff, string, error) {
	if err := n.tidy(); err != nil {
		return Staff{}, "", err
	}
	// Looked for before anything is written: a refusal must leave nothing behind.
	if _, used, err := d.findStaff(ctx, tx, `handle = ?`, n.Handle); err != nil || used {
		if err == nil {
			err = Refuse("handle_taken", phrase.Args{"handle": n.Handle})
		}
		return Staff{}, "", err
	}
	person, err := d.Vault.Add(ctx, tx)
	if err != nil {
		return Staff{}, "", err
	}
	name, err := d.Vault.Seal(ctx, tx, person, "staff name", []byte(n.Name))
	if err != nil {
		return Staff{}, "", err
	}
	s := Staff{Person: person, Handle: n.Handle, Name: n.Name, Role: n.Role, Languages: n.Languages}
	err = tx.Get(ctx, &s.ID, `INSERT INTO staff (person_id, handle, name, role, languages, created_at) VALUES (?, ?, ?, ?, ?, ?) RETURNING id`,
		person, n.Handle, name, n.Role, strings.Join(n.Languages, ","), store.At(tx.Now))
	if err != nil {
		return Staff{}, "", err
	}
	code, err := d.NewStaffCode(ctx, tx, s)
	return s, code, err
}

// serverHandle is that of the server itself on the record: of whoever works on its
// command line, and of what the program does by the clock.
const serverHandle = "(server)"

// Server is who acts where nobody of the staff does. It is in no team, reaches no
// chat and may nothing; it only stands on record.
func (d *Desk) Server(ctx context.Context, tx *store.Tx, from Place) (Staff, error) {
	s, known, err := d.findStaff(ctx, tx, `handle = ?`, serverHandle)
	if err != nil {
		return Staff{}, err
	}
	if s.From = (Origin{Place: from}); known {
		return s, nil
	}
	s = Staff{Handle: serverHandle, Name: "the server", Role: Administrator, Languages: []string{phrase.Languages[0]}, Left: tx.Now, From: s.From}
	if s.Person, err = d.Vault.Add(ctx, tx); err != nil {
		return Staff{}, err
	}
	name, err := d.Vault.Seal(ctx, tx, s.Person, "staff name", []byte(s.Name))
	if err != nil {
		return Staff{}, err
	}
	err = tx.Get(ctx, &s.ID, `INSERT INTO staff (person_id, handle, name, role, languages, left_at, created_at) VALUES (?, ?, ?, ?, ?, ?, ?) RETURNING id`,
		s.Person, s.Handle, name, s.Role, s.Language(), store.At(tx.Now), store.At(tx.Now))
	return s, err
}

// NewStaffCode draws a fresh sign-up code, for somebody new or with a new phone.
// The one before it is void.
func (d *Desk) NewStaffCode(ctx context.Context, tx *store.Tx, s Staff) (string, error) {
	code := reminders.NewCode()
	_, err := tx.Exec(ctx, `UPDATE staff SET code_hash = ?, expires_at = ? WHERE id = ? AND left_at IS NULL`,
		d.Vault.Hash("code", code), store.At(tx.Now.Add(d.Policy.CodeValid)), s.ID)
	return code, err
}

// Join links a chat to the one whose code it is, and uses the code up. False when
// the code is not good, or the chat is somebody else's: whoever tries learns no
// more.
func (d *Desk) Join(ctx context.Context, tx *store.Tx, code, chat string) (Staff, bool, error) {
	s, known, err := d.CodeHolder(ctx, tx, code)
	if err != nil || !known {
		return Staff{}, false, err
	}
	linked, err := d.Vault.Link(ctx, tx, s.Person, chat)
	if err != nil || !linked {
		return Staff{}, false, err
	}
	err = d.SpendCode(ctx, tx, s)
	return s, err == nil, err
}

// CodeHolder is the one whose sign-up code this is; false when it is not good.
func (d *Desk) CodeHolder(ctx context.Context, tx *store.Tx, code string) (Staff, bool, error) {
	code = reminders.TidyCode(code)
	if code == "" {
		return Staff{}, false, nil
	}
	return d.findStaff(ctx, tx, `code_hash = ? AND expires_at > ? AND left_at IS NULL`, d.Vault.Hash("code", code), store.At(tx.Now))
}

// SpendCode uses somebody's sign-up code up.
func (d *Desk) SpendCode(ctx context.Context, tx *store.Tx, s Staff) error {
	_, err := tx.Exec(ctx, `UPDATE staff SET code_hash = NULL, expires_at = NULL WHERE id = ?`, s.ID)
	return err
}

// staffRow is somebody as the table has her.
type staffRow struct {
	ID        int64       `db:"id"`
	Person    seal.Person `db:"person_id"`
	Handle    string      `db:"handle"`
	Name      []byte      `db:"name"`
	Role      Role        `db:"role"`
	Languages string      `db:"languages"`
	Left      store.Time  `db:"left_at"`
}

func (d *Desk) open(ctx context.Context, tx *store.Tx, r staffRow) (Staff, error) {
	name, err := d.Vault.Open(ctx, tx, r.Person, "staff name", r.Name)
	if err != nil {
		return Staff{}, fmt.Errorf("staff %d: %w", r.ID, err)
	}
	return Staff{ID: r.ID, Person: r.Person, Handle: r.Handle, Name: string(name), Role: r.Role,
		Languages: strings.Split(r.Languages, ","), Left: r.Left.Time}, nil
}

const staffColumns = `SELECT id, person_id, handle, name, role, languages, left_at FROM staff WHERE `

func (d *Desk) findStaff(ctx context.Context, tx *store.Tx, where string, args ...any) (Staff, bool, error) {
	var r staffRow
	known, err := tx.Find(ctx, &r, staffColumns+where, args...)
	if err != nil || !known {
		return Staff{}, false, err
	}
	s, err := d.open(ctx, tx, r)
	return s, err == nil, err
}

// StaffByPerson is the member of staff who is this person; false when she is
// none, or has left.
func (d *Desk) StaffByPerson(ctx context.Context, tx *store.Tx, p seal.Person) (Staff, bool, error) {
	return d.findStaff(ctx, tx, `person_id = ? AND left_at IS NULL`, p)
}

// StaffByHandle is the member of staff with this handle; a *Refused when there is
// none, or she has left.
func (d *Desk) StaffByHandle(ctx context.Context, tx *store.Tx, handle string) (Staff, error) {
	s, known, err := d.findStaff(ctx, tx, `handle = ? AND left_at IS NULL`, strings.ToLower(strings.TrimSpace(handle)))
	if err == nil && !known {
		err = Refuse("no_staff", phrase.Args{"handle": handle})
	}
	return s, err
}

// StaffMember is somebody by number, also after she has left.
func (d *Desk) StaffMember(ctx context.Context, tx *store.Tx, id int64) (Staff, error) {
	s, known, err := d.findStaff(ctx, tx, `id = ?`, id)
	if err == nil && !known {
		err = Refuse("no_staff", phrase.Args{"handle": fmt.Sprint(id)})
	}
	return s, err
}

// Team is everybody who works here, by number.
func (d *Desk) Team(ctx context.Context, tx *store.Tx) ([]Staff, error) {
	var rows []staffRow
	if err := tx.Select(ctx, &rows, staffColumns+`left_at IS NULL ORDER BY id`); err != nil {
		return nil, err
	}
	team := make([]Staff, 0, len(rows))
	for _, r := range rows {
		s, err := d.open(ctx, tx, r)
		if err != nil {
			return nil, err
		}
		team = append(team, s)
	}
	return team, nil
}

// Leave ends somebody's work here: she gets nothing more, her shifts are off the
// rota, and what she held goes up the ladder anew.
func (d *Desk) Leave(ctx context.Context, tx *store.Tx, s Staff) error {
	if _, err := tx.Exec(ctx, `UPDATE staff SET left_at = ?, code_hash = NULL, expires_at = NULL WHERE id = ? AND left_at IS NULL`,
		store.At(tx.Now), s.ID); err != nil {
		return err
	}
	if err := d.endShifts(ctx, tx, s); err != nil {
		return err
	}
	if _, err := d.Outbox.WithdrawMessages(ctx, tx, s.Person, outbox.Alert, outbox.Escalation, outbox.Reply); err != nil {
		return err
	}
	var held []int64
	if err := tx.Select(ctx, &held, `SELECT id FROM cases WHERE holder_id = ? AND state = 'taken' ORDER BY id`, s.ID); err != nil {
		return err
	}
	for _, id := range held {
		c, err := d.Case(ctx, tx, id)
		if err != nil {
			return err
		}
		if err := d.release(ctx, tx, c, Released, seal.House, 0); err != nil {
			return err
		}
	}
	return nil
}
