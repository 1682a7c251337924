package outbox

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Differences says how the rows of a topic differ from what is wanted of it at tx.Now,
// of what lies ahead: what is due by now is on its way. An empty result is what
// Reconcile would find nothing to do about.
func (o *Outbox) Differences(ctx context.Context, tx *store.Tx, topic string, wants []Want, ahead time.Time) (diffs []string, err error) {
	wanted := make(map[string]bool)
	for _, w := range wants {
		w.Topic = topic
		wanted[w.Key] = true
		if !w.Due.After(ahead) {
			continue
		}
		how, err := o.differs(ctx, tx, w)
		if err != nil {
			return nil, err
		}
		if how != "" {
			diffs = append(diffs, w.Key+" "+how)
		}
	}
	var live []string
	if err := tx.Select(ctx, &live, `SELECT key FROM outbox WHERE topic = ? AND state IN ('queued', 'sending') AND due_at > ? ORDER BY id`, topic, store.At(ahead)); err != nil {
		return nil, err
	}
	for _, key := range live {
		if !wanted[key] {
			diffs = append(diffs, key+" is queued and not called for")
		}
	}
	slices.Sort(diffs)
	return diffs, nil
}

func (o *Outbox) differs(ctx context.Context, tx *store.Tx, w Want) (string, error) {
	if err := w.complete(); err != nil {
		return "", err
	}
	r, err := o.revisionOf(ctx, tx, w)
	if err != nil {
		return "", err
	}
	var old stored
	exists, err := tx.Find(ctx, &old, storedQuery, w.Key)
	switch {
	case err != nil:
		return "", err
	case !exists:
		return "is called for and not there", nil
	case old.State == "withdrawn":
		return "is called for and was taken back", nil
	case old.State == "queued" && !old.says(r, tx.Now):
		return "is queued otherwise than it is called for", nil
	}
	return "", nil
}

// Check looks at every row: whether it opens, whether it hangs, and whether its buttons
// are its own.
func (o *Outbox) Check(ctx context.Context, tx *store.Tx) ([]store.Finding, error) {
	var found []store.Finding
	for after := int64(0); ; {
		var rows []checkedRow
		if err := tx.Select(ctx, &rows, `SELECT id, key, kind, priority, state, sealed_for, body, digest, address, not_before, lease_until, untold IS NOT NULL AS untold
			FROM outbox WHERE id > ? ORDER BY id LIMIT 1000`, after); err != nil {
			return found, err
		}
		for _, r := range rows {
			more, err := o.checkRow(ctx, tx, r)
			if err != nil {
				return found, err
			}
			found = append(found, more...)
			after = r.ID
		}
		if len(rows) < 1000 {
			break
		}
	}
	more, err := o.checkButtons(ctx, tx)
	return append(found, more...), err
}

type checkedRow struct {
	ID        int64       `db:"id"`
	Key       string      `db:"key"`
	Kind      Kind        `db:"kind"`
	Priority  int         `db:"priority"`
	State     string      `db:"state"`
	About     seal.Person `db:"sealed_for"`
	Body      []byte      `db:"body"`
	Digest    []byte      `db:"digest"`
	Address   []byte      `db:"address"`
	NotBefore store.Time  `db:"not_before"`
	Lease     store.Time  `db:"lease_until"`
	Untold    bool        `db:"untold"`
}

// hangs is how long a row may be overdue before it is a finding: common practice, no
// source.
const hangs = 15 * time.Minute

const seeServing = "see that `handrail serve` runs and reaches the platform; its log says what keeps it"

func (o *Outbox) checkRow(ctx context.Context, tx *store.Tx, r checkedRow) (found []store.Finding, err error) {
	at := fmt.Sprintf("outbox row %d (%s)", r.ID, r.Key)
	add := func(what, do string) { found = append(found, store.Finding{At: at, What: what, Do: do}) }
	plain, err := o.vault.Open(ctx, tx, r.About, "outbox", r.Body)
	switch {
	case errors.Is(err, seal.ErrErased):
	case errors.Is(err, seal.ErrSealed):
		found = append(found, seal.NotOpening(at, "what it says"))
	case err != nil:
		return nil, err
	default:
		var chat []byte
		if r.Address != nil {
			if chat, err = o.vault.Open(ctx, tx, seal.House, "address", r.Address); err != nil && !errors.Is(err, seal.ErrSealed) {
				return nil, err
			}
		}
		digest, err := o.vault.Digest(ctx, tx, r.About, "outbox "+string(r.Kind), append(plain[:len(plain):len(plain)], chat...))
		if err != nil {
			return nil, err
		}
		if !bytes.Equal(digest, r.Digest) {
			add("what it says is not what was queued", "compare it with the last backup; a row that waits is written anew by `handrail serve` at the next change or at midnight")
		}
	}
	k, known := kinds[r.Kind]
	switch {
	case !known || k.priority != r.Priority:
		add("its kind and its priority do not belong together", "the row was changed by something else than the program: compare it with the last backup")
	case r.State == "queued" && r.NotBefore.Before(tx.Now.Add(-hangs)):
		add("it was due and has not gone out", seeServing)
	case r.State == "sending" && r.Lease.Before(tx.Now.Add(-hangs)):
		add("it was on the wire when the program ended", seeServing)
	case r.Untold:
		add("nobody has been told yet that it did not go out", seeServing)
	}
	return found, nil
}

// checkButtons looks for buttons that are not their message's.
func (o *Outbox) checkButtons(ctx context.Context, tx *store.Tx) (found []store.Finding, err error) {
	var rows []struct {
		Row    int64       `db:"outbox_id"`
		Key    string      `db:"key"`
		About  seal.Person `db:"sealed_for"`
		Body   []byte      `db:"body"`
		To     seal.Person `db:"person"`
		Whose  seal.Person `db:"whose"`
		Action string      `db:"action"`
	}
	if err := tx.Select(ctx, &rows, `SELECT b.outbox_id, o.key, o.sealed_for, o.body, coalesce(o.person_id, 0) AS person, b.person_id AS whose, b.action
		FROM buttons b JOIN outbox o ON o.id = b.outbox_id ORDER BY b.outbox_id`); err != nil {
		return nil, err
	}
	for _, b := range rows {
		at := fmt.Sprintf("a button of outbox row %d (%s)", b.Row, b.Key)
		const do = "delete the button, or restore the last backup: whoever presses it does what nobody offered her"
		if b.To != b.Whose {
			found = append(found, store.Finding{At: at, What: "it is somebody else's than its message", Do: do})
			continue
		}
		plain, err := o.vault.Open(ctx, tx, b.About, "outbox", b.Body)
		if errors.Is(err, seal.ErrSealed) {
			continue // erased, or found above
		}
		if err != nil {
			return found, err
		}
		var c content
		if decode(plain, &c) != nil || !slices.Contains(c.Message.actions(), b.Action) {
			found = append(found, store.Finding{At: at, What: "its message does not offer it", Do: do})
		}
	}
	return found, nil
}

// Promised reports whether something of a topic is still to be done: a row that waits
// or is at work.
func (o *Outbox) Promised(ctx context.Context, tx *store.Tx, topic string) (yes bool, err error) {
	err = tx.Get(ctx, &yes, `SELECT EXISTS (SELECT 1 FROM outbox WHERE topic = ? AND state IN ('queued', 'sending'))`, topic)
	return yes, err
}
