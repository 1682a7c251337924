package outbox

import (
	"context"
	"fmt"
	"strings"
	"time"

	"handrail.example/reminders/store"
)

// settle writes down what became of an attempt.
func (d *Dispatcher) settle(ctx context.Context, tx *store.Tx, r *row) error {
	d.limits.landed(r.chat(), r.priority())
	if r.unsent {
		return d.again(ctx, tx, r, 0)
	}
	if err := noteAttempt(ctx, tx, r.ID, r.outcome); err != nil {
		return err
	}
	switch r.outcome.Fate {
	case Sent:
		_, err := tx.Exec(ctx, `UPDATE outbox SET state = 'sent', sent_at = ?, settled_at = ?, external_id = ?, tries = tries + 1,
			lease_until = NULL, revised = NULL WHERE id = ?`, store.At(tx.Now), store.At(tx.Now), r.outcome.External, r.ID)
		return err
	case Later:
		d.holdBack(tx.Now, r)
		return d.again(ctx, tx, r, 1)
	case Never:
		if revised, err := d.becomeRevision(ctx, tx, r); err != nil || revised {
			return err
		}
		return d.giveUp(ctx, tx, r, "failed", Undelivered, r.outcome.Class)
	}
	return d.settleUnknown(ctx, tx, r)
}

// settleUnknown decides about a message that may have been delivered.
func (d *Dispatcher) settleUnknown(ctx context.Context, tx *store.Tx, r *row) error {
	if !kinds[r.Kind].again {
		return d.giveUp(ctx, tx, r, "failed", Doubtful, r.outcome.Class)
	}
	d.holdBack(tx.Now, r)
	if revised, err := d.becomeRevision(ctx, tx, r); err != nil || revised {
		return err
	}
	doubtful, err := inDoubt(ctx, tx, r.ID)
	if err != nil {
		return err
	}
	if doubtful {
		return d.giveUp(ctx, tx, r, "failed", Doubtful, r.outcome.Class)
	}
	return d.again(ctx, tx, r, 1)
}

// inDoubt reports whether so many answers to a message were lost that a person
// must look. While nothing gets through to anybody it is the platform that is
// out of reach, and the message is not to blame.
func inDoubt(ctx context.Context, tx *store.Tx, id int64) (bool, error) {
	var lost struct {
		Times int        `db:"times"`
		First store.Time `db:"first"`
	}
	err := tx.Get(ctx, &lost, `SELECT count(*) AS times, min(at) AS first FROM attempts WHERE outbox_id = ? AND fate = ?`, id, Unknown)
	if err != nil || lost.Times < doubtTries || lost.Times >= hopeless {
		return lost.Times >= hopeless, err
	}
	var through store.Time
	some, err := tx.Find(ctx, &through, `SELECT at FROM attempts WHERE fate = ? ORDER BY id DESC LIMIT 1`, Sent)
	return some && !through.Before(lost.First.Time), err
}

func noteAttempt(ctx context.Context, tx *store.Tx, id int64, o Outcome) error {
	_, err := tx.Exec(ctx, `INSERT INTO attempts (outbox_id, at, fate, class) VALUES (?, ?, ?, ?)`, id, store.At(tx.Now), o.Fate, o.Class)
	return err
}

// again queues a row for another try, as whatever it should say by now.
func (d *Dispatcher) again(ctx context.Context, tx *store.Tx, r *row, tries int) error {
	if revised, err := d.becomeRevision(ctx, tx, r); err != nil || revised {
		return err
	}
	if r.priority() == urgent && tries > 0 {
		// It waits alone: other alerts to the same chat go on.
		most := alertRetry
		if r.outcome.Fate == Unknown && r.Tries >= doubtTries {
			most = lastRetry
		}
		_, err := tx.Exec(ctx, `UPDATE outbox SET not_before = ? WHERE id = ?`, store.At(tx.Now.Add(backOff(r.Tries, most))), r.ID)
		if err != nil {
			return err
		}
	}
	// Everything else keeps its place, since its chat is held.
	_, err := tx.Exec(ctx, `UPDATE outbox SET state = 'queued', lease_until = NULL, tries = tries + ? WHERE id = ?`, tries, r.ID)
	return err
}

// holdBack keeps more from going where a row did not get through: what the
// platform orders holds for everything, our own caution for what must not
// overtake the row.
func (d *Dispatcher) holdBack(now time.Time, r *row) {
	asked := min(r.outcome.After, longestAsk)
	wait := asked
	if wait <= 0 {
		wait = backOff(r.Tries, lastRetry)
	}
	switch {
	case r.outcome.Everyone:
		d.limits.holdAll(now.Add(wait))
	case asked > 0:
		d.limits.hold(r.chat(), urgent, now.Add(wait))
	case r.priority() != urgent:
		d.limits.hold(r.chat(), r.priority(), now.Add(wait))
	}
}

// becomeRevision makes a row what was decided about it while it was on the wire.
// It reports whether anything was.
func (d *Dispatcher) becomeRevision(ctx context.Context, tx *store.Tx, r *row) (bool, error) {
	var sealed []byte
	if err := tx.Get(ctx, &sealed, `SELECT revised FROM outbox WHERE id = ?`, r.ID); err != nil || sealed == nil {
		return false, err
	}
	rev, err := d.Outbox.openRevision(ctx, tx, r.About, sealed)
	if ok, err := d.couldRead(r, err); err != nil {
		return false, err
	} else if !ok {
		return true, d.giveUp(ctx, tx, r, "failed", Undelivered, "unreadable")
	}
	if rev.Unwanted {
		return true, settleRow(ctx, tx, r.ID, "withdrawn")
	}
	return true, d.Outbox.rewrite(ctx, tx, r.ID, rev)
}

// recover takes back rows whose lease ran out: the program ended while they were
// on the wire, so their fate is unknown. A lease that is longer than a lease can
// be was given before the clock was set back.
func (d *Dispatcher) recover(ctx context.Context, tx *store.Tx) error {
	var rows []*row
	if err := tx.Select(ctx, &rows, `SELECT `+rowColumns+` FROM outbox WHERE state = 'sending' AND (lease_until <= ? OR lease_until > ?)`,
		store.At(tx.Now), store.At(tx.Now.Add(lease+slack))); err != nil {
		return err
	}
	for _, r := range rows {
		if d.flights.has(r.ID) {
			if _, err := tx.Exec(ctx, `UPDATE outbox SET lease_until = ? WHERE id = ?`, store.At(tx.Now.Add(lease)), r.ID); err != nil {
				return err
			}
			continue
		}
		if _, err := d.read(ctx, tx, r); err != nil {
			return err
		}
		r.outcome = Outcome{Fate: Unknown, Class: "interrupted"}
		if err := d.settle(ctx, tx, r); err != nil {
			return fmt.Errorf("take back row %d: %w", r.ID, err)
		}
	}
	return nil
}

// Resume takes back every row that was on the wire when the program last ended,
// without waiting for its lease. Call it once, before Run, in the only process
// that sends.
func (d *Dispatcher) Resume(ctx context.Context) error {
	d.start()
	return d.DB.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		d.limits.at(tx.Now)
		if _, err := tx.Exec(ctx, `UPDATE outbox SET lease_until = ? WHERE state = 'sending'`, store.At(tx.Now)); err != nil {
			return err
		}
		if err := rewind(ctx, tx); err != nil {
			return err
		}
		if err := d.remember(ctx, tx); err != nil {
			return err
		}
		return d.recover(ctx, tx)
	})
}

// remember holds back what was being waited for when the program last ended, so
// that a program that keeps ending does not keep sending the same message.
func (d *Dispatcher) remember(ctx context.Context, tx *store.Tx) error {
	var tried []struct {
		row
		At store.Time `db:"at"`
	}
	if err := tx.Select(ctx, &tried, `SELECT `+rowColumns+`, (SELECT max(at) FROM attempts WHERE outbox_id = outbox.id) AS at
		FROM outbox WHERE state = 'queued' AND tries > 0 AND priority > ? AND priority < ?`, urgent, background); err != nil {
		return err
	}
	for _, r := range tried {
		if !r.At.After(tx.Now) {
			d.limits.hold(r.chat(), r.priority(), r.At.Add(backOff(r.Tries-1, lastRetry)))
		}
	}
	return nil
}

// expire turns rows that are too late to be of use over to people.
func (d *Dispatcher) expire(ctx context.Context, tx *store.Tx) error {
	var rows []*row
	if err := tx.Select(ctx, &rows, `SELECT `+rowColumns+` FROM outbox
		WHERE state = 'queued' AND expires_at <= ? ORDER BY expires_at, id LIMIT ?`, store.At(tx.Now), lateBatch); err != nil {
		return err
	}
	for _, r := range rows {
		if _, err := d.read(ctx, tx, r); err != nil {
			return err
		}
		if err := d.giveUp(ctx, tx, r, "expired", Late, ""); err != nil {
			return fmt.Errorf("give up row %d: %w", r.ID, err)
		}
	}
	return nil
}

// giveUp settles a row that will not be kept and tells somebody. Of a person who
// has been erased there is nobody to tell anything.
func (d *Dispatcher) giveUp(ctx context.Context, tx *store.Tx, r *row, state string, why Why, class string) error {
	if r.erased {
		return settleRow(ctx, tx, r.ID, "withdrawn")
	}
	if err := settleRow(ctx, tx, r.ID, state); err != nil {
		return err
	}
	return d.tell(ctx, tx, r, why, class)
}

// tell hands a row's trouble over. If that fails the row remembers, so that a
// fault elsewhere neither loses it nor holds up others.
func (d *Dispatcher) tell(ctx context.Context, tx *store.Tx, r *row, why Why, class string) error {
	err := tx.Try(ctx, func() error {
		return d.OnTrouble(ctx, tx, Trouble{Row: r.ID, Key: r.Key, Topic: r.Topic, Kind: r.Kind, To: r.To,
			About: r.About, Why: why, Class: class, Text: r.content.Message.Text})
	})
	if err == nil {
		return nil
	}
	if broken := tx.Broken(); broken != nil {
		return broken
	}
	d.Report(fmt.Errorf("trouble with row %d could not be told, it will be told again: %w", r.ID, err))
	_, err = tx.Exec(ctx, `UPDATE outbox SET untold = ?, not_before = ? WHERE id = ?`,
		string(why)+" "+class, store.At(tx.Now.Add(lastRetry)), r.ID)
	return err
}

// retell hands over what could not be told before.
func (d *Dispatcher) retell(ctx context.Context, tx *store.Tx) error {
	var rows []*row
	if err := tx.Select(ctx, &rows, `SELECT `+rowColumns+` FROM outbox
		WHERE untold IS NOT NULL AND not_before <= ? ORDER BY not_before, id LIMIT ?`, store.At(tx.Now), lateBatch); err != nil {
		return err
	}
	for _, r := range rows {
		if _, err := tx.Exec(ctx, `UPDATE outbox SET untold = NULL WHERE id = ?`, r.ID); err != nil {
			return err
		}
		if _, err := d.read(ctx, tx, r); err != nil {
			return err
		}
		if r.erased {
			continue
		}
		why, class, _ := strings.Cut(*r.Untold, " ")
		if err := d.tell(ctx, tx, r, Why(why), class); err != nil {
			return err
		}
	}
	return nil
}

func settleRow(ctx context.Context, tx *store.Tx, id int64, state string) error {
	_, err := tx.Exec(ctx, `UPDATE outbox SET state = ?, settled_at = ?, lease_until = NULL, revised = NULL WHERE id = ?`,
		state, store.At(tx.Now), id)
	return err
}
