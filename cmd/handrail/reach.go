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
