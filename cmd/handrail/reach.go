package main

import (
	"context"

	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// reach says how a message gets to somebody at the instant at which it is sent, and
// whether it may: to a colleague while she works here, to a patient what is hers, to
// anybody else what a live link covers.
func (a *app) reach(ctx context.Context, tx *store.Tx, to, about seal.Person, scope string) (outbox.Way, error) {
	if _, works, err := a.desk.StaffByPerson(ctx, tx, to); err != nil {
		return outbox.Way{}, err
	} else if works {
		chat, _, err := a.vault.Chat(ctx, tx, to)
		return outbox.Way{Chat: chat}, err
	}
	return a.book.Reach(ctx, tx, to, about, scope)
}

// besides is the trouble with a message to somebody who is told of a patient beside her.
// That a copy does not arrive is nobody's trouble, since she has the message herself; a
// caution that nobody has seen is put before a human in her name.
func (a *app) besides(ctx context.Context, tx *store.Tx, t outbox.Trouble) (_ outbox.Trouble, settled bool, err error) {
	links, err := a.book.LinksTo(ctx, tx, t.To)
	if err != nil || t.To == 0 || len(links) == 0 {
		return t, false, err
	}
	t.To = t.About
	return t, t.Kind != outbox.Alert, nil
}
