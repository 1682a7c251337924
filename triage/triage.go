// Package triage is the human queue: who works at the clinic and may do what,
// who is on call, which cases wait for a person, and the ladder that an untaken
// case climbs.
//
// It owns the tables staff, on_call, cases, case_events, staff_actions,
// record_head and restores. A case
// is open (nobody has it: it climbs), taken (somebody has it: it comes back to
// her when it stays too long) or closed with an outcome:
//
//	Open ┌──────────── HandOver, a grave new message, the holder left
//	  │  ▼
//	  └▶ open ──Take──▶ taken ──Close──▶ closed
//
// Every promise about a case is a row of the outbox, written in the transaction
// that makes it: an alert to each person it is put before, and a task that rings
// the next rung. What was written by a patient is sealed under her key.
//
// The package refuses to let a case go silent, to let two people take the same
// one, and to let anybody do what the roles table does not allow her.
package triage

import (
	"context"
	"fmt"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Desk is the queue. Its methods work inside the caller's transaction and take
// the time from it.
type Desk struct {
	Vault   *seal.Vault
	Outbox  *outbox.Outbox
	Phrases *phrase.Book
	Policy  Policy
	// Who looks a patient up; the zero Known for a person who is none, or has been
	// erased.
	Who func(ctx context.Context, tx *store.Tx, p seal.Person) (Known, error)
	// Changed, where it is set, is called when something about a case is on disk.
	Changed func()
}

// Known is what the queue needs to know about a patient.
type Known struct {
	ID       int64
	Label    string // how staff call her, as "P-105 Citlali Vern"
	Language string // hers
	// OptedOut: she has asked for no messages, so that a person phones her.
	OptedOut bool
	// Unreachable: she has blocked the chat.
	Unreachable bool
}

// Refused says that something cannot be done, and in the phrasebook what to do
// instead. Its text holds no name and no message.
type Refused struct {
	// Key stands in the phrasebook as "refused.<Key>".
	Key  string
	Args phrase.Args
}

func (e *Refused) Error() string { return "refused: " + e.Key }

// Say is the refusal in a language.
func (e *Refused) Say(book *phrase.Book, lang string) string {
	return book.Say(lang, "refused."+e.Key, e.Args)
}

// Refuse makes a *Refused.
func Refuse(key string, args phrase.Args) error { return &Refused{Key: key, Args: args} }

// Tasks are the functions that the dispatcher runs for the queue, by name.
func (d *Desk) Tasks() map[string]outbox.TaskFunc {
	return map[string]outbox.TaskFunc{
		taskClimb: d.climb, taskHeld: d.held, taskShiftStart: d.shiftStart, taskShiftMissed: d.shiftMissed,
	}
}

// The names of the tasks.
const (
	taskClimb       = "case.climb"
	taskHeld        = "case.held"
	taskShiftStart  = "shift.start"
	taskShiftMissed = "shift.missed"
)

// Actions of the buttons under a card. Each is followed by a slash and a number.
const (
	PressTake    = "case.take"
	PressShow    = "case.show"
	PressAnswer  = "case.answer"
	PressHand    = "case.hand"
	PressClose   = "case.close"
	PressMisread = "case.misread"
	PressCheckIn = "shift.in"
)

// Press is the action of a button: what is done, and the number of what it is
// done to.
func Press(what string, id int64) string { return fmt.Sprintf("%s/%d", what, id) }

// when writes an instant for a person, on the clinic's wall clock.
func (d *Desk) when(t time.Time) string { return t.In(d.Policy.Zone).Format("2006-01-02 15:04") }
