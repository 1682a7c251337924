package triage

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage/rules"
)

// Trouble is the dispatcher's OnTrouble: what cannot be kept as it was promised
// is put before a person. An alert that cannot reach a colleague makes its case
// climb; it never opens a case that would alert the same colleague.
func (d *Desk) Trouble(ctx context.Context, tx *store.Tx, t outbox.Trouble) error {
	if id, ok := caseOf(t.Key); ok && t.Kind != outbox.Answer {
		return d.caseTrouble(ctx, tx, id, t)
	}
	if s, isStaff, err := d.StaffByPerson(ctx, tx, t.To); err != nil || isStaff {
		if err != nil {
			return err
		}
		return d.staffTrouble(ctx, tx, s)
	}
	if t.To == 0 && t.Kind != outbox.Task {
		return nil // nothing was promised to a stranger
	}
	if id, ok := caseOf(t.Key); ok {
		_, err := d.Attach(ctx, tx, id, troubleCase(t)) // an answer: its writer must know
		return err
	}
	_, err := d.Open(ctx, tx, troubleCase(t))
	return err
}

// caseOf is the case that a key of ours speaks of.
func caseOf(key string) (int64, bool) {
	rest, ours := strings.CutPrefix(key, "case/")
	number, _, _ := strings.Cut(rest, "/")
	id, err := strconv.ParseInt(number, 10, 64)
	return id, ours && err == nil
}

// caseTrouble is an alert or a task of a case that failed. A case that nobody
// has rings its next rung now, unless that one would ring the same people; its
// ladder never ends either way.
func (d *Desk) caseTrouble(ctx context.Context, tx *store.Tx, id int64, t outbox.Trouble) error {
	c, err := d.Case(ctx, tx, id)
	if err != nil {
		return err
	}
	s, isStaff, err := d.StaffByPerson(ctx, tx, t.To)
	if err != nil {
		return err
	}
	turnID, err := d.note(ctx, tx, c, event{what: AlertFailed, to: s.ID})
	if err != nil {
		return err
	}
	switch {
	case t.Why == outbox.Stuck && c.State == Open:
		return d.promise(ctx, tx, "climb", taskClimb, turn{Case: id, Turn: turnID}, tx.Now.Add(d.Policy.Again))
	case t.Why == outbox.Stuck && c.State == Taken:
		return d.promise(ctx, tx, "held", taskHeld, turn{Case: id, Turn: turnID}, tx.Now.Add(d.Policy.Again))
	case c.State == Open && isStaff && c.Rung < rungs:
		return d.ringNow(ctx, tx, c, turnID)
	case c.State == Taken && isStaff && s.ID == c.Holder:
		return d.reopen(ctx, tx, &c, event{what: Released}, true)
	}
	return nil
}

// ringNow rings the next rung without waiting for its time.
func (d *Desk) ringNow(ctx context.Context, tx *store.Tx, c Case, after int64) error {
	// Only the task goes; alerts that are on their way to others stay.
	if err := d.Outbox.Withdraw(ctx, tx, taskTopic(c.ID)); err != nil {
		return err
	}
	return d.ring(ctx, tx, &c, turn{Case: c.ID, Turn: after})
}

// staffTrouble is something else that could not reach a colleague. Once a day is
// often enough.
func (d *Desk) staffTrouble(ctx context.Context, tx *store.Tx, s Staff) error {
	_, err := d.Open(ctx, tx, Opening{Key: fmt.Sprintf("staff/%d/unreached/%s", s.ID, tx.Now.In(d.Policy.Zone).Format("2006-01-02")),
		Reason: StaffUnreached, Title: phrase.Args{"who": s.Name}, Urgency: rules.SameDay})
	return err
}

// troubleCase is the case for a message to a patient that was not delivered, or
// for work that failed.
func troubleCase(t outbox.Trouble) Opening {
	o := Opening{Key: fmt.Sprintf("outbox/%d/%s", t.Row, t.Why), Person: t.To, Urgency: rules.SameDay}
	if o.Person == 0 {
		o.Person = t.About
	}
	if o.Person == 0 {
		o.Person = seal.House
	}
	switch t.Why {
	case outbox.Late:
		o.Reason = TooLate
	case outbox.Doubtful:
		o.Reason = Doubtful
	case outbox.Stuck:
		o.Reason, o.PageNow = Stuck, true
		return o
	default:
		o.Reason = Unreachable
	}
	switch t.Kind {
	case outbox.Alert:
		o.Urgency = rules.Emergency // a caution that she has not seen
	case outbox.Dose:
		o.PageNow = true
	}
	if t.Text != "" {
		o.Notes = []Line{{Key: "staff.unsent", Args: phrase.Args{"words": clip(t.Text)}}}
	}
	return o
}
