package dialog

import (
	"context"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/outbox"
	"handrail.example/triage"
)

// sendCharts sends the charts that there are of a patient: follicles and lining, hCG.
// Each has its values in words as well.
func (c *colleague) sendCharts(ctx context.Context, id int64) error {
	ch, err := c.room.Care.Chart(ctx, c.tx, c.in.Who, id)
	if err != nil {
		return err
	}
	r := Reader{Phrases: c.room.Service.Phrases, Language: c.lang, Zone: c.now.Location()}
	sent := false
	for _, one := range c.words().Charts(ch) {
		file, err := r.File(one.Name, one.Spec)
		if err != nil {
			return err
		}
		sent = true
		if err := c.put(ctx, outbox.Message{Text: who(ch.Patient) + "\n" + one.Spec.Alt(), File: file, Ack: c.ack, Retire: c.retire}, id); err != nil {
			return err
		}
	}
	if !sent {
		return triage.Refuse("no_chart", phrase.Args{"who": who(ch.Patient)})
	}
	return nil
}
