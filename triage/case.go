package triage

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage/rules"
)

// State is where a case stands.
type State string

// The states.
const (
	Open   State = "open"
	Taken  State = "taken"
	Closed State = "closed"
)

// Case is something that waits for a person.
type Case struct {
	ID      int64
	Key     string
	Patient int64 // 0 for none
	Person  seal.Person
	Reason  Reason
	Urgency rules.Urgency
	PageNow bool
	State   State
	Holder  int64 // staff; 0 for none
	Rung    int   // how many rungs have rung since it was last put on the ladder
	Body    Body
	// Opened, and for a case that has been, Taken and Closed.
	Opened, TakenAt, ClosedAt time.Time
	Outcome                   Outcome
	// Events are filled by Show, in order.
	Events []Event
}

// Body is what a case says, sealed under the person's key.
type Body struct {
	Words    string        `json:"words,omitempty"`    // hers
	Rules    []string      `json:"rules,omitempty"`    // ids of the rules that held
	Spans    []Span        `json:"spans,omitempty"`    // what in her words they read
	Title    phrase.Args   `json:"title,omitempty"`    // fills the gaps of the reason's title
	Notes    []Line        `json:"notes,omitempty"`    // what the program knows and she did not write
	Caution  string        `json:"caution,omitempty"`  // key of the caution that she was shown
	Language string        `json:"language,omitempty"` // hers
	Urgency  rules.Urgency `json:"urgency,omitempty"`  // of this message
	// Draft is what waits for a second person, in the form that its package reads;
	// By is the colleague who entered it and does not check it herself.
	Draft json.RawMessage `json:"draft,omitempty"`
	By    int64           `json:"by,omitempty"`
}

// Span is a part of her words, in bytes, and what was read in it.
type Span struct {
	From    int    `json:"from"`
	To      int    `json:"to"`
	Finding string `json:"finding"`
	State   string `json:"state"` // present, or why it does not count
}

// Line is a sentence of the phrasebook, told to each in her own language.
type Line struct {
	Key  string      `json:"key"`
	Args phrase.Args `json:"args,omitempty"`
}

// What says what happened to a case.
type What string

// The events.
const (
	Began       What = "opened"
	Wrote       What = "wrote"  // the patient, or the program about her
	Raised      What = "raised" // to a higher urgency, or to be looked at now
	Alerted     What = "alerted"
	AlertFailed What = "alert_failed"
	TookIt      What = "taken"
	Replied     What = "answered"
	HandedOver  What = "handed_over"
	Proposed    What = "proposed"  // what a colleague should say to her in her language
	Released    What = "released"  // its holder left
	Came        What = "came_back" // to its holder, having stayed too long
	Mooted      What = "mooted"    // what it asked for has happened
	Misread     What = "misread"   // a colleague says that her words were read wrongly
	Ended       What = "closed"
)

// Event is something that happened to a case.
type Event struct {
	ID   int64
	At   time.Time
	What What
	By   seal.Person // the house for the program
	To   int64       // whom it was for: staff; 0 for nobody
	Body Body
}

type caseRow struct {
	ID       int64       `db:"id"`
	Key      string      `db:"key"`
	Patient  *int64      `db:"patient_id"`
	Person   seal.Person `db:"person_id"`
	Reason   Reason      `db:"reason"`
	Urgency  string      `db:"urgency"`
	PageNow  bool        `db:"page_now"`
	State    State       `db:"state"`
	Holder   *int64      `db:"holder_id"`
	Rung     int         `db:"rung"`
	Body     []byte      `db:"body"`
	Opened   store.Time  `db:"opened_at"`
	TakenAt  store.Time  `db:"taken_at"`
	ClosedAt store.Time  `db:"closed_at"`
	Outcome  *string     `db:"outcome"`
}

const caseColumns = `SELECT id, key, patient_id, person_id, reason, urgency, page_now, state, holder_id, rung, body,
	opened_at, taken_at, closed_at, outcome FROM cases WHERE `

func (d *Desk) cases(ctx context.Context, tx *store.Tx, where string, args ...any) ([]Case, error) {
	var rows []caseRow
	if err := tx.Select(ctx, &rows, caseColumns+where, args...); err != nil {
		return nil, err
	}
	all := make([]Case, 0, len(rows))
	for _, r := range rows {
		c, err := d.unseal(ctx, tx, r)
		if err != nil {
			return nil, fmt.Errorf("case %d: %w", r.ID, err)
		}
		all = append(all, c)
	}
	return all, nil
}

func (d *Desk) unseal(ctx context.Context, tx *store.Tx, r caseRow) (Case, error) {
	u, err := rules.ParseUrgency(r.Urgency)
	if err != nil {
		return Case{}, err
	}
	c := Case{ID: r.ID, Key: r.Key, Person: r.Person, Reason: r.Reason, Urgency: u, PageNow: r.PageNow, State: r.State,
		Rung: r.Rung, Opened: r.Opened.Time, TakenAt: r.TakenAt.Time, ClosedAt: r.ClosedAt.Time}
	if r.Patient != nil {
		c.Patient = *r.Patient
	}
	if r.Holder != nil {
		c.Holder = *r.Holder
	}
	if r.Outcome != nil {
		c.Outcome = Outcome(*r.Outcome)
	}
	c.Body, err = d.body(ctx, tx, r.Person, r.Body)
	return c, err
}

// body reads what was sealed. Of somebody who has been erased nothing is left to
// read, and the case goes on without it.
func (d *Desk) body(ctx context.Context, tx *store.Tx, p seal.Person, sealed []byte) (b Body, err error) {
	if len(sealed) == 0 {
		return b, nil
	}
	plain, err := d.Vault.Open(ctx, tx, p, "case", sealed)
	if errors.Is(err, seal.ErrSealed) {
		return Body{}, nil
	}
	if err != nil {
		return b, err
	}
	if json.Unmarshal(plain, &b) != nil {
		return b, errors.New("the body does not hold what it should")
	}
	return b, nil
}

func (d *Desk) sealBody(ctx context.Context, tx *store.Tx, p seal.Person, b Body) ([]byte, error) {
	plain, err := json.Marshal(b)
	if err != nil {
		return nil, fmt.Errorf("write down a case: %w", err)
	}
	return d.Vault.Seal(ctx, tx, p, "case", plain)
}

// Case is a case by number; a *Refused when there is none.
func (d *Desk) Case(ctx context.Context, tx *store.Tx, id int64) (Case, error) {
	all, err := d.cases(ctx, tx, `id = ?`, id)
	if err == nil && len(all) == 0 {
		err = Refuse("no_case", phrase.Args{"case": fmt.Sprint(id)})
	}
	if err != nil {
		return Case{}, err
	}
	return all[0], nil
}

// Live are the cases that are not closed: the most urgent first, of those the
// ones that wait the longest.
func (d *Desk) Live(ctx context.Context, tx *store.Tx) ([]Case, error) {
	return d.sorted(ctx, tx, `state <> 'closed'`)
}

// ForPerson are the live cases about somebody, in the order of Live.
func (d *Desk) ForPerson(ctx context.Context, tx *store.Tx, p seal.Person) ([]Case, error) {
	return d.sorted(ctx, tx, `person_id = ? AND state <> 'closed'`, p)
}

func (d *Desk) sorted(ctx context.Context, tx *store.Tx, where string, args ...any) ([]Case, error) {
	all, err := d.cases(ctx, tx, where, args...)
	slices.SortFunc(all, func(a, b Case) int {
		return cmp.Or(cmp.Compare(b.Urgency, a.Urgency), a.Opened.Compare(b.Opened), cmp.Compare(a.ID, b.ID))
	})
	return all, err
}

// Awaiting is the live case in which somebody has answered p and may be waiting
// for her reply; false when there is none.
func (d *Desk) Awaiting(ctx context.Context, tx *store.Tx, p seal.Person) (Case, bool, error) {
	var id int64
	answered, err := tx.Find(ctx, &id, `SELECT case_id FROM case_events WHERE id = (SELECT max(e.id) FROM case_events e JOIN cases c ON c.id = e.case_id
		WHERE c.person_id = ? AND c.state <> 'closed' AND e.what = 'answered')`, p)
	if err != nil || !answered {
		return Case{}, false, err
	}
	c, err := d.Case(ctx, tx, id)
	return c, err == nil, err
}

// Show is a case with everything that happened to it.
func (d *Desk) Show(ctx context.Context, tx *store.Tx, id int64) (Case, error) {
	c, err := d.Case(ctx, tx, id)
	if err != nil {
		return c, err
	}
	var rows []struct {
		ID   int64       `db:"id"`
		At   store.Time  `db:"at"`
		What What        `db:"what"`
		By   seal.Person `db:"by"`
		To   *int64      `db:"to_staff"`
		Body []byte      `db:"body"`
	}
	if err := tx.Select(ctx, &rows, `SELECT id, at, what, by, to_staff, body FROM case_events WHERE case_id = ? ORDER BY id`, id); err != nil {
		return c, err
	}
	for _, r := range rows {
		e := Event{ID: r.ID, At: r.At.Time, What: r.What, By: r.By}
		if r.To != nil {
			e.To = *r.To
		}
		if e.Body, err = d.body(ctx, tx, c.Person, r.Body); err != nil {
			return c, fmt.Errorf("event %d: %w", r.ID, err)
		}
		c.Events = append(c.Events, e)
	}
	return c, nil
}

// event is one to be written.
type event struct {
	what  What
	by    seal.Person // zero for the program
	to    int64
	cause string
	body  *Body
}

func (d *Desk) note(ctx context.Context, tx *store.Tx, c Case, e event) (id int64, err error) {
	if e.by == 0 {
		e.by = seal.House
	}
	var sealed []byte
	if e.body != nil {
		if sealed, err = d.sealBody(ctx, tx, c.Person, *e.body); err != nil {
			return 0, err
		}
	}
	err = tx.Get(ctx, &id, `INSERT INTO case_events (case_id, at, what, by, to_staff, cause, body) VALUES (?, ?, ?, ?, ?, ?, ?) RETURNING id`,
		c.ID, store.At(tx.Now), e.what, e.by, orNull(e.to), orNull(e.cause), sealed)
	if d.Changed != nil && err == nil {
		tx.AfterCommit(d.Changed)
	}
	return id, err
}

func orNull[T comparable](v T) any {
	var zero T
	if v == zero {
		return nil
	}
	return v
}
