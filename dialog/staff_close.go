package dialog

import (
	"context"
	"fmt"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/civil"
	"handrail.example/triage"
)

// listNotDone are those who were seen or drawn today and are not done with.
func (c *colleague) listNotDone(ctx context.Context) error {
	list, err := c.room.Care.NotDone(ctx, c.tx, c.in.Who, civil.DateOf(c.now))
	if err != nil {
		return err
	}
	if err := c.sees(ctx, triage.SeePatients, triage.Ref{}, "who was seen and is not done with"); err != nil {
		return err
	}
	if len(list) == 0 {
		return c.say(ctx, c.phrase("day.all_done", nil), nil)
	}
	rows := []string{c.phrase("day.head", phrase.Args{"count": fmt.Sprint(len(list))})}
	for i, p := range list {
		if i == longestList {
			rows = append(rows, c.phrase("staff.more", phrase.Args{"count": fmt.Sprint(len(list) - i)}))
			break
		}
		var why []string
		for _, l := range p.Why {
			why = append(why, c.room.Service.Desk.Say(c.lang, l))
		}
		rows = append(rows, "· "+who(p.Patient)+": "+strings.Join(why, "; "))
	}
	return c.say(ctx, strings.Join(rows, "\n"), nil)
}
