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
//	  │ ├──run──▶ done                        a task
//	  │ ├───────▶ withdrawn ──▶ queued        no longer wanted, wanted again
//	  │ └───────▶ expired                     too late to be of use
//	  └ a new want under the same key rewrites a queued row
//
// The package owns the tables outbox, attempts and buttons. It refuses to change
// what was sent, and knows nothing of patients or cases: what follows a failure
// is a function that it is given.
package outbox

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
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
	Alert: {0, true}, Answer: {1, false}, Reply: {1, true}, Escalation: {2, true},
	Dose: {3, true}, Reminder: {4, true}, Task: {5, true},
}

// Want is a row as it should be.
type Want struct {
	// Key is the row's identity for ever: a second want with the same key is
	// the same promise.
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
	// Due is when it is to go out; the zero time means at once.
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
	var c Changes
	wanted := make(map[string]bool, len(wants))
	for _, w := range wants {
		if w.Topic = topic; wanted[w.Key] {
			return c, fmt.Errorf("two promises under the key %s", w.Key)
		}
		wanted[w.Key] = true
		did, err := o.put(ctx, tx, w)
		if err != nil {
			return c, err
		}
		switch did {
		case added:
			c.Added++
		case rewritten:
			c.Rewritten++
		}
	}
	var live []pending
	if err := tx.Select(ctx, &live, `SELECT id, key, state, sealed_for FROM outbox WHERE topic = ? AND state IN ('queued', 'sending')`, topic); err != nil {
		return c, err
	}
	for _, row := range live {
		if wanted[row.Key] {
			continue
		}
		c.Withdrawn++
		if err := o.withdraw(ctx, tx, row); err != nil {
			return c, err
		}
	}
	return c, nil
}

// pending is a row that can still be taken back.
type pending struct {
	ID    int64       `db:"id"`
	Key   string      `db:"key"`
	State string      `db:"state"`
	About seal.Person `db:"sealed_for"`
}

// Withdraw takes back every row of a topic that has not gone out.
func (o *Outbox) Withdraw(ctx context.Context, tx *store.Tx, topic string) error {
	_, err := o.Reconcile(ctx, tx, topic, nil)
	return err
}

// WithdrawKey takes back one row, if it has not gone out.
func (o *Outbox) WithdrawKey(ctx context.Context, tx *store.Tx, key string) error {
	var row pending
	live, err := tx.Find(ctx, &row, `SELECT id, key, state, sealed_for FROM outbox WHERE key = ? AND state IN ('queued', 'sending')`, key)
	if err != nil || !live {
		return err
	}
	return o.withdraw(ctx, tx, row)
}

// WithdrawMessages takes back every message to p of a kind in kinds that has
// not gone out, and reports how many.
func (o *Outbox) WithdrawMessages(ctx context.Context, tx *store.Tx, p seal.Person, kinds ...Kind) (int, error) {
	n := 0
	for _, k := range kinds {
		var rows []pending
		if err := tx.Select(ctx, &rows, `SELECT id, key, state, sealed_for FROM outbox
			WHERE person_id = ? AND kind = ? AND state IN ('queued', 'sending')`, p, k); err != nil {
			return n, err
		}
		for _, row := range rows {
			if err := o.withdraw(ctx, tx, row); err != nil {
				return n, err
			}
			n++
		}
	}
	return n, nil
}

func (o *Outbox) withdraw(ctx context.Context, tx *store.Tx, row pending) error {
	if row.State == "sending" {
		return o.revise(ctx, tx, row.ID, revision{About: row.About, Unwanted: true})
	}
	_, err := tx.Exec(ctx, `UPDATE outbox SET state = 'withdrawn', settled_at = ? WHERE id = ?`, store.At(tx.Now), row.ID)
	return err
}

// deed is what put did.
type deed int

const (
	nothing deed = iota
	added
	rewritten
)

// stored is a row as put compares it.
type stored struct {
	ID      int64      `db:"id"`
	State   string     `db:"state"`
	Digest  []byte     `db:"digest"`
	Due     store.Time `db:"due_at"`
	Expires store.Time `db:"expires_at"`
}

func (o *Outbox) put(ctx context.Context, tx *store.Tx, w Want) (deed, error) {
	if err := w.complete(tx.Now); err != nil {
		return nothing, err
	}
	plain, err := w.plain()
	if err != nil {
		return nothing, err
	}
	digest, err := o.vault.Digest(ctx, tx, w.About, "outbox "+string(w.Kind), append(plain, w.Chat...))
	if err != nil {
		return nothing, err
	}
	var old stored
	exists, err := tx.Find(ctx, &old, `SELECT id, state, digest, due_at, expires_at FROM outbox WHERE key = ?`, w.Key)
	if err != nil {
		return nothing, err
	}
	tx.AfterCommit(o.bell.Ring)
	if !exists {
		return added, o.insert(ctx, tx, w, plain, digest)
	}
	switch old.State {
	case "queued":
		if old.same(w, digest) {
			return nothing, nil
		}
	case "withdrawn":
	case "sending":
		return nothing, o.whileSending(ctx, tx, old, w, plain, digest)
	default:
		return nothing, nil
	}
	return rewritten, o.rewrite(ctx, tx, old.ID, revisionOf(w, plain, digest))
}

// whileSending notes what a row on the wire should become if it comes back.
func (o *Outbox) whileSending(ctx context.Context, tx *store.Tx, old stored, w Want, plain, digest []byte) error {
	if old.same(w, digest) {
		_, err := tx.Exec(ctx, `UPDATE outbox SET revised = NULL WHERE id = ?`, old.ID)
		return err
	}
	return o.revise(ctx, tx, old.ID, revisionOf(w, plain, digest))
}

// revision is what a row should say from now on.
type revision struct {
	Unwanted bool        `json:",omitempty"`
	Topic    string      `json:",omitempty"`
	To       seal.Person `json:",omitempty"`
	About    seal.Person
	Due      time.Time `json:",omitzero"`
	Expires  time.Time `json:",omitzero"`
	Plain    []byte    `json:",omitempty"`
	Digest   []byte    `json:",omitempty"`
	Actions  []string  `json:",omitempty"`
}

func revisionOf(w Want, plain, digest []byte) revision {
	return revision{Topic: w.Topic, To: w.To, About: w.About, Due: w.Due, Expires: w.Expires,
		Plain: plain, Digest: digest, Actions: w.Message.actions()}
}

func (o *Outbox) revise(ctx context.Context, tx *store.Tx, id int64, r revision) error {
	plain, err := json.Marshal(r)
	if err != nil {
		return err
	}
	sealed, err := o.vault.Seal(ctx, tx, r.About, "outbox revision", plain)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `UPDATE outbox SET revised = ? WHERE id = ?`, sealed, id)
	return err
}

// same reports whether the row says what w says. "At once" is whatever instant
// the row was first due.
func (s stored) same(w Want, digest []byte) bool {
	return bytes.Equal(s.Digest, digest) && (w.Due.IsZero() || s.Due.Equal(store.At(w.Due).Time)) &&
		s.Expires.Equal(store.At(w.Expires).Time)
}

func (w *Want) complete(now time.Time) error {
	_, known := kinds[w.Kind]
	switch {
	case w.Key == "" || w.Topic == "" || !known:
		return fmt.Errorf("a promise needs a key, a topic and a known kind (key %q, kind %q)", w.Key, w.Kind)
	case w.Kind == Task && (w.Run == "" || w.To != 0 || w.Chat != ""):
		return fmt.Errorf("the task %s needs a function and no recipient", w.Key)
	case w.Kind != Task && (w.To == 0) == (w.Chat == ""):
		return fmt.Errorf("the message %s needs one recipient", w.Key)
	}
	if w.About == 0 {
		w.About = w.To
	}
	if w.About == 0 {
		w.About = seal.House
	}
	if !w.Due.IsZero() && w.Due.Before(now) {
		w.Due = now
	}
	return nil
}

func (w *Want) plain() ([]byte, error) {
	c := content{Message: w.Message, Run: w.Run}
	if w.Payload != nil {
		p, err := json.Marshal(w.Payload)
		if err != nil {
			return nil, fmt.Errorf("payload of %s: %w", w.Key, err)
		}
		c.Payload = p
	}
	return json.Marshal(c)
}

func (o *Outbox) insert(ctx context.Context, tx *store.Tx, w Want, plain, digest []byte) error {
	body, err := o.vault.Seal(ctx, tx, w.About, "outbox", plain)
	if err != nil {
		return err
	}
	var address []byte
	if w.Chat != "" {
		if address, err = o.vault.Seal(ctx, tx, seal.House, "address", []byte(w.Chat)); err != nil {
			return err
		}
	}
	var id int64
	err = tx.Get(ctx, &id, `INSERT INTO outbox (key, topic, kind, priority, person_id, address, sealed_for, body, digest, due_at, not_before, expires_at, created_at)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) RETURNING id`,
		w.Key, w.Topic, w.Kind, kinds[w.Kind].priority, orNull(w.To), address, w.About, body, digest,
		store.At(w.due(tx.Now)), store.At(w.due(tx.Now)), store.At(w.Expires), store.At(tx.Now))
	if err != nil {
		return fmt.Errorf("promise %s: %w", w.Key, err)
	}
	return addButtons(ctx, tx, id, w.To, w.Message.actions())
}

func (o *Outbox) rewrite(ctx context.Context, tx *store.Tx, id int64, r revision) error {
	body, err := o.vault.Seal(ctx, tx, r.About, "outbox", r.Plain)
	if err != nil {
		return err
	}
	due := r.Due
	if due.IsZero() {
		due = tx.Now
	}
	if _, err := tx.Exec(ctx, `UPDATE outbox SET topic = ?, person_id = ?, sealed_for = ?, body = ?, digest = ?, due_at = ?, not_before = ?, expires_at = ?,
		state = 'queued', tries = 0, settled_at = NULL, lease_until = NULL, revised = NULL WHERE id = ?`,
		r.Topic, orNull(r.To), r.About, body, r.Digest, store.At(due), store.At(due), store.At(r.Expires), id); err != nil {
		return fmt.Errorf("rewrite promise %d: %w", id, err)
	}
	// The old wording never went out, or only to be lost: nobody should press
	// what it offered.
	if _, err := tx.Exec(ctx, `DELETE FROM buttons WHERE outbox_id = ?`, id); err != nil {
		return err
	}
	return addButtons(ctx, tx, id, r.To, r.Actions)
}

func (w *Want) due(now time.Time) time.Time {
	if w.Due.IsZero() {
		return now
	}
	return w.Due
}

func orNull(p seal.Person) any {
	if p == 0 {
		return nil
	}
	return p
}

var errNoButton = errors.New("a message to a stranger has no buttons")

func addButtons(ctx context.Context, tx *store.Tx, row int64, to seal.Person, actions []string) error {
	if len(actions) > 0 && to == 0 {
		return errNoButton
	}
	for _, action := range actions {
		if _, err := tx.Exec(ctx, `INSERT INTO buttons (token, outbox_id, person_id, action) VALUES (?, ?, ?, ?)`,
			seal.NewToken(), row, to, action); err != nil {
			return err
		}
	}
	return nil
}
