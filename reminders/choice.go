package reminders

import (
	"context"
	"fmt"
	"time"

	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
)

// choiceTopic gathers what waits for a patient to choose a place.
func choiceTopic(patient int64) string { return fmt.Sprintf("patient/%d/place", patient) }

// AwaitPlace promises that a person looks at a visit which she cannot come to, if she has
// chosen no other place for it by then: as long after as an unconfirmed call of her period
// waits, and before the visit itself.
func (b *Book) AwaitPlace(ctx context.Context, tx *store.Tx, p Patient, s plan.Step) error {
	if err := b.PlaceSettled(ctx, tx, p); err != nil {
		return err
	}
	due := tx.Now.Add(b.Policy.Messages.PeriodConfirm)
	if early := s.At.Add(-b.Policy.Messages.VisitBefore); !s.At.IsZero() && early.Before(due) {
		due = early
	}
	return b.Outbox.Put(ctx, tx, outbox.Want{Key: fmt.Sprintf("%s/%s", choiceTopic(p.ID), tx.Now.UTC().Format("20060102T150405.000")), Topic: choiceTopic(p.ID),
		Kind: outbox.Task, About: p.Person, Due: due, Run: taskPlace, Payload: duty{Patient: p.ID, About: string(s.Name) + "/" + s.At.UTC().Format(time.RFC3339)}})
}

// PlaceSettled takes that promise back: she has chosen, or a person has it.
func (b *Book) PlaceSettled(ctx context.Context, tx *store.Tx, p Patient) error {
	return b.Outbox.Withdraw(ctx, tx, choiceTopic(p.ID))
}

// runPlace puts a visit before a person that still stands where she cannot come.
func (b *Book) runPlace(ctx context.Context, tx *store.Tx, payload []byte) error {
	d, err := readDuty(payload)
	if err != nil {
		return err
	}
	pl, c, err := b.Plan(ctx, tx, d.Patient)
	if err != nil || !c.Closed.IsZero() {
		return err
	}
	p, err := b.Patient(ctx, tx, d.Patient)
	if err != nil {
		return err
	}
	for _, s := range pl.Steps {
		stands := s.Status == plan.Projected || s.Status == plan.Due
		if !stands || string(s.Name)+"/"+s.At.UTC().Format(time.RFC3339) != d.About {
			continue
		}
		when := s.On.String()
		if !s.At.IsZero() {
			when = s.At.In(b.zone()).Format("2006-01-02 15:04")
		}
		return b.Concern(ctx, tx, Concern{Key: choiceTopic(d.Patient) + "/" + d.About + "/" + tx.Now.UTC().Format("20060102T1504"), Patient: p, Reason: PlaceOpen, Grave: true,
			Notes: []Note{{Key: "note.cannot_come", Args: map[string]string{"at": when}}, {Key: s.Phrase}, {Key: "note.consequence." + string(s.Name)}}})
	}
	return nil
}
