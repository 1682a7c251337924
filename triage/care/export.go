package care

import (
	"context"
	"fmt"
	"slices"

	"handrail.example/reminders"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/exchange"
)

// Exports is one patient's cycle as another system reads it, an HL7 FHIR R4 Bundle.
// That it was taken out is on record.
func (c *Care) Exports(ctx context.Context, tx *store.Tx, actor triage.Staff, patient int64) ([]byte, error) {
	if err := actor.May(triage.Export); err != nil {
		return nil, err
	}
	p, err := c.Book.Patient(ctx, tx, patient)
	if err != nil {
		return nil, err
	}
	x, err := c.written(ctx, tx, actor, p)
	if err != nil {
		return nil, err
	}
	b, err := exchange.FHIR(x)
	if err != nil {
		return nil, err
	}
	return b, c.did(ctx, tx, actor, triage.Export, p, 0, "fhir")
}

// written is everything that goes into a patient's Bundle.
func (c *Care) written(ctx context.Context, tx *store.Tx, actor triage.Staff, p reminders.Patient) (exchange.Cycle, error) {
	pl, cycle, err := c.Book.Plan(ctx, tx, p.ID)
	if err != nil {
		return exchange.Cycle{}, err
	}
	if cycle.ID == 0 {
		return exchange.Cycle{}, triage.Refuse("no_cycle", nil)
	}
	x := exchange.Cycle{Clinic: c.Book.Policy.Clinic.Name, Zone: c.Book.Policy.Location(), Handle: p.Handle, Name: p.Name, Language: p.Language,
		Number: cycle.ID, Opened: cycle.Opened, Closed: cycle.Closed, Outcome: cycle.Outcome, Plan: pl}
	for _, f := range cycle.Facts {
		x.Facts = append(x.Facts, exchange.Fact{Fact: f.Fact, Entered: f.Entered})
	}
	if _, x.Untold, err = c.ToTell(ctx, tx, p); err != nil {
		return x, err
	}
	if x.Letters, err = c.lettersOf(ctx, tx, actor, p, cycle); err != nil {
		return x, err
	}
	x.Tasks, err = c.tasksOf(ctx, tx, p, cycle)
	return x, err
}

// mostLetters bounds the messages of one cycle: some months of several a day. Common
// practice, no source.
const mostLetters = 2000

// lettersOf are the messages of a cycle that were written to her and have reached her,
// and those that she wrote, the earliest first.
func (c *Care) lettersOf(ctx context.Context, tx *store.Tx, actor triage.Staff, p reminders.Patient, cycle reminders.Cycle) (all []exchange.Letter, err error) {
	letters, err := c.Letters(ctx, tx, actor, p, mostLetters)
	for _, l := range slices.Backward(letters) {
		switch {
		case l.At.Before(cycle.Opened) || !cycle.Closed.IsZero() && l.At.After(cycle.Closed):
		case l.Hers != nil:
			all = append(all, exchange.Letter{ID: fmt.Sprintf("in-%d", l.Hers.ID), Hers: true, At: l.At, Text: hers(*l.Hers)})
		case !l.Ours.Sent.IsZero():
			all = append(all, exchange.Letter{ID: fmt.Sprintf("out-%d", l.Ours.Row), At: l.Ours.Sent, Text: l.Ours.Text})
		}
	}
	return all, err
}

// hers is what she wrote or sent, in words.
func hers(w Wrote) string {
	if w.Attachment == "" {
		return w.Text
	}
	if w.Text == "" {
		return "[" + w.Attachment + "]"
	}
	return w.Text + " [" + w.Attachment + "]"
}

func (c *Care) tasksOf(ctx context.Context, tx *store.Tx, p reminders.Patient, cycle reminders.Cycle) (all []exchange.Task, err error) {
	cases, err := c.Desk.Since(ctx, tx, p.Person, cycle.Opened)
	if err != nil {
		return nil, err
	}
	names, err := c.Desk.Names(ctx, tx)
	for _, cs := range cases {
		t := exchange.Task{Number: cs.ID, What: c.Desk.Phrases.Say("en", "reason."+string(cs.Reason), cs.Body.Title), Urgency: cs.Urgency.String(), State: string(cs.State),
			Holder: names.ByID[cs.Holder], Opened: cs.Opened, Changed: cs.Changed()}
		if cs.Outcome != "" {
			t.Outcome = c.Desk.Phrases.Say("en", "outcome."+string(cs.Outcome), nil)
		}
		all = append(all, t)
	}
	return all, err
}
