package triage

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage/rules"
)

// Notice tells every administrator something about the running of the program, once
// for a key; sentence stands in the phrasebook. Where no administrator has a chat it
// is a case, so that somebody hears of it.
func (d *Desk) Notice(ctx context.Context, tx *store.Tx, key, sentence string, args phrase.Args) error {
	team, err := d.Team(ctx, tx)
	if err != nil {
		return err
	}
	told := 0
	for _, s := range team {
		if s.Role != Administrator {
			continue
		}
		_, linked, err := d.Vault.Chat(ctx, tx, s.Person)
		if err != nil {
			return err
		}
		if !linked {
			continue
		}
		told++
		if err := d.Outbox.Put(ctx, tx, outbox.Want{Key: fmt.Sprintf("notice/%s/%d", key, s.ID), Topic: "notice/" + key, Kind: outbox.Escalation, To: s.Person,
			Message: outbox.Message{Text: d.Phrases.Say(s.Language(), sentence, args)}}); err != nil {
			return err
		}
	}
	if told > 0 {
		return nil
	}
	_, err = d.Open(ctx, tx, Opening{Key: "notice/" + key, Person: seal.House, Reason: Running, Urgency: rules.SameDay, Notes: []Line{{Key: sentence, Args: args}}})
	return err
}

// NoteRestored puts on record that the file is a backup that was made at an instant.
// What follows for people is for SettleRestored. Sign-up codes are void: one that has
// been used since would be good again.
func (d *Desk) NoteRestored(ctx context.Context, tx *store.Tx, made time.Time) error {
	if _, err := tx.Exec(ctx, `INSERT INTO restores (made_at, restored_at) VALUES (?, ?)`, store.At(made), store.At(tx.Now)); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, `UPDATE staff SET code_hash = NULL, expires_at = NULL WHERE code_hash IS NOT NULL`)
	return err
}

// SettleRestored does what follows for people where a backup has taken the place of
// the file and nobody has seen to it yet. What fell due since the backup is not sent:
// it may have been before. A person looks at each patient whom it was for, and one
// looks after what was written in between, which is in no file. It reports how many
// messages were held back.
func (d *Desk) SettleRestored(ctx context.Context, tx *store.Tx) (held int, err error) {
	var made store.Time
	found, err := tx.Find(ctx, &made, `SELECT min(made_at) FROM restores WHERE settled_at IS NULL HAVING count(*) > 0`)
	if err != nil || !found {
		return 0, err
	}
	team, err := d.Team(ctx, tx)
	if err != nil {
		return 0, err
	}
	byPerson, err := d.Outbox.HoldBack(ctx, tx, func(p seal.Person) bool {
		return slices.ContainsFunc(team, func(s Staff) bool { return s.Person == p })
	})
	if err != nil {
		return 0, err
	}
	args := phrase.Args{"from": d.when(made.Time), "to": d.when(tx.Now)}
	cause := "restored/" + made.UTC().Format("20060102T150405Z")
	for _, h := range byPerson {
		held += h.Messages
		known, err := d.Who(ctx, tx, h.Person)
		if errors.Is(err, seal.ErrSealed) || err == nil && known.ID == 0 {
			continue // erased, or a patient no more
		}
		if err != nil {
			return held, err
		}
		if _, err := d.Open(ctx, tx, Opening{Key: fmt.Sprintf("%s/%d", cause, h.Person), Person: h.Person, Reason: Restored, Urgency: rules.SameDay,
			Notes: []Line{{Key: "note.restored_held", Args: phrase.Args{"count": fmt.Sprint(h.Messages), "from": args["from"], "to": args["to"]}}}}); err != nil {
			return held, err
		}
	}
	if _, err := d.Open(ctx, tx, Opening{Key: cause, Person: seal.House, Reason: Restored, Urgency: rules.SameDay, PageNow: true,
		Notes: []Line{{Key: "note.restored", Args: args}}}); err != nil {
		return held, err
	}
	_, err = tx.Exec(ctx, `UPDATE restores SET settled_at = ? WHERE settled_at IS NULL`, store.At(tx.Now))
	return held, err
}
