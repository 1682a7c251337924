package triage_test

import (
	"context"
	"errors"
	"testing"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// A free answer in a language that its writer is not marked for goes out as an
// approved text or through somebody who is.
func TestAFreeAnswerNeedsSomebodyMarkedForTheLanguage(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 9, 0))
	cs := c.opens(c.opening("inbox/1", rules.Routine))
	c.within(func(ctx context.Context, tx *store.Tx) error {
		s, _, err := c.desk.AddStaff(ctx, tx, triage.Newcomer{Handle: "anglo", Name: "Anglo", Role: triage.Lead, Languages: []string{"en"}})
		if err != nil {
			return err
		}
		var refused *triage.Refused
		if _, err := c.desk.Answer(ctx, tx, s, cs.ID, "I will call you.", "inbox/2"); !errors.As(err, &refused) || refused.Key != "not_her_language" {
			t.Errorf("a free answer: %v", err)
		}
		if _, err := c.desk.AnswerApproved(ctx, tx, s, cs.ID, "free", nil, "inbox/3"); !errors.As(err, &refused) || refused.Key != "no_approved" {
			t.Errorf("a text that is not approved: %v", err)
		}
		if _, err := c.desk.Propose(ctx, tx, s, cs.ID, s, "Please wait."); !errors.As(err, &refused) || refused.Key != "not_her_language" {
			t.Errorf("proposed to somebody who is not marked: %v", err)
		}
		if _, err := c.desk.AnswerApproved(ctx, tx, s, cs.ID, "read", nil, "inbox/4"); err != nil {
			t.Errorf("an approved text: %v", err)
		}
		after, err := c.desk.Propose(ctx, tx, s, cs.ID, c.yevka, "Please wait.")
		if err != nil || after.State != triage.Open {
			t.Errorf("proposed: %v, %s", err, after.State)
		}
		_, err = c.desk.Answer(ctx, tx, c.yevka, cs.ID, "Espere, por favor.", "inbox/5")
		return err
	})
	for _, name := range triage.Approved {
		for _, key := range []string{"approved." + name, "approved_label." + name} {
			if !phrase.MustLoad().Has(key) {
				t.Errorf("%s is not in the phrasebook", key)
			}
		}
	}
}
