package care

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// Invitation is a code for somebody to enrol with. It is shown once.
type Invitation struct {
	Patient reminders.Patient
	Code    string
	Until   time.Time
}

var handleForm = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9-]{0,19}$`)

// AddPatient takes a patient into the book and draws the code that she enrols
// with.
func (c *Care) AddPatient(ctx context.Context, tx *store.Tx, actor triage.Staff, n reminders.NewPatient) (Invitation, error) {
	if err := actor.May(triage.AddPatient); err != nil {
		return Invitation{}, err
	}
	name := strings.TrimSpace(n.Name)
	switch languages := c.Book.Policy.Clinic.Languages; {
	case !handleForm.MatchString(strings.TrimSpace(n.Handle)):
		return Invitation{}, triage.Refuse("patient_handle", nil)
	case name == "" || len(name) > 200:
		return Invitation{}, triage.Refuse("name", nil)
	case !slices.Contains(languages, n.Language):
		return Invitation{}, triage.Refuse("language", phrase.Args{"languages": strings.Join(languages, ", ")})
	}
	// Looked for before anything is written: a refusal must leave nothing behind.
	if _, err := c.Book.ByHandle(ctx, tx, n.Handle); !errors.Is(err, reminders.ErrNoPatient) {
		if err == nil {
			err = triage.Refuse("patient_handle_taken", nil)
		}
		return Invitation{}, err
	}
	p, err := c.Book.AddPatient(ctx, tx, n)
	if err != nil {
		return Invitation{}, inWords(err)
	}
	return c.invite(ctx, tx, actor, p)
}

// Invite draws a new code for a patient: the last one expired, or she has a new
// phone. Codes drawn for her before are void.
func (c *Care) Invite(ctx context.Context, tx *store.Tx, actor triage.Staff, patient int64) (Invitation, error) {
	if err := actor.May(triage.AddPatient); err != nil {
		return Invitation{}, err
	}
	p, err := c.whole(ctx, tx, patient)
	if err != nil {
		return Invitation{}, err
	}
	return c.invite(ctx, tx, actor, p)
}

func (c *Care) invite(ctx context.Context, tx *store.Tx, actor triage.Staff, p reminders.Patient) (Invitation, error) {
	code, until, err := c.Book.Invite(ctx, tx, p.ID)
	if err != nil {
		return Invitation{}, err
	}
	return Invitation{Patient: p, Code: code, Until: until}, c.did(ctx, tx, actor, triage.AddPatient, p, 0, "code drawn")
}

// SetCheck records that an item of the checklist was done on a day; with the zero
// Date, that it is not done after all.
func (c *Care) SetCheck(ctx context.Context, tx *store.Tx, actor triage.Staff, patient int64, item string, on civil.Date) error {
	if err := actor.May(triage.SetChecklist); err != nil {
		return err
	}
	if on.After(c.today(tx)) {
		return triage.Refuse("not_yet", nil)
	}
	p, err := c.whole(ctx, tx, patient)
	if err != nil {
		return err
	}
	if err := c.Book.SetCheck(ctx, tx, patient, item, on, actor.Person); err != nil {
		return inWords(err)
	}
	return c.did(ctx, tx, actor, triage.SetChecklist, p, 0, item+" "+on.String())
}

// Hush withdraws everything that is queued for a patient and lets nothing new be
// made until a person lifts it again, with hushed false. What she writes still
// reaches a human. It reports false when she was so already.
func (c *Care) Hush(ctx context.Context, tx *store.Tx, actor triage.Staff, patient int64, hushed bool) (bool, error) {
	if err := actor.May(triage.HushPatient); err != nil {
		return false, err
	}
	p, err := c.whole(ctx, tx, patient)
	if err != nil || p.Hushed.IsZero() != hushed {
		return false, err
	}
	if err := c.Book.Hush(ctx, tx, patient, hushed); err != nil {
		return false, err
	}
	note := "lifted"
	if hushed {
		note = "hushed"
		// Besides the plan's own: what was about to be answered by the program.
		if _, err := c.Desk.Outbox.WithdrawMessages(ctx, tx, p.Person, outbox.Dose, outbox.Reminder, outbox.Reply); err != nil {
			return false, err
		}
	}
	if err := c.did(ctx, tx, actor, triage.HushPatient, p, 0, note); err != nil || hushed {
		return true, err
	}
	return true, c.tellMeanwhile(ctx, tx, p)
}

// tellMeanwhile tells somebody who is written to again what was booked in the meantime,
// unless a result must be told first.
func (c *Care) tellMeanwhile(ctx context.Context, tx *store.Tx, before reminders.Patient) error {
	p, err := c.Book.Patient(ctx, tx, before.ID)
	if err != nil || p.Quiet() {
		return err
	}
	if _, untold, err := c.ToTell(ctx, tx, p); err != nil || untold {
		return err
	}
	return c.catchUp(ctx, tx, p, before.Hushed, fmt.Sprintf("patient/%d/lifted/%s", p.ID, tx.Now.UTC().Format("20060102T150405Z")))
}

// Endings are the words with which a cycle is closed.
var Endings = []string{"discharged", "negative", "lost", "cancelled", "moved_away"}

// Finish closes a patient's cycle: nothing more of it is planned or sent. Orders
// that still run must be stopped first.
func (c *Care) Finish(ctx context.Context, tx *store.Tx, actor triage.Staff, patient int64, ending string) error {
	if err := actor.May(triage.BeginCycle); err != nil {
		return err
	}
	if !slices.Contains(Endings, ending) {
		return triage.Refuse("no_ending", phrase.Args{"endings": strings.Join(Endings, ", ")})
	}
	p, err := c.whole(ctx, tx, patient)
	if err != nil {
		return err
	}
	pl, cycle, err := c.Book.Plan(ctx, tx, patient)
	switch {
	case err != nil:
		return err
	case cycle.ID == 0 || !cycle.Closed.IsZero():
		return triage.Refuse("no_cycle", nil)
	}
	for _, d := range pl.Doses {
		if d.At.After(tx.Now) {
			return triage.Refuse("orders_run", phrase.Args{"drug": d.Drug})
		}
	}
	if err := c.Book.CloseCycle(ctx, tx, patient, ending); err != nil {
		return inWords(err)
	}
	return c.did(ctx, tx, actor, triage.BeginCycle, p, 0, "closed: "+ending)
}

// NextCycle begins a new cycle for a patient whose last one is closed: only ever
// by a person. Where a protocol is named, the cycle is planned by it.
func (c *Care) NextCycle(ctx context.Context, tx *store.Tx, actor triage.Staff, patient int64, protocol string, inbox int64) error {
	if err := actor.May(triage.BeginCycle); err != nil {
		return err
	}
	p, err := c.whole(ctx, tx, patient)
	if err != nil {
		return err
	}
	cycle, err := c.Book.Cycle(ctx, tx, patient)
	switch {
	case err != nil:
		return err
	case !p.Enrolled:
		return triage.Refuse("not_enrolled", nil)
	case cycle.ID != 0 && cycle.Closed.IsZero():
		return triage.Refuse("cycle_open", nil)
	}
	if _, known := c.Book.Policy.ProtocolNamed(protocol); protocol != "" && !known {
		return triage.Refuse("no_protocol", phrase.Args{"protocols": strings.Join(c.Book.Policy.ProtocolNames(), ", ")})
	}
	if err := c.Book.NextCycle(ctx, tx, patient); err != nil {
		return err
	}
	if protocol != "" {
		if _, err := c.save(ctx, tx, actor, Preview{Patient: p, Fact: plan.Fact{Kind: plan.ProtocolChosen, Protocol: protocol, On: c.today(tx)}}, inbox); err != nil {
			return err
		}
	}
	return c.did(ctx, tx, actor, triage.BeginCycle, p, 0, "begun")
}
