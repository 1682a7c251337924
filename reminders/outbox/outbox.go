// Package outbox keeps promises. Whatever must be said or done later is a row
// here, written in the transaction that makes it necessary; after the commit
// there is only a nudge.
//
// A row is a message for somebody, or a task: a name and a payload for a
// function that was registered under that name. Its states:
//
//	queued ──claim──▶ sending ──▶ sent        a message, delivered
//	  ▲ │                │ └────▶ failed      it can never be delivered
//	  │ │                ▼
//	  │ │             queued                  refused for now, or its fate unknown
//	  │ ├──run──▶ done                        a task; failed when it fails again and again
//	  │ ├───────▶ withdrawn ──▶ queued        no longer wanted, wanted again
//	  │ └───────▶ expired                     too late to be of use
//	  └ a new want under the same key rewrites a queued row
//
// Messages go out in order of their kind's priority. Within a chat, those of one
// priority keep the order in which they are due: while one does not get through,
// the next waits. Alerts alone wait for nobody. A row that cannot be kept is told
// to somebody in the transaction that gives it up; where telling fails, the row
// is marked untold and told later.
//
// The package owns the tables outbox, attempts and buttons. It refuses to change
// what was sent, and knows nothing of patients or cases: what follows a failure
// is a function that it is given.
package outbox

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"handrail.example/reminders/clock"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Kind says what a row is for. It decides its priority and what follows when
// its fate is unknown.
type Kind string

// The kinds, in the order in which they are sent.
const (
	Alert      Kind = "alert"      // an emergency, to staff and to the patient
	Answer     Kind = "answer"     // what a person wrote to a patient
	Reply      Kind = "reply"      // what the bot answers
	Escalation Kind = "escalation" // a case that waits, to staff
	Dose       Kind = "dose"       // something to be taken at an exact time
	Reminder   Kind = "reminder"   // everything else
	Task       Kind = "task"       // work of our own
)

// kinds gives each kind its priority (lower goes first) and whether a message
// that may have been delivered already is sent again. What the bot says is safe
// to read twice; what a person wrote is hers to repeat.
var kinds = map[Kind]struct {
	priority int
	again    bool
}{
	Alert: {urgent, true}, Answer: {1, false}, Reply: {1, true}, Escalation: {2, true},
	Dose: {3, true}, Reminder: {4, true}, Task: {background, true},
}

// The ends of the scale. Nothing urgent waits for another message; what is in the
// background goes on no wire.
const (
	urgent     = 0
	background = 5
)

// Want is a row as it should be.
type Want struct {
	// Key is the row's identity for ever: a second want with the same key is
	// the same promise, and once that has gone out, failed or expired it stays
	// so. What may be promised again for another time has the time in its key.
	Key string
	// Topic gathers the rows that Reconcile compares and Withdraw takes back,
	// as "cycle/12/plan".
	Topic string
	Kind  Kind
	// To is who gets it. Chat is the address of somebody who is no person here;
	// exactly one of both is set, none for a Task.
	To   seal.Person
	Chat string
	// About is whose key seals it: the patient it speaks of. Zero means To, or
	// the house.
	About seal.Person
	// Scope is what it tells of whom it is about, where that needs her leave: asked of
	// Dispatcher.Reach at the instant at which it is sent.
	Scope string
	// Due is when it is to go out; the zero time, or a past one, means at once.
	Due time.Time
	// Expires is when it is of no more use; the zero time means never.
	Expires time.Time
	Message Message
	// Run names a Task's function, Payload is its argument.
	Run     string
	Payload any
}

// content is what a row's body holds, sealed.
type content struct {
	Message Message         `json:"message,omitzero"`
	Run     string          `json:"run,omitempty"`
	Payload json.RawMessage `json:"payload,omitempty"`
}

// Outbox writes rows.
type Outbox struct {
	vault *seal.Vault
	bell  *clock.Bell
}

// New is an outbox that seals with vault and rings bell when there is something
// new to do.
func New(vault *seal.Vault, bell *clock.Bell) *Outbox { return &Outbox{vault, bell} }

// Put makes a promise. When the key is in use, a row that has not gone out yet is
// rewritten and a withdrawn one is revived; what has gone out stays, and Put
// does nothing.
func (o *Outbox) Put(ctx context.Context, tx *store.Tx, w Want) error {
	_, err := o.put(ctx, tx, w)
	return err
}

// Changes counts what a Reconcile did.
type Changes struct{ Added, Rewritten, Withdrawn int }

// Reconcile makes the rows of a topic what they should be: it adds, rewrites
// and withdraws, never touches what has gone out, and changes nothing when run
// again with the same wants.
func (o *Outbox) Reconcile(ctx context.Context, tx *store.Tx, topic string, wants []Want) (Changes, error) {
	// One look at what stands there costs less than one at each key.
	return o.reconcile(ctx, tx, topic, wants, `topic = ?`, topic)
}

// ReconcileUnder is Reconcile for those rows of a topic whose keys are key, or begin
// with key and a slash: a part that changes by itself. No other topic has such keys.
func (o *Outbox) ReconcileUnder(ctx context.Context, tx *store.Tx, topic, key string, wants []Want) (Changes, error) {
	return o.reconcile(ctx, tx, topic, wants, `key >= ? AND key < ?`, key, key+string('/'+1))
}

// reconcile compares the rows of a topic that where finds with what is wanted.
func (o *Outbox) reconcile(ctx context.Context, tx *store.Tx, topic string, wants []Want, where string, args ...any) (c Changes, err error) {
	var live []stored
	if err := tx.Select(ctx, &live, `SELECT `+storedColumns+` FROM outbox WHERE `+where+` AND state IN ('queued', 'sending')`, args...); err != nil {
		return c, err
	}
	stands := make(map[string]stored, len(live))
	for _, row := range live {
		stands[row.Key] = row
	}
	wanted := make(map[string]bool, len(wants))
	for _, w := range wants {
		if w.Topic = topic; wanted[w.Key] {
			return c, fmt.Errorf("two promises under the key %s", w.Key)
		}
		wanted[w.Key] = true
		did, err := o.putOver(ctx, tx, w, stands)
		if err != nil {
			return c, err
		}
		c.count(did)
	}
	for _, row := range live {
		if wanted[row.Key] {
			continue
		}
		did, err := o.withdraw(ctx, tx, row.pending)
		if err != nil {
			return c, err
		}
		if did {
			c.Withdrawn++
		}
	}
	return c, nil
}

func (c *Changes) count(did deed) {
	switch did {
	case added:
		c.Added++
	case rewritten:
		c.Rewritten++
	}
}

// putOver is put for a key whose row may be at hand.
func (o *Outbox) putOver(ctx context.Context, tx *store.Tx, w Want, stands map[string]stored) (deed, error) {
	if old, at := stands[w.Key]; at {
		return o.over(ctx, tx, w, old, true)
	}
	return o.put(ctx, tx, w)
}

// pending is a row that can still be taken back.
type pending struct {
	ID      int64       `db:"id"`
	Key     string      `db:"key"`
	State   string      `db:"state"`
	About   seal.Person `db:"sealed_for"`
	Revised []byte      `db:"revised"`
}

const pendingColumns = `id, key, state, sealed_for, revised`

// Withdraw takes back every row of a topic that has not gone out.
func (o *Outbox) Withdraw(ctx context.Context, tx *store.Tx, topic string) error {
	_, err := o.Reconcile(ctx, tx, topic, nil)
	return err
}

// WithdrawKey takes back one row, if it has not gone out.
func (o *Outbox) WithdrawKey(ctx context.Context, tx *store.Tx, key string) error {
	var row pending
	live, err := tx.Find(ctx, &row, `SELECT `+pendingColumns+` FROM outbox WHERE key = ? AND state IN ('queued', 'sending')`, key)
	if err != nil || !live {
		return err
	}
	_, err = o.withdraw(ctx, tx, row)
	return err
}

// WithdrawMessages takes back every message to p of a kind in kinds that has
// not gone out, and reports how many.
func (o *Outbox) WithdrawMessages(ctx context.Context, tx *store.Tx, p seal.Person, kinds ...Kind) (int, error) {
	n := 0
	for _, k := range kinds {
		var rows []pending
		if err := tx.Select(ctx, &rows, `SELECT `+pendingColumns+` FROM outbox
			WHERE person_id = ? AND kind = ? AND state IN ('queued', 'sending')`, p, k); err != nil {
			return n, err
		}
		for _, row := range rows {
			did, err := o.withdraw(ctx, tx, row)
			if err != nil {
				return n, err
			}
			if did {
				n++
			}
		}
	}
	return n, nil
}

// withdraw takes a row back, or notes on one that is on the wire that nobody
// wants it any more. It reports whether that was news.
func (o *Outbox) withdraw(ctx context.Context, tx *store.Tx, row pending) (bool, error) {
	if row.State == "sending" {
		return o.revise(ctx, tx, row.ID, row.About, row.Revised, &revision{About: row.About, Unwanted: true})
	}
	return true, settleRow(ctx, tx, row.ID, "withdrawn")
}
