package outbox

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"sync"
	"time"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// deliver claims, sends and settles one batch. When everything due is held back
// by the limits it reports until when; otherwise the zero time.
func (d *Dispatcher) deliver(ctx context.Context) (time.Time, error) {
	var rows []*row
	var wait time.Time
	if err := d.DB.Within(ctx, func(ctx context.Context, tx *store.Tx) (err error) {
		rows, wait, err = d.claim(ctx, tx)
		return err
	}); err != nil {
		return time.Time{}, fmt.Errorf("claim: %w", err)
	}
	if len(rows) == 0 {
		return wait, nil
	}
	d.send(ctx, rows)
	if err := d.DB.Within(context.WithoutCancel(ctx), func(ctx context.Context, tx *store.Tx) error {
		for _, r := range rows {
			if err := d.settle(ctx, tx, r); err != nil {
				return fmt.Errorf("row %d: %w", r.ID, err)
			}
		}
		return nil
	}); err != nil {
		return time.Time{}, fmt.Errorf("settle: %w", err)
	}
	return time.Time{}, nil
}

// claim marks the most important due rows as being sent, as many as the limits
// let through. Rows of a chat that must wait are put off, not waited for.
func (d *Dispatcher) claim(ctx context.Context, tx *store.Tx) (claimed []*row, wait time.Time, err error) {
	room := min(batch, d.limits.room(tx.Now))
	wait = tx.Now.Add(botEvery)
	for _, p := range priorities() {
		if p == kinds[Task].priority {
			continue
		}
		var due []*row
		if err := tx.Select(ctx, &due, `SELECT `+rowColumns+` FROM outbox
			WHERE state = 'queued' AND priority = ? AND not_before <= ? ORDER BY not_before, id LIMIT ?`,
			p, store.At(tx.Now), lookahead); err != nil {
			return nil, wait, err
		}
		for _, r := range due {
			if len(claimed) == room {
				return claimed, wait, nil
			}
			ok, err := d.claimRow(ctx, tx, r)
			if err != nil {
				return nil, wait, fmt.Errorf("row %d: %w", r.ID, err)
			}
			if ok {
				claimed = append(claimed, r)
			}
		}
	}
	return claimed, wait, nil
}

func (d *Dispatcher) claimRow(ctx context.Context, tx *store.Tx, r *row) (bool, error) {
	if held := d.limits.wait(r.to(), tx.Now); !held.IsZero() {
		_, err := tx.Exec(ctx, `UPDATE outbox SET not_before = ? WHERE id = ?`, store.At(held.Add(time.Millisecond)), r.ID)
		return false, err
	}
	class, err := d.address(ctx, tx, r)
	if err != nil {
		d.Report(fmt.Errorf("row %d: %w", r.ID, err))
		class = "unreadable"
	}
	if class != "" {
		if err := settleRow(ctx, tx, r.ID, "failed"); err != nil {
			return false, err
		}
		return false, d.trouble(ctx, tx, r, Undelivered, class)
	}
	d.limits.took(r.to(), tx.Now)
	_, err = tx.Exec(ctx, `UPDATE outbox SET state = 'sending', lease_until = ? WHERE id = ?`, store.At(tx.Now.Add(lease)), r.ID)
	return true, err
}

// address completes the envelope, or says in a word why nobody can get it.
func (d *Dispatcher) address(ctx context.Context, tx *store.Tx, r *row) (class string, err error) {
	if err := d.read(ctx, tx, r); err != nil {
		return "", err
	}
	r.envelope = Envelope{Row: r.ID, Message: r.content.Message}
	if r.Address != nil {
		chat, err := d.Vault.Open(ctx, tx, seal.House, "address", r.Address)
		r.envelope.Chat = string(chat)
		return "", err
	}
	chat, linked, err := d.Vault.Chat(ctx, tx, r.to())
	if err != nil {
		return "", err
	}
	if !linked {
		return "no chat", nil
	}
	r.envelope.Chat = chat
	return "", d.tokens(ctx, tx, r)
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

// send puts a batch on the wire. Chats go side by side, so that a slow one holds
// up nobody; within a chat the order is kept.
func (d *Dispatcher) send(ctx context.Context, rows []*row) {
	chats := make(map[string][]*row)
	var order []string
	for _, r := range rows {
		chat := r.envelope.Chat
		if chats[chat] == nil {
			order = append(order, chat)
		}
		chats[chat] = append(chats[chat], r)
	}
	var wg sync.WaitGroup
	for _, chat := range order {
		wg.Go(func() {
			held := false
			for _, r := range chats[chat] {
				if held {
					// What came before it did not get through; it must not overtake.
					r.outcome = Outcome{Fate: Later, Class: "behind another"}
					continue
				}
				r.outcome = d.Sender.Send(ctx, r.envelope)
				held = r.outcome.Fate == Later || r.outcome.Fate == Unknown
			}
		})
	}
	wg.Wait()
}

// settle writes down what became of an attempt.
func (d *Dispatcher) settle(ctx context.Context, tx *store.Tx, r *row) error {
	if err := noteAttempt(ctx, tx, r.ID, r.outcome); err != nil {
		return err
	}
	// What was decided about the row while it was on the wire.
	if err := tx.Get(ctx, &r.Revised, `SELECT revised FROM outbox WHERE id = ?`, r.ID); err != nil {
		return err
	}
	switch r.outcome.Fate {
	case Sent:
		_, err := tx.Exec(ctx, `UPDATE outbox SET state = 'sent', sent_at = ?, settled_at = ?, external_id = ?, tries = tries + 1,
			lease_until = NULL, revised = NULL WHERE id = ?`, store.At(tx.Now), store.At(tx.Now), r.outcome.External, r.ID)
		return err
	case Later:
		return d.again(ctx, tx, r)
	case Never:
		if err := settleRow(ctx, tx, r.ID, "failed"); err != nil {
			return err
		}
		return d.trouble(ctx, tx, r, Undelivered, r.outcome.Class)
	}
	if kinds[r.Kind].again && r.Tries+1 < doubtTries {
		return d.again(ctx, tx, r)
	}
	if err := settleRow(ctx, tx, r.ID, "failed"); err != nil {
		return err
	}
	return d.trouble(ctx, tx, r, Doubtful, r.outcome.Class)
}

func noteAttempt(ctx context.Context, tx *store.Tx, id int64, o Outcome) error {
	_, err := tx.Exec(ctx, `INSERT INTO attempts (outbox_id, at, fate, class) VALUES (?, ?, ?, ?)`, id, store.At(tx.Now), o.Fate, o.Class)
	return err
}

// again queues a row for another try, as whatever it should say by now.
func (d *Dispatcher) again(ctx context.Context, tx *store.Tx, r *row) error {
	if r.Revised != nil {
		return d.applyRevision(ctx, tx, r)
	}
	at := tx.Now.Add(d.patience(r))
	d.limits.hold(r.to(), r.outcome.Everyone, at)
	_, err := tx.Exec(ctx, `UPDATE outbox SET state = 'queued', lease_until = NULL, not_before = ?, tries = tries + 1 WHERE id = ?`,
		store.At(at), r.ID)
	return err
}

// patience is how long to wait before the next try: what the platform asks, or
// twice as long as before.
func (d *Dispatcher) patience(r *row) time.Duration {
	if r.outcome.After > 0 {
		return r.outcome.After
	}
	most := lastRetry
	if r.Kind == Alert {
		most = alertRetry
	}
	return backOff(r.Tries, most)
}

func (d *Dispatcher) applyRevision(ctx context.Context, tx *store.Tx, r *row) error {
	plain, err := d.Vault.Open(ctx, tx, r.About, "outbox revision", r.Revised)
	if err != nil {
		return err
	}
	var rev revision
	if err := decode(plain, &rev); err != nil {
		return err
	}
	if rev.Unwanted {
		return settleRow(ctx, tx, r.ID, "withdrawn")
	}
	return d.Outbox.rewrite(ctx, tx, r.ID, rev)
}

// recover takes back rows whose lease ran out: the program ended while they were
// on the wire, so their fate is unknown.
func (d *Dispatcher) recover(ctx context.Context, tx *store.Tx) error {
	var rows []*row
	if err := tx.Select(ctx, &rows, `SELECT `+rowColumns+` FROM outbox WHERE state = 'sending' AND lease_until <= ?`, store.At(tx.Now)); err != nil {
		return err
	}
	for _, r := range rows {
		if err := d.read(ctx, tx, r); err != nil {
			d.Report(fmt.Errorf("row %d: %w", r.ID, err))
		}
		r.outcome = Outcome{Fate: Unknown, Class: "interrupted"}
		if err := d.settle(ctx, tx, r); err != nil {
			return err
		}
	}
	return nil
}

// Resume takes back every row that was on the wire when the program last ended,
// without waiting for its lease. Call it once, before Run, in the only process
// that sends.
func (d *Dispatcher) Resume(ctx context.Context) error {
	if d.limits == nil {
		d.limits = newLimiter()
	}
	return d.DB.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		if _, err := tx.Exec(ctx, `UPDATE outbox SET lease_until = ? WHERE state = 'sending'`, store.At(tx.Now)); err != nil {
			return err
		}
		return d.recover(ctx, tx)
	})
}

func priorities() []int {
	var ps []int
	for _, k := range kinds {
		ps = append(ps, k.priority)
	}
	slices.Sort(ps)
	return slices.Compact(ps)
}

func decode(plain []byte, into any) error {
	if err := json.Unmarshal(plain, into); err != nil {
		// The error would quote what it could not read.
		return fmt.Errorf("a row of the outbox does not hold what it should")
	}
	return nil
}
