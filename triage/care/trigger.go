package care

import (
	"context"
	"encoding/json"
	"fmt"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// askForCheck puts a trigger's order before somebody else. Until she has checked
// it, it is in no calendar and in no reminder. It rings at any hour, since the
// trigger is given at a minute of the same night.
func (c *Care) askForCheck(ctx context.Context, tx *store.Tx, actor triage.Staff, v Preview) error {
	draft, err := json.Marshal(v.Fact)
	if err != nil {
		return fmt.Errorf("write down a trigger order: %w", err)
	}
	key := fmt.Sprintf("patient/%d/trigger/%d/%s", v.Patient.ID, actor.ID, tx.Now.Format("20060102T150405.000"))
	if _, err := c.Desk.Open(ctx, tx, triage.Opening{Key: key, Person: v.Patient.Person, Reason: triage.TriggerCheck,
		Urgency: rules.SameDay, PageNow: true, Draft: draft, By: actor.ID, Notes: []triage.Line{{Key: "note.trigger_order", Args: c.triggerArgs(v.Fact, actor)}}}); err != nil {
		return err
	}
	return c.did(ctx, tx, actor, triage.OrderTrigger, v.Patient, 0, "to be checked")
}

func (c *Care) triggerArgs(f plan.Fact, by triage.Staff) phrase.Args {
	return phrase.Args{"at": f.At.In(c.Book.Policy.Location()).Format("2006-01-02 15:04"), "dose": fmt.Sprintf("%s %v %s, %s", f.Drug, f.Dose, f.Unit, f.Product),
		"route": f.Route, "prescriber": f.Prescriber, "by": by.Name}
}

// Waiting is the trigger order that a case holds for its second check, and what it
// would move.
func (c *Care) Waiting(ctx context.Context, tx *store.Tx, actor triage.Staff, caseID int64) (Preview, error) {
	if err := actor.May(triage.CheckTrigger); err != nil {
		return Preview{}, err
	}
	cs, err := c.Desk.Case(ctx, tx, caseID)
	switch {
	case err != nil:
		return Preview{}, err
	case cs.Reason != triage.TriggerCheck || len(cs.Body.Draft) == 0:
		return Preview{}, triage.Refuse("nothing_to_check", nil)
	case cs.State == triage.Closed:
		return Preview{}, triage.Refuse("case_closed", phrase.Args{"case": fmt.Sprint(caseID)})
	case cs.Body.By == actor.ID:
		return Preview{}, triage.Refuse("own_order", nil)
	}
	f, err := plan.ParseFact(cs.Body.Draft, c.Book.Policy.Location())
	if err != nil {
		return Preview{}, fmt.Errorf("the draft of case %d does not hold what it should", caseID)
	}
	f.CheckedBy = actor.Name
	return c.Preview(ctx, tx, actor, cs.Patient, f)
}

// CheckTrigger is the second person's check: the order counts from now on, and
// the case is closed. Whoever entered it cannot check it.
func (c *Care) CheckTrigger(ctx context.Context, tx *store.Tx, actor triage.Staff, caseID, inbox int64) (Preview, error) {
	v, err := c.Waiting(ctx, tx, actor, caseID)
	if err != nil {
		return v, err
	}
	cs, err := c.Desk.Take(ctx, tx, actor, caseID)
	if err != nil {
		return v, err
	}
	m, err := c.Book.Record(ctx, tx, v.Patient.ID, v.Fact, said(actor, inbox))
	if err != nil {
		return v, inWords(err)
	}
	if err := c.did(ctx, tx, actor, triage.CheckTrigger, v.Patient, m.Fact.Number, "checked"); err != nil {
		return v, err
	}
	if _, err := c.Desk.Settle(ctx, tx, actor, cs, triage.Checked); err != nil {
		return v, err
	}
	v.Second = false
	err = c.follow(ctx, tx, actor, &v, m)
	return v, err
}
