// Package care is what staff do for a patient, one function an action: take her
// in, enter and correct the facts of her cycle, order medication, tell a result,
// hush and lift, look at her calendar and at the lists of a day. Chat and pages
// call them; nothing is decided anywhere else.
//
// It owns no table of its own: patients and facts belong to reminders, cases and
// the record of actions to triage. Every function asks the roles table first,
// shows beforehand what it would move, and puts what it did on record.
//
// It refuses to save what cannot be true, to let one person both order and check
// a trigger, and to let any result reach a patient before a person has told her.
package care

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// Care is the staff's hand. Its methods work inside the caller's transaction and
// take the time from it.
type Care struct {
	Book *reminders.Book
	Desk *triage.Desk
	// Wrote are the last n things that somebody wrote, the latest first; nil where
	// nothing is known of that.
	Wrote func(ctx context.Context, tx *store.Tx, p seal.Person, n int) ([]Wrote, error)
}

// Who looks a patient up for the queue. It is the desk's Who.
func Who(book *reminders.Book) func(context.Context, *store.Tx, seal.Person) (triage.Known, error) {
	return func(ctx context.Context, tx *store.Tx, who seal.Person) (triage.Known, error) {
		p, known, err := book.ByPerson(ctx, tx, who)
		if err != nil || !known || p.Erased {
			return triage.Known{}, err
		}
		return triage.Known{ID: p.ID, Label: Label(p), Language: p.Language, OptedOut: !p.OptedOut.IsZero(), Unreachable: !p.Unreachable.IsZero()}, nil
	}
}

// Label is how staff call a patient.
func Label(p reminders.Patient) string { return strings.TrimSpace(p.Handle + " " + p.Name) }

// Find is the patient with a handle.
func (c *Care) Find(ctx context.Context, tx *store.Tx, actor triage.Staff, handle string) (reminders.Patient, error) {
	if err := actor.May(triage.SeePatients); err != nil {
		return reminders.Patient{}, err
	}
	p, err := c.Book.ByHandle(ctx, tx, handle)
	if errors.Is(err, reminders.ErrNoPatient) {
		return p, triage.Refuse("no_patient", phrase.Args{"handle": strings.ToUpper(handle)})
	}
	return p, err
}

// said is who enters something, and in which message.
func said(actor triage.Staff, inbox int64) reminders.Said {
	return reminders.Said{By: actor.Person, Inbox: inbox}
}

// did puts an action on a patient on record.
func (c *Care) did(ctx context.Context, tx *store.Tx, actor triage.Staff, a triage.Action, p reminders.Patient, fact int64, note string) error {
	r := triage.Ref{Patient: p.ID, Fact: fact, Person: p.Person}
	if p.Erased {
		r.Person = 0 // nothing can be sealed for her any more
	}
	return c.Desk.Did(ctx, tx, actor, a, r, note)
}

// inWords turns what the book refuses into what staff are told.
func inWords(err error) error {
	var unknown *reminders.UnknownItem
	switch {
	case errors.Is(err, reminders.ErrNoCycle):
		return triage.Refuse("no_cycle", nil)
	case errors.Is(err, reminders.ErrHandleTaken):
		return triage.Refuse("patient_handle_taken", nil)
	case errors.As(err, &unknown):
		return triage.Refuse("no_item", phrase.Args{"items": strings.Join(unknown.Known, ", ")})
	}
	return err
}

// factKey is the cause of what follows from a fact.
func factKey(n int64) string { return fmt.Sprintf("fact/%d", n) }

// actionFor is what somebody must be allowed to do to enter a fact.
func actionFor(f plan.Fact) triage.Action {
	switch {
	case f.Kind == plan.Retracted || f.Replaces != "":
		return triage.Correct
	case f.Kind == plan.OrderGiven || f.Kind == plan.StopOrder:
		return triage.Order
	case f.Kind == plan.TriggerOrder:
		return triage.OrderTrigger
	case f.Kind == plan.Cancelled:
		return triage.Cancel
	}
	return triage.EnterFact
}
