package outbox

import (
	"context"
	"encoding/json"
	"slices"
	"time"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// claim marks the most important due rows as being sent, as many as there are
// free places on the wire and as the limits let through. When the limits hold
// something back it reports until when.
func (d *Dispatcher) claim(ctx context.Context, tx *store.Tx, todo agenda, free int) (claimed []*row, wait time.Time, err error) {
	for p := urgent; p < background; p++ {
		if !due(todo.messages()[p].Time, tx.Now) {
			continue
		}
		left := free - kept(p) - len(claimed)
		if left <= 0 {
			break // and wait for a landing
		}
		rows, err := d.claimAt(ctx, tx, p, left)
		if err != nil {
			return nil, wait, err
		}
		claimed = append(claimed, rows...)
		at, err := d.heldUntil(ctx, tx, p)
		if err != nil {
			return nil, wait, err
		}
		wait = earlier(wait, at)
	}
	return claimed, wait, nil
}

// kept is how many places on the wire a priority leaves to others. The last place
// is an alert's: should all others hang, it still goes.
func kept(priority int) int {
	if priority == urgent {
		return 0
	}
	return 1
}

// claimAt claims up to most rows of one priority.
func (d *Dispatcher) claimAt(ctx context.Context, tx *store.Tx, priority, most int) ([]*row, error) {
	var claimed []*row
	for {
		room := min(most-len(claimed), d.limits.room(priority))
		if room == 0 {
			return claimed, nil
		}
		held, _ := d.limits.held(priority)
		due, err := dueRows(ctx, tx, priority, held, room)
		if err != nil || len(due) == 0 {
			return claimed, err
		}
		for _, r := range due {
			// A row before it may have used up the chat's burst.
			if d.limits.full(r.chat(), priority) {
				continue
			}
			ok, err := d.claimRow(ctx, tx, r)
			if err != nil {
				return nil, err
			}
			if ok {
				claimed = append(claimed, r)
			}
		}
		if len(due) < room {
			return claimed, nil // there were no more
		}
	}
}

// dueRows finds the first due rows of a priority, those to held chats left out.
func dueRows(ctx context.Context, tx *store.Tx, priority int, held []chat, most int) (rows []*row, err error) {
	const due = `SELECT ` + rowColumns + ` FROM outbox WHERE state = 'queued' AND priority = ? AND not_before <= ?`
	const first = ` ORDER BY not_before, id LIMIT ?`
	if len(held) == 0 {
		err = tx.Select(ctx, &rows, due+first, priority, store.At(tx.Now), most)
	} else {
		err = tx.Select(ctx, &rows, due+notHeld+first, priority, store.At(tx.Now), list(held), most)
	}
	return rows, err
}

// notHeld leaves out the chats in a list, numbered as chatOf does.
const notHeld = ` AND coalesce(person_id, -id) NOT IN (SELECT value FROM json_each(?))`

func list(held []chat) string {
	b, err := json.Marshal(held)
	if err != nil {
		panic(err) // numbers always can be
	}
	return string(b)
}

// heldUntil is when the limits let the next due row of a priority through; the
// zero time when they hold none back, or only until something lands.
func (d *Dispatcher) heldUntil(ctx context.Context, tx *store.Tx, priority int) (time.Time, error) {
	held, first := d.limits.held(priority)
	full := d.limits.room(priority) == 0
	if !full && len(held) == 0 {
		return time.Time{}, nil
	}
	var waiting bool
	if err := tx.Get(ctx, &waiting, `SELECT EXISTS (SELECT 1 FROM outbox WHERE state = 'queued' AND priority = ? AND not_before <= ?)`,
		priority, store.At(tx.Now)); err != nil || !waiting {
		return time.Time{}, err
	}
	if full {
		return d.limits.roomAt(priority), nil
	}
	return first, nil
}

func (d *Dispatcher) claimRow(ctx context.Context, tx *store.Tx, r *row) (bool, error) {
	class, err := d.address(ctx, tx, r)
	if err != nil {
		return false, err
	}
	switch class {
	case "":
	case revoked:
		return false, settleRow(ctx, tx, r.ID, "withdrawn")
	default:
		return false, d.giveUp(ctx, tx, r, "failed", Undelivered, class)
	}
	d.limits.took(r.chat(), r.priority())
	_, err = tx.Exec(ctx, `UPDATE outbox SET state = 'sending', lease_until = ? WHERE id = ?`, store.At(tx.Now.Add(lease)), r.ID)
	return true, err
}

// address completes the envelope, or says in a word why nobody can get it.
func (d *Dispatcher) address(ctx context.Context, tx *store.Tx, r *row) (class string, err error) {
	ring, err := d.Vault.Ring(ctx, tx, r.About)
	if err == nil {
		err = r.unseal(ring)
	}
	if ok, err := d.couldRead(r, err); err != nil || !ok {
		return "unreadable", err
	}
	r.envelope = Envelope{Row: r.ID, Message: r.content.Message}
	way, err := d.way(ctx, tx, r, ring)
	if ok, err := d.couldRead(r, err); err != nil || !ok {
		return "unreadable", err
	}
	switch {
	case way.Revoked:
		return revoked, nil
	case way.Chat == "":
		return "no chat", nil
	}
	r.envelope.Chat = way.Chat
	if way.Head != "" && r.envelope.Message.Text != "" {
		r.envelope.Message.Text = way.Head + "\n" + r.envelope.Message.Text
	}
	return "", d.tokens(ctx, tx, r)
}

// revoked is the class of a message that nobody may tell its recipient.
const revoked = "revoked"

// way is how the recipient of a row is reached now.
func (d *Dispatcher) way(ctx context.Context, tx *store.Tx, r *row, ring seal.Ring) (w Way, err error) {
	switch {
	case r.Address != nil:
		var to []byte
		to, err = d.Vault.Open(ctx, tx, seal.House, "address", r.Address)
		w.Chat = string(to)
	case d.Reach != nil:
		return d.Reach(ctx, tx, r.To, r.About, r.Scope)
	case r.To == r.About:
		w.Chat, _, err = ring.Chat()
	default:
		w.Chat, _, err = d.Vault.Chat(ctx, tx, r.To)
	}
	return w, err
}

// tokens gives each button the token that was drawn for it.
func (d *Dispatcher) tokens(ctx context.Context, tx *store.Tx, r *row) error {
	if len(r.content.Message.Buttons) == 0 {
		return nil
	}
	var drawn []struct{ Token, Action string }
	if err := tx.Select(ctx, &drawn, `SELECT token, action FROM buttons WHERE outbox_id = ?`, r.ID); err != nil {
		return err
	}
	lines := make([][]Button, len(r.content.Message.Buttons))
	for i, line := range r.content.Message.Buttons {
		lines[i] = slices.Clone(line)
		for j := range lines[i] {
			for _, t := range drawn {
				if t.Action == lines[i][j].Action {
					lines[i][j].Token = t.Token
				}
			}
		}
	}
	r.envelope.Message.Buttons = lines
	return nil
}
