package triage

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/store"
)

// readAs says which of her words were read as what, so that a wrong alarm explains
// itself; "" where nothing was found in them.
func (d *Desk) readAs(b Body, lang string) string {
	var parts []string
	for _, s := range b.Spans {
		if s.From < 0 || s.To > len(b.Words) || s.From >= s.To {
			continue
		}
		part := d.Phrases.Say(lang, "staff.read_as", phrase.Args{"words": clip(b.Words[s.From:s.To]), "finding": d.Phrases.Say(lang, "finding."+s.Finding, nil)})
		if s.State != "present" {
			part += ", " + d.Phrases.Say(lang, "state."+s.State, nil)
		}
		if !slices.Contains(parts, part) {
			parts = append(parts, part)
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return d.Phrases.Say(lang, "staff.read", phrase.Args{"parts": strings.Join(parts, "; ")})
}

// MarkMisread records that the program read the latest of her words in a case
// wrongly. They are kept, with what was read, for the next revision of the
// lexicon; nothing else changes.
func (d *Desk) MarkMisread(ctx context.Context, tx *store.Tx, who Staff, id int64) error {
	if err := who.May(MarkReading); err != nil {
		return err
	}
	c, err := d.Case(ctx, tx, id)
	if err != nil {
		return err
	}
	body := c.Body
	if latest, err := d.latest(ctx, tx, c); err != nil {
		return err
	} else if latest != nil && latest.Body.Words != "" {
		body = latest.Body
	}
	if body.Words == "" {
		return Refuse("no_words_read", nil)
	}
	if _, err := d.note(ctx, tx, c, event{what: Misread, by: who.Person, body: &body}); err != nil {
		return err
	}
	return d.Did(ctx, tx, who, MarkReading, Ref{Patient: c.Patient, Case: c.ID, Person: c.Person}, "")
}

// Misreading is what somebody wrote and how it was read, which a colleague says is
// wrong.
type Misreading struct {
	Case int64
	At   time.Time
	Body Body
}

// Misreadings are all that were marked, the oldest first. Those of people who have
// been erased are gone.
func (d *Desk) Misreadings(ctx context.Context, tx *store.Tx) ([]Misreading, error) {
	var rows []struct {
		Case int64      `db:"case_id"`
		At   store.Time `db:"at"`
		Body []byte     `db:"body"`
	}
	if err := tx.Select(ctx, &rows, `SELECT case_id, at, body FROM case_events WHERE what = 'misread' ORDER BY id`); err != nil {
		return nil, err
	}
	var all []Misreading
	for _, r := range rows {
		c, err := d.Case(ctx, tx, r.Case)
		if err != nil {
			return nil, err
		}
		b, err := d.body(ctx, tx, c.Person, r.Body)
		if err != nil {
			return nil, fmt.Errorf("case %d: %w", r.Case, err)
		}
		if b.Words != "" {
			all = append(all, Misreading{r.Case, r.At.Time, b})
		}
	}
	return all, nil
}
