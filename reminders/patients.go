package reminders

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Patient is somebody in the clinic's care.
type Patient struct {
	ID       int64
	Person   seal.Person
	Handle   string // the clinic's own short name for her, as P-101
	Name     string
	Language string // ISO 639-1, one of those that the phrasebook speaks
	// Neutral: notifications hold nothing that a bystander could understand.
	Neutral  bool
	Enrolled bool
	// Since when she wants no messages, cannot be reached, or is hushed by the
	// staff; the zero time when not.
	OptedOut, Unreachable, Hushed time.Time
	// Consent is the wording that she agreed to last; "" for none.
	Consent string
	// Erased: her key has been destroyed, and nothing about her can be read.
	Erased bool
}

// Quiet reports whether she must not be sent anything of her plan.
func (p Patient) Quiet() bool {
	return p.Erased || !p.Enrolled || !p.OptedOut.IsZero() || !p.Unreachable.IsZero() || !p.Hushed.IsZero()
}

// NewPatient is what is needed to take somebody into the book.
type NewPatient struct {
	Handle, Name, Language string
	Neutral                bool
}

// Errors that a person must do something about.
var (
	ErrHandleTaken = errors.New("this handle belongs to another patient: choose another")
	ErrNoPatient   = errors.New("there is no patient with this handle: check it, or add her first")
	ErrCode        = errors.New("this code is not known, has been used or has expired: ask the clinic for a new one")
)

// AddPatient takes somebody into the book. She is not enrolled before she has
// used a code and agreed.
func (b *Book) AddPatient(ctx context.Context, tx *store.Tx, n NewPatient) (Patient, error) {
	n.Handle, n.Name = strings.ToUpper(strings.TrimSpace(n.Handle)), strings.TrimSpace(n.Name)
	switch {
	case n.Handle == "" || len(n.Handle) > 20 || strings.ContainsAny(n.Handle, " \t\n/"):
		return Patient{}, fmt.Errorf("a handle is one word of at most 20 characters, such as P-101")
	case n.Name == "" || len(n.Name) > 200:
		return Patient{}, fmt.Errorf("a name has 1 to 200 characters")
	case !slices.Contains(b.Policy.Clinic.Languages, n.Language):
		return Patient{}, fmt.Errorf("the clinic's chat speaks %s: choose one of them", strings.Join(b.Policy.Clinic.Languages, ", "))
	}
	person, err := b.Vault.Add(ctx, tx)
	if err != nil {
		return Patient{}, err
	}
	name, err := b.Vault.Seal(ctx, tx, person, "name", []byte(n.Name))
	if err != nil {
		return Patient{}, err
	}
	var id int64
	err = tx.Get(ctx, &id, `INSERT INTO patients (person_id, handle, name, language, neutral, created_at) VALUES (?, ?, ?, ?, ?, ?) RETURNING id`,
		person, n.Handle, name, n.Language, n.Neutral, store.At(tx.Now))
	if store.Taken(err) {
		return Patient{}, ErrHandleTaken
	}
	if err != nil {
		return Patient{}, err
	}
	return b.Patient(ctx, tx, id)
}

// patientRow is a patient as the table has her.
type patientRow struct {
	ID          int64       `db:"id"`
	Person      seal.Person `db:"person_id"`
	Handle      string      `db:"handle"`
	Name        []byte      `db:"name"`
	Language    string      `db:"language"`
	Neutral     bool        `db:"neutral"`
	State       string      `db:"state"`
	OptedOut    store.Time  `db:"opted_out_at"`
	Unreachable store.Time  `db:"unreachable_at"`
	Hushed      store.Time  `db:"hushed_at"`
	Consent     *string     `db:"consent_version"`
}

const patientColumns = `SELECT id, person_id, handle, name, language, neutral, state, opted_out_at, unreachable_at, hushed_at, consent_version FROM patients`

func (b *Book) open(ctx context.Context, tx *store.Tx, r patientRow) (Patient, error) {
	name, err := b.Vault.Open(ctx, tx, r.Person, "name", r.Name)
	erased := errors.Is(err, seal.ErrErased)
	if err != nil && !erased {
		return Patient{}, fmt.Errorf("patient %d: %w", r.ID, err)
	}
	p := Patient{ID: r.ID, Person: r.Person, Handle: r.Handle, Name: string(name), Language: r.Language, Neutral: r.Neutral,
		Enrolled: r.State == "enrolled", OptedOut: r.OptedOut.Time, Unreachable: r.Unreachable.Time, Hushed: r.Hushed.Time, Erased: erased}
	if r.Consent != nil {
		p.Consent = *r.Consent
	}
	return p, nil
}

// Patient is the patient with this number.
func (b *Book) Patient(ctx context.Context, tx *store.Tx, id int64) (Patient, error) {
	var r patientRow
	if err := tx.Get(ctx, &r, patientColumns+` WHERE id = ?`, id); err != nil {
		return Patient{}, fmt.Errorf("patient %d: %w", id, err)
	}
	return b.open(ctx, tx, r)
}

// ByHandle is the patient whom the clinic calls by this handle; ErrNoPatient when
// there is none.
func (b *Book) ByHandle(ctx context.Context, tx *store.Tx, handle string) (Patient, error) {
	var r patientRow
	found, err := tx.Find(ctx, &r, patientColumns+` WHERE handle = ?`, strings.ToUpper(strings.TrimSpace(handle)))
	if err != nil {
		return Patient{}, err
	}
	if !found {
		return Patient{}, ErrNoPatient
	}
	return b.open(ctx, tx, r)
}

// VoidCodes makes every code that has not been used worthless.
func (b *Book) VoidCodes(ctx context.Context, tx *store.Tx) error {
	_, err := tx.Exec(ctx, `UPDATE enrolment_codes SET expires_at = ? WHERE used_at IS NULL AND expires_at > ?`, store.At(tx.Now), store.At(tx.Now))
	return err
}

// NumberOf is the number of whoever has a handle, also when she has been erased;
// ErrNoPatient when nobody has it.
func (b *Book) NumberOf(ctx context.Context, tx *store.Tx, handle string) (int64, error) {
	var id int64
	found, err := tx.Find(ctx, &id, `SELECT id FROM patients WHERE handle = ?`, strings.ToUpper(strings.TrimSpace(handle)))
	if err == nil && !found {
		err = ErrNoPatient
	}
	return id, err
}

// HandleOf is a patient's handle, also when she has been erased.
func (b *Book) HandleOf(ctx context.Context, tx *store.Tx, patient int64) (string, error) {
	var handle string
	err := tx.Get(ctx, &handle, `SELECT handle FROM patients WHERE id = ?`, patient)
	return handle, err
}

// ByPerson is the patient who is this person; false when the person is none.
func (b *Book) ByPerson(ctx context.Context, tx *store.Tx, who seal.Person) (Patient, bool, error) {
	var r patientRow
	found, err := tx.Find(ctx, &r, patientColumns+` WHERE person_id = ?`, who)
	if err != nil || !found {
		return Patient{}, false, err
	}
	p, err := b.open(ctx, tx, r)
	return p, err == nil, err
}

// Patients are all of them, by handle.
func (b *Book) Patients(ctx context.Context, tx *store.Tx) ([]Patient, error) {
	var rows []patientRow
	if err := tx.Select(ctx, &rows, patientColumns+` ORDER BY handle`); err != nil {
		return nil, err
	}
	all := make([]Patient, 0, len(rows))
	for _, r := range rows {
		p, err := b.open(ctx, tx, r)
		if err != nil {
			return nil, err
		}
		all = append(all, p)
	}
	return all, nil
}

// codeAlphabet has the digits and letters of Crockford's base 32, which leaves
// out what is read as something else: I, L, O, U.
const codeAlphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

// NewCode draws a code of 40 random bits, written as XXXX-XXXX.
func NewCode() string {
	var drawn [8]byte
	_, _ = rand.Read(drawn[:]) // never fails
	for i := range drawn {
		drawn[i] = codeAlphabet[int(drawn[i])%len(codeAlphabet)]
	}
	return string(drawn[:4]) + "-" + string(drawn[4:])
}

// TidyCode brings a code that somebody typed into the form that NewCode draws;
// "" when it cannot be a code.
func TidyCode(s string) string {
	s = strings.ToUpper(strings.NewReplacer("-", "", " ", "", "\u2013", "", "\u2014", "").Replace(s))
	s = strings.NewReplacer("O", "0", "I", "1", "L", "1").Replace(s)
	if len(s) != 8 || strings.Trim(s, codeAlphabet) != "" {
		return ""
	}
	return s[:4] + "-" + s[4:]
}

// Invite draws an enrolment code for a patient. It is good once, and for as long
// as the policy says; codes drawn for her before are void. The code is shown to
// whoever hands it to her and is not kept.
func (b *Book) Invite(ctx context.Context, tx *store.Tx, patient int64) (code string, until time.Time, err error) {
	if _, err := tx.Exec(ctx, `UPDATE enrolment_codes SET expires_at = ? WHERE patient_id = ? AND used_at IS NULL AND expires_at > ?`,
		store.At(tx.Now), patient, store.At(tx.Now)); err != nil {
		return "", time.Time{}, err
	}
	code, until = NewCode(), tx.Now.Add(b.Policy.Enrolment.CodeValid)
	_, err = tx.Exec(ctx, `INSERT INTO enrolment_codes (code_hash, patient_id, expires_at, created_at) VALUES (?, ?, ?, ?)`,
		b.Vault.Hash("code", code), patient, store.At(until), store.At(tx.Now))
	return code, until, err
}

// Redeem uses a code up and links the chat to its patient. It is ErrCode when
// the code is not good, or when the chat belongs to somebody else already:
// whoever tries learns no more than that.
func (b *Book) Redeem(ctx context.Context, tx *store.Tx, code, chat string) (Patient, error) {
	hash := b.Vault.Hash("code", TidyCode(code))
	var id int64
	good, err := tx.Find(ctx, &id, `SELECT patient_id FROM enrolment_codes WHERE code_hash = ? AND used_at IS NULL AND expires_at > ?`,
		hash, store.At(tx.Now))
	if err != nil {
		return Patient{}, err
	}
	if !good {
		return Patient{}, ErrCode
	}
	p, err := b.Patient(ctx, tx, id)
	if err != nil {
		return Patient{}, err
	}
	if p.Erased {
		return Patient{}, ErrCode
	}
	linked, err := b.Vault.Link(ctx, tx, p.Person, chat)
	if err != nil {
		return Patient{}, err
	}
	if !linked {
		return Patient{}, ErrCode
	}
	// In a chat of her own she needs nobody else's.
	shared, err := b.links(ctx, tx, `patient_id = ? AND relation = ? AND until_at IS NULL`, p.ID, Account)
	if err != nil {
		return Patient{}, err
	}
	for _, l := range shared {
		if err := b.EndLink(ctx, tx, l); err != nil {
			return Patient{}, err
		}
	}
	_, err = tx.Exec(ctx, `UPDATE enrolment_codes SET used_at = ? WHERE code_hash = ?`, store.At(tx.Now), hash)
	return p, err
}

// PurgeCodes removes codes that were good until an instant or before, used or not, and
// reports how many.
func (b *Book) PurgeCodes(ctx context.Context, tx *store.Tx, before time.Time) (int64, error) {
	return tx.Exec(ctx, `DELETE FROM enrolment_codes WHERE expires_at < ?`, store.At(before))
}

// Agree records that she agreed to be written to, and to which wording of the
// consent. Her first cycle begins to be waited for.
func (b *Book) Agree(ctx context.Context, tx *store.Tx, patient int64, version string) error {
	if err := b.answerConsent(ctx, tx, patient, version, true); err != nil {
		return err
	}
	p, err := b.Patient(ctx, tx, patient)
	if err != nil {
		return err
	}
	if p.Enrolled {
		// To another wording than before: nothing else changes.
		if _, err := tx.Exec(ctx, `UPDATE patients SET consent_version = ?, consent_at = ? WHERE id = ?`, version, store.At(tx.Now), patient); err != nil {
			return err
		}
		_, err := b.Replan(ctx, tx, patient)
		return err
	}
	if _, err := tx.Exec(ctx, `UPDATE patients SET state = 'enrolled', consent_version = ?, consent_at = ?, opted_out_at = NULL WHERE id = ?`,
		version, store.At(tx.Now), patient); err != nil {
		return err
	}
	return b.openCycle(ctx, tx, patient)
}

// Decline records that she did not agree to a wording of the consent.
func (b *Book) Decline(ctx context.Context, tx *store.Tx, patient int64, version string) error {
	return b.answerConsent(ctx, tx, patient, version, false)
}

func (b *Book) answerConsent(ctx context.Context, tx *store.Tx, patient int64, version string, agreed bool) error {
	_, err := tx.Exec(ctx, `INSERT INTO consents (patient_id, version, language, agreed, at)
		SELECT id, ?, language, ?, ? FROM patients WHERE id = ?`, version, agreed, store.At(tx.Now), patient)
	return err
}

// SetLanguage changes the language in which she is spoken to.
func (b *Book) SetLanguage(ctx context.Context, tx *store.Tx, patient int64, lang string) error {
	if !slices.Contains(b.Policy.Clinic.Languages, lang) {
		return fmt.Errorf("the clinic's chat does not speak %q", lang)
	}
	_, err := tx.Exec(ctx, `UPDATE patients SET language = ? WHERE id = ?`, lang, patient)
	return err
}

// SetNeutral chooses between plain and neutral wording of notifications.
func (b *Book) SetNeutral(ctx context.Context, tx *store.Tx, patient int64, neutral bool) error {
	_, err := tx.Exec(ctx, `UPDATE patients SET neutral = ? WHERE id = ?`, neutral, patient)
	return err
}

// OptOut stops, or with false resumes, every message of her plan at her own word.
func (b *Book) OptOut(ctx context.Context, tx *store.Tx, patient int64, out bool) error {
	return b.mark(ctx, tx, `UPDATE patients SET opted_out_at = ? WHERE id = ?`, patient, out)
}

// SetUnreachable notes that she cannot be written to any more, or again.
func (b *Book) SetUnreachable(ctx context.Context, tx *store.Tx, patient int64, gone bool) error {
	return b.mark(ctx, tx, `UPDATE patients SET unreachable_at = ? WHERE id = ?`, patient, gone)
}

// Hush withdraws every message and calendar entry of hers that has not gone out
// and lets none be made, until a person lifts it.
func (b *Book) Hush(ctx context.Context, tx *store.Tx, patient int64, hushed bool) error {
	p, err := b.Patient(ctx, tx, patient)
	if err != nil {
		return err
	}
	if hushed {
		// Cautions and what colleagues wrote to her stay: a person said them, or
		// her life may hang on them.
		if _, err := b.Outbox.WithdrawMessages(ctx, tx, p.Person, outbox.Reply, outbox.Dose, outbox.Reminder); err != nil {
			return err
		}
	}
	return b.mark(ctx, tx, `UPDATE patients SET hushed_at = ? WHERE id = ?`, patient, hushed)
}

// mark sets or clears one of the marks that keep her from being written to, and
// brings the outbox in step.
func (b *Book) mark(ctx context.Context, tx *store.Tx, query string, patient int64, set bool) error {
	var at store.Time
	if set {
		at = store.At(tx.Now)
	}
	if _, err := tx.Exec(ctx, query, at, patient); err != nil {
		return err
	}
	_, err := b.Replan(ctx, tx, patient)
	return err
}
