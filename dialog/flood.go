package dialog

import (
	"context"
	"fmt"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// A chat from which so many things came within floodWithin is answered once in
// floodEvery, and a person reads the rest: common practice, no source. Somebody who
// dictates in fragments stays far below it.
const (
	floodOf     = 30
	floodWithin = time.Minute
	floodEvery  = time.Hour
)

// flooded reports whether that much came from p within the last minute.
func flooded(ctx context.Context, tx *store.Tx, p seal.Person) (bool, error) {
	var at store.Time
	found, err := tx.Find(ctx, &at, `SELECT received_at FROM inbox WHERE sealed_for = ? AND raw IS NOT NULL ORDER BY id DESC LIMIT 1 OFFSET ?`, p, floodOf)
	return found && tx.Now.Sub(at.Time) < floodWithin, err
}

// stem answers a flood once in a while and puts it before a person, who finds all
// of it among her messages.
func (a *applying) stem(ctx context.Context) error {
	p := a.m.patient
	key := fmt.Sprintf("flood/%d/%d", p.Person, a.tx.Now.Truncate(floodEvery).Unix())
	if err := a.service.Outbox.Put(ctx, a.tx, outbox.Want{Key: key, Topic: key, Kind: outbox.Reply, To: p.Person,
		Message: outbox.Message{Text: a.say("reply.flood", a.m.phones(nil))}}); err != nil {
		return err
	}
	_, err := a.service.Desk.Open(ctx, a.tx, triage.Opening{Key: key, Patient: p.ID, Person: p.Person, Language: p.Language, Reason: triage.Flood,
		Urgency: rules.Routine, Notes: []triage.Line{{Key: "staff.flood", Args: phrase.Args{"n": fmt.Sprint(floodOf)}}}})
	return err
}
