package main

import (
	"context"
	"encoding/json"
	"fmt"

	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// correction is a message that staff marked as read wrongly, with what was read.
type correction struct {
	At      string        `json:"at"`
	Text    string        `json:"text"`
	Urgency string        `json:"urgency"`
	Rules   []string      `json:"rules"`
	Spans   []triage.Span `json:"spans"`
}

// exportCorrections prints what staff marked as read wrongly, a line each, for the
// next revision of the lexicon. It is what patients wrote: treat it so.
func exportCorrections(ctx context.Context, path string, e env) error {
	a, err := openQuiet(ctx, path, e)
	if err != nil {
		return err
	}
	defer a.db.Close()
	if err := a.seenOnServer(ctx, triage.MarkReading, "exported what was read wrongly"); err != nil {
		return err
	}
	out := json.NewEncoder(e.stdout)
	n := 0
	err = a.db.Read(ctx, func(ctx context.Context, tx *store.Tx) error {
		all, err := a.desk.Misreadings(ctx, tx)
		if err != nil {
			return err
		}
		for _, m := range all {
			n++
			if err := out.Encode(correction{At: m.At.In(a.policy.Location()).Format("2006-01-02T15:04"), Text: m.Body.Words,
				Urgency: m.Body.Urgency.String(), Rules: m.Body.Rules, Spans: m.Body.Spans}); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(e.stderr, "%d messages; they are patients' own words\n", n)
	return err
}
