package care

import (
	"context"
	"slices"
	"strings"
	"time"
	"unicode"

	"golang.org/x/text/runes"
	"golang.org/x/text/transform"
	"golang.org/x/text/unicode/norm"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// Wrote is something that a patient wrote or sent.
type Wrote struct {
	ID   int64 // of the message in the inbox
	At   time.Time
	Text string
	// Attachment names what she sent beside or instead of words, in one word.
	Attachment string
	Edited     bool // another wording of something written before
}

// Letter is one message between a patient and the clinic.
type Letter struct {
	At time.Time
	// Hers is what she wrote; nil for what was, or will be, written to her.
	Hers *Wrote
	// Ours is what was written to her and how that stands.
	Ours *outbox.Item
}

// lettersAhead is how many messages that are still to go out are shown.
const lettersAhead = 4

// Letters are the last n messages from and to a patient, and the next few that lie
// ahead, the latest first. The caller has put the look on record.
func (c *Care) Letters(ctx context.Context, tx *store.Tx, actor triage.Staff, p reminders.Patient, n int) ([]Letter, error) {
	if err := actor.May(triage.SeePatients); err != nil {
		return nil, err
	}
	sent, err := c.Book.Outbox.History(ctx, tx, p.Person, n, lettersAhead)
	if err != nil {
		return nil, err
	}
	var all []Letter
	for _, m := range sent {
		at := m.Sent
		if at.IsZero() {
			at = m.Due
		}
		all = append(all, Letter{At: at, Ours: &m})
	}
	if c.Wrote != nil {
		hers, err := c.Wrote(ctx, tx, p.Person, n)
		if err != nil {
			return nil, err
		}
		for _, w := range hers {
			all = append(all, Letter{At: w.At, Hers: &w})
		}
	}
	slices.SortStableFunc(all, func(a, b Letter) int { return b.At.Compare(a.At) })
	return all[:min(n+lettersAhead, len(all))], nil
}

// File is a case with what is known about whom it is about.
type File struct {
	Case    triage.Case // with its events
	Patient reminders.Patient
	Known   bool // there is a patient
	Plan    plan.Plan
	Cycle   reminders.Cycle
	Ahead   []triage.Rung
}

// File is everything about a case. Looking is on record.
func (c *Care) File(ctx context.Context, tx *store.Tx, actor triage.Staff, id int64) (File, error) {
	f, err := c.Glance(ctx, tx, actor, id)
	if err != nil {
		return f, err
	}
	if !f.Known {
		return f, c.Desk.Did(ctx, tx, actor, triage.SeeCases, triage.Ref{Case: id}, "")
	}
	return f, c.Desk.Did(ctx, tx, actor, triage.SeeCases, triage.Ref{Patient: f.Patient.ID, Case: id, Person: f.Patient.Person}, "")
}

// Glance is File for a page that is open already and whose look is on record.
func (c *Care) Glance(ctx context.Context, tx *store.Tx, actor triage.Staff, id int64) (File, error) {
	if err := actor.May(triage.SeeCases); err != nil {
		return File{}, err
	}
	cs, err := c.Desk.Show(ctx, tx, id)
	if err != nil {
		return File{}, err
	}
	f := File{Case: cs}
	if f.Ahead, err = c.Desk.Ahead(ctx, tx, cs); err != nil {
		return f, err
	}
	if f.Patient, f.Known, err = c.known(ctx, tx, cs); err != nil || !f.Known {
		return f, err
	}
	f.Plan, f.Cycle, err = c.Book.Plan(ctx, tx, f.Patient.ID)
	return f, err
}

// known is the patient whom a case is about; false for none, or for one who has
// been erased.
func (c *Care) known(ctx context.Context, tx *store.Tx, cs triage.Case) (reminders.Patient, bool, error) {
	k, err := c.Desk.Who(ctx, tx, cs.Person)
	if err != nil || k.ID == 0 {
		return reminders.Patient{}, false, err
	}
	p, err := c.Book.Patient(ctx, tx, k.ID)
	return p, err == nil, err
}

// AnswerApproved sends an approved text with the clinic's own numbers in it.
func (c *Care) AnswerApproved(ctx context.Context, tx *store.Tx, actor triage.Staff, id int64, name, cause string) (triage.Case, error) {
	return c.Desk.AnswerApproved(ctx, tx, actor, id, name, c.Numbers(), cause)
}

// Numbers are the clinic's own, for the gaps of a sentence.
func (c *Care) Numbers() phrase.Args {
	k := c.Book.Policy.Clinic
	return phrase.Args{"desk": k.FrontDesk, "on_call": k.OnCallPhone, "emergency": k.EmergencyNumber}
}

// resultWords are words by which an answer may tell a result, which a person does by
// phone or in the room.
var resultWords = []string{"hcg", "beta", "positive", "negative", "positivo", "positiva", "negativo", "negativa", "pregnant", "embarazada", "heartbeat", "latido", "miscarriage", "aborto"}

// TellsResult reports whether the words of an answer look as if they told a result.
func TellsResult(words string) bool {
	plain, _, err := transform.String(transform.Chain(norm.NFD, runes.Remove(runes.In(unicode.Mn)), norm.NFC), strings.ToLower(words))
	if err != nil {
		plain = strings.ToLower(words)
	}
	said := strings.FieldsFunc(plain, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
	return slices.ContainsFunc(resultWords, func(w string) bool { return slices.Contains(said, w) })
}
