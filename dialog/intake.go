package dialog

import (
	"context"
	"crypto/sha256"
	"fmt"
	"time"

	"handrail.example/reminders/clock"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Arrival is an update as a transport got it: nothing read but its number and
// its chat.
type Arrival struct {
	// ID is the platform's number.
	ID int64
	// Raw is the update byte for byte.
	Raw []byte
	// Chat is the private chat it belongs to; "" when to none, or malformed.
	Chat string
	// Next is the offset that confirms it; 0 when a webhook brought it.
	Next int64
}

// Intake takes updates in. What it has taken is on disk, and only then may a
// transport confirm it to the platform.
type Intake struct {
	DB     *store.DB
	Vault  *seal.Vault
	Source string
	Bell   *clock.Bell // wakes the worker
}

// Offset is where the next poll starts; false before the first one.
func (i *Intake) Offset(ctx context.Context) (next int64, known bool, err error) {
	err = i.DB.Read(ctx, func(ctx context.Context, tx *store.Tx) error {
		next, known, err = tx.NextOffset(ctx, i.Source)
		return err
	})
	return next, known, err
}

// Take writes updates down, all or none, and moves the offset past the last one
// seen: not past the highest, since the platform's numbers may restart lower. An
// update that is there already changes nothing.
func (i *Intake) Take(ctx context.Context, updates []Arrival) error {
	if len(updates) == 0 {
		return nil
	}
	err := i.DB.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		for _, u := range updates {
			if err := i.put(ctx, tx, u); err != nil {
				return err
			}
		}
		tx.AfterCommit(i.Bell.Ring)
		if next := updates[len(updates)-1].Next; next != 0 {
			return tx.SetNextOffset(ctx, i.Source, next)
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("take in %d updates: %w", len(updates), err)
	}
	return nil
}

func (i *Intake) put(ctx context.Context, tx *store.Tx, u Arrival) error {
	// Nobody has looked yet at whose it is, so the house seals it; the worker
	// seals it anew for its person.
	raw, err := i.Vault.Seal(ctx, tx, seal.House, "update", u.Raw)
	if err != nil {
		return err
	}
	var chat []byte
	if u.Chat != "" {
		chat = i.Vault.Hash("chat", u.Chat)
	}
	// The number alone is no identity: after a quiet week numbers are drawn anew.
	digest := sha256.Sum256(u.Raw)
	_, err = tx.Exec(ctx, `INSERT INTO inbox (source, external_id, digest, chat_hash, sealed_for, raw, received_at)
		VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT (source, external_id, digest) DO NOTHING`,
		i.Source, fmt.Sprint(u.ID), i.Vault.Hash("update", string(digest[:])), chat, seal.House, raw, store.At(tx.Now))
	return err
}

// purgeAtOnce bounds how long one transaction of a purge holds up the rest.
const purgeAtOnce = 500

// Purge removes the raw text of some messages that came in before an instant and have
// been handled; what they said lives on in facts and cases. It reports how many: fewer
// than there may be, so that it is called until there are none.
func (i *Intake) Purge(ctx context.Context, tx *store.Tx, before time.Time) (int64, error) {
	return tx.Exec(ctx, `UPDATE inbox SET raw = NULL WHERE id IN
		(SELECT id FROM inbox WHERE received_at < ? AND raw IS NOT NULL AND state = 'handled' LIMIT ?)`, store.At(before), purgeAtOnce)
}

// PurgeTries forgets codes that strangers tried in vain before an instant, all at once.
func (i *Intake) PurgeTries(ctx context.Context, tx *store.Tx, before time.Time) (int64, error) {
	return tx.Exec(ctx, `DELETE FROM code_tries WHERE at < ?`, store.At(before))
}

// Backlog is what lies in the inbox.
type Backlog struct {
	New   int        `db:"waiting"` // not handled yet
	Stuck int        `db:"stuck"`   // given up, and before a person
	Since store.Time `db:"since"`   // when the oldest of New came in; zero when there is none
}

// Backlog counts what has not been handled.
func (i *Intake) Backlog(ctx context.Context, tx *store.Tx) (b Backlog, err error) {
	err = tx.Get(ctx, &b, `SELECT (SELECT count(*) FROM inbox WHERE state = 'new') AS waiting,
		(SELECT min(received_at) FROM inbox WHERE state = 'new') AS since,
		(SELECT count(*) FROM inbox WHERE state = 'stuck') AS stuck`)
	return b, err
}
