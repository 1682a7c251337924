package dialog

import (
	"context"
	"fmt"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/outbox"
	"handrail.example/triage"
)

// offerApproved is for a colleague who is not marked for the patient's language: she
// may send an approved text, or hand the case to somebody who is.
func (c *colleague) offerApproved(ctx context.Context, id int64, p reminders.Patient) error {
	c.stopAnswering()
	able, err := c.room.Service.Desk.Qualified(ctx, c.tx, p.Language)
	if err != nil {
		return err
	}
	var names []string
	var buttons [][]outbox.Button
	for _, name := range triage.Approved {
		buttons = append(buttons, []outbox.Button{{Label: c.phrase("approved_label."+name, nil), Action: fmt.Sprintf("approved/%d/%s", id, name)}})
	}
	for _, s := range able {
		names = append(names, s.Name)
		if s.ID != c.in.Who.ID {
			buttons = append(buttons, []outbox.Button{{Label: c.phrase("staff.hand_to_her", phrase.Args{"who": s.Name}), Action: fmt.Sprintf("%s/%d/%d", triage.PressHand, id, s.ID)}})
		}
	}
	key := "refused.not_her_language"
	if len(names) == 0 {
		key = "refused.nobody_speaks"
	}
	return c.about(ctx, p, c.phrase(key, phrase.Args{"who": who(p), "language": p.Language, "able": strings.Join(names, ", ")}), buttons)
}

func (c *colleague) sendApproved(ctx context.Context, id int64, name string) error {
	cs, err := c.room.Care.AnswerApproved(ctx, c.tx, c.in.Who, id, name, inboxKey(c.in.Item))
	if err != nil {
		return err
	}
	p, err := c.patientOf(ctx, cs)
	if err != nil {
		return err
	}
	return c.about(ctx, p, c.phrase("staff.answered", phrase.Args{"who": who(p)}), c.room.Service.Desk.Buttons(c.lang, id, triage.PressShow, triage.PressClose))
}
