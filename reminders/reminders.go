// Package reminders keeps the patients, what is known about them, and what they
// have been promised. From the facts of a cycle it has the plan computed, and it
// keeps the outbox in step with the plan: whatever changes a fact rewrites, in
// the same transaction, every message that has not gone out yet.
//
// It owns the tables patients, enrolment_codes, cycles, facts, dose_answers,
// read_backs, checklist, links and consents, and those of the clinic's room, places and
// closed_days. Names and facts are sealed under the patient's own key; facts are only
// ever added, and places follow from them. It knows no chat and no staff: words and the human queue reach
// it as functions.
package reminders

import (
	"context"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Book is the patients' book. All of its methods work inside the caller's
// transaction and take the time from it.
type Book struct {
	Vault  *seal.Vault
	Outbox *outbox.Outbox
	// Policy is the clinic's as it was written; PolicyNow adds the days that were closed
	// since, and is what plans are made with.
	Policy plan.Policy
	// Say is the phrasebook: a sentence in a language with its gaps filled, in
	// its neutral form where that is asked for and there is one. Day and Clock
	// say a day and a time of day.
	Say   func(lang string, neutral bool, key string, args map[string]string) string
	Day   func(lang string, d civil.Date) string
	Clock func(lang string, t civil.TimeOfDay) string
	// Picture is her month as a picture, nil where there is nothing to show.
	Picture func(p Patient, pl plan.Plan, now time.Time) *outbox.File
	// Untold reports whether a result of hers waits to be told by a person.
	Untold func(ctx context.Context, tx *store.Tx, p Patient) (bool, error)
	// Consent is the wording of the consent that is in force, and what somebody is asked
	// who agreed to another; nil asks nobody.
	Consent func(p Patient) (version string, m outbox.Message)
	// Concern puts something in front of a human.
	Concern func(ctx context.Context, tx *store.Tx, c Concern) error
}

// Concern is something that a human must look at, found by the plan and not by
// anything that the patient wrote.
type Concern struct {
	// Key is its cause: the same concern is raised once.
	Key     string
	Patient Patient
	// Reason is one of the fixed words below.
	Reason string
	Notes  []Note
	// Grave: it must be in somebody's hands today, and with PageNow at once,
	// whatever the hour.
	Grave, PageNow bool
}

// Note is a sentence of the phrasebook that says more.
type Note struct {
	Key  string
	Args map[string]string
}

// The reasons of concerns.
const (
	DoseSilent    = "dose_silent"    // nothing was heard about a dose
	PeriodMissing = "period_missing" // a period or a bleed that is expected has not come
	OrderDue      = "order_due"      // a start or an end is due and no order has come
	NotReadBack   = "read_back"      // she has not repeated back what she must not misunderstand
	ResultLate    = "result_late"    // blood was drawn and its result has not come
	PlaceOpen     = "place_open"     // she cannot come to a visit and has chosen no other place
	DecisionDue   = "decision_due"   // a visit is over and nothing says what it led to
	SupplyShort   = "supply"         // what she has at home, or its authorisation, will not last
)

// zone is the clinic's time zone.
func (b *Book) zone() *time.Location { return b.Policy.Clinic.Zone.Location }
