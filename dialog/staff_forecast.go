package dialog

import (
	"context"
	"fmt"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/outbox"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// forecastDays is how far ahead the chat looks.
const forecastDays = 28

// longestCaption is how long the words may be that go with a picture, in bytes: fewer
// than the 1,024 characters that the Bot API allows.
const longestCaption = 1000

// showForecast says on which days there may not be room for all, who is about to call
// with her period and who is not ready for it, and sends the same as pictures.
func (c *colleague) showForecast(ctx context.Context) error {
	ahead, err := c.room.Care.Load(ctx, c.tx, c.in.Who, forecastDays)
	if err != nil {
		return err
	}
	if err := c.room.Service.Desk.Did(ctx, c.tx, c.in.Who, triage.SeePatients, triage.Ref{}, "the forecast"); err != nil {
		return err
	}
	w := c.words()
	rows := append(c.risky(w, ahead), "", c.phrase("forecast.periods", nil)+fmt.Sprintf(" (%d)", len(ahead.Periods)))
	for _, p := range ahead.Periods[:min(longestList, len(ahead.Periods))] {
		rows = append(rows, c.forecastLine(p.Patient, w.Period(p)))
	}
	rows = append(rows, "", c.phrase("forecast.unready", nil)+fmt.Sprintf(" (%d)", len(ahead.Unready)))
	for _, u := range ahead.Unready[:min(longestList, len(ahead.Unready))] {
		rows = append(rows, c.forecastLine(u.Patient, w.Lacking(u)))
	}
	if err := c.say(ctx, strings.Join(rows, "\n"), nil); err != nil {
		return err
	}
	return c.sendLoad(ctx, w, ahead)
}

func (c *colleague) forecastLine(p reminders.Patient, what string) string {
	return c.phrase("forecast.line", phrase.Args{"who": who(p), "what": what})
}

// risky are the days without room, and what the forecast cannot know.
func (c *colleague) risky(w care.Words, ahead care.Outlook) []string {
	rows := w.Risky(ahead.Forecast)
	if len(rows) == 0 {
		rows = []string{c.phrase("forecast.none_risky", phrase.Args{"days": fmt.Sprint(forecastDays)})}
	} else {
		rows = append([]string{c.phrase("forecast.risky", nil)}, rows[:min(longestList, len(rows))]...)
	}
	if ahead.Unplaced > 0 {
		rows = append(rows, w.Unplaced(ahead.Unplaced))
	}
	return append(rows, w.ForecastSays(care.Limits(c.room.Care.Book.Policy)))
}

// sendLoad sends the load and the week of transfers as pictures.
func (c *colleague) sendLoad(ctx context.Context, w care.Words, ahead care.Outlook) error {
	r := Reader{Phrases: c.room.Service.Phrases, Language: c.lang, Zone: c.now.Location()}
	for _, one := range w.LoadPictures(ahead.Forecast, c.room.Care.Book.Policy) {
		file, err := r.File(one.Name, one.Spec)
		if err != nil {
			return err
		}
		// The text before it has what matters of four weeks; a week fits as a whole.
		says := one.Spec.Alt()
		if len(says) > longestCaption {
			says, _, _ = strings.Cut(says, "\n")
		}
		if err := c.put(ctx, outbox.Message{Text: says, File: file, Ack: c.ack, Retire: c.retire}, 0); err != nil {
			return err
		}
	}
	return nil
}
