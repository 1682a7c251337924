package outbox

import (
	"context"
	"errors"
	"slices"
	"time"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Item is a message to somebody as it stands.
type Item struct {
	Row  int64
	Kind Kind
	Text string
	// State is that of the row: queued, sending, sent, withdrawn, failed, expired.
	State string
	// Due is when it goes out, or went; Sent is zero when it did not.
	Due, Sent time.Time
	Tries     int
	// Class is why the last attempt failed, in the fixed words of Outcome.
	Class string
	// Pressed is the label of the button that she pressed under it, "" for none.
	Pressed string
}

// itemRow is a message as the table has it.
type itemRow struct {
	ID      int64       `db:"id"`
	Kind    Kind        `db:"kind"`
	State   string      `db:"state"`
	About   seal.Person `db:"sealed_for"`
	Body    []byte      `db:"body"`
	Due     store.Time  `db:"due_at"`
	Sent    store.Time  `db:"sent_at"`
	Tries   int         `db:"tries"`
	Class   *string     `db:"class"`
	Pressed *string     `db:"pressed"`
}

const itemColumns = `SELECT o.id, o.kind, o.state, o.sealed_for, o.body, o.due_at, o.sent_at, o.tries,
	(SELECT class FROM attempts a WHERE a.outbox_id = o.id AND a.fate <> 'sent' ORDER BY a.id DESC LIMIT 1) AS class,
	(SELECT action FROM buttons b WHERE b.outbox_id = o.id AND b.used_at IS NOT NULL LIMIT 1) AS pressed
	FROM outbox o WHERE o.person_id = ? AND o.state <> 'withdrawn' AND `

// History are the last n messages to p, and the next few that lie ahead, the latest
// first.
func (o *Outbox) History(ctx context.Context, tx *store.Tx, p seal.Person, n, ahead int) ([]Item, error) {
	var past, next []itemRow
	if err := tx.Select(ctx, &past, itemColumns+`o.due_at <= ? ORDER BY coalesce(o.sent_at, o.due_at) DESC, o.id DESC LIMIT ?`, p, store.At(tx.Now), n); err != nil {
		return nil, err
	}
	if err := tx.Select(ctx, &next, itemColumns+`o.due_at > ? ORDER BY o.due_at, o.id LIMIT ?`, p, store.At(tx.Now), ahead); err != nil {
		return nil, err
	}
	slices.Reverse(next)
	var all []Item
	for _, r := range append(next, past...) {
		i, err := o.item(ctx, tx, r)
		if err != nil {
			return nil, err
		}
		if i.Text != "" {
			all = append(all, i)
		}
	}
	return all, nil
}

func (o *Outbox) item(ctx context.Context, tx *store.Tx, r itemRow) (Item, error) {
	i := Item{Row: r.ID, Kind: r.Kind, State: r.State, Due: r.Due.Time, Sent: r.Sent.Time, Tries: r.Tries}
	plain, err := o.vault.Open(ctx, tx, r.About, "outbox", r.Body)
	if errors.Is(err, seal.ErrSealed) {
		return i, nil // of somebody who has been erased nothing is left to show
	}
	if err != nil {
		return i, err
	}
	var c content
	if err := decode(plain, &c); err != nil {
		return i, err
	}
	i.Text = c.Message.Text
	if r.Class != nil && i.Sent.IsZero() {
		i.Class = *r.Class
	}
	if r.Pressed != nil {
		i.Pressed = c.Message.label(*r.Pressed)
	}
	return i, nil
}

// label is that of the button with this action.
func (m Message) label(action string) string {
	for _, line := range m.Buttons {
		for _, b := range line {
			if b.Action == action {
				return b.Label
			}
		}
	}
	return ""
}

// Overdue is what ought to have gone out by now, of one kind.
type Overdue struct {
	Kind   Kind       `db:"kind"`
	N      int        `db:"n"`
	Oldest store.Time `db:"oldest"` // when the oldest was due
}

// Overdue counts what is due and neither sent nor given up, by kind; what is on
// the wire counts too.
func (o *Outbox) Overdue(ctx context.Context, tx *store.Tx) (all []Overdue, err error) {
	const due = `SELECT kind, due_at FROM outbox WHERE `
	q := due + `state = 'sending'`
	var args []any
	for p := urgent; p <= background; p++ {
		// Each priority is a stretch of the index; a row put off after a try is in it again soon.
		q += ` UNION ALL ` + due + `state = 'queued' AND priority = ? AND not_before <= ?`
		args = append(args, p, store.At(tx.Now.Add(lastRetry)))
	}
	args = append(args, store.At(tx.Now))
	err = tx.Select(ctx, &all, `SELECT kind, count(*) AS n, min(due_at) AS oldest FROM (`+q+`) WHERE due_at <= ? GROUP BY kind ORDER BY kind`, args...)
	return all, err
}
