package outbox

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// deed is what put did.
type deed int

const (
	nothing deed = iota
	added
	rewritten
)

// stored is a row as it is compared with what is wanted.
type stored struct {
	pending
	Topic   string      `db:"topic"`
	To      seal.Person `db:"person"`
	Scope   string      `db:"scope"`
	Digest  []byte      `db:"digest"`
	Due     store.Time  `db:"due_at"`
	Expires store.Time  `db:"expires_at"`
}

const storedQuery = `SELECT ` + storedColumns + ` FROM outbox WHERE key = ?`

const storedColumns = pendingColumns + `, topic, coalesce(person_id, 0) AS person, scope, digest, due_at, expires_at`

func (o *Outbox) put(ctx context.Context, tx *store.Tx, w Want) (deed, error) {
	var old stored
	exists, err := tx.Find(ctx, &old, storedQuery, w.Key)
	if err != nil {
		return nothing, err
	}
	return o.over(ctx, tx, w, old, exists)
}

// over puts a want over the row under its key, if there is one.
func (o *Outbox) over(ctx context.Context, tx *store.Tx, w Want, old stored, exists bool) (deed, error) {
	if err := w.complete(); err != nil {
		return nothing, err
	}
	r, err := o.revisionOf(ctx, tx, w)
	if err != nil {
		return nothing, err
	}
	did, err := o.bring(ctx, tx, w, r, old, exists)
	if err == nil && did != nothing {
		tx.AfterCommit(o.bell.Ring)
	}
	return did, err
}

// bring makes the row what r says, as far as its state allows.
func (o *Outbox) bring(ctx context.Context, tx *store.Tx, w Want, r *revision, old stored, exists bool) (deed, error) {
	if !exists {
		return added, o.insert(ctx, tx, w, r)
	}
	switch old.State {
	case "queued":
		if old.says(r, tx.Now) {
			return nothing, nil
		}
		return rewritten, o.rewrite(ctx, tx, old.ID, r)
	case "withdrawn":
		return rewritten, o.rewrite(ctx, tx, old.ID, r)
	case "sending":
		if old.says(r, tx.Now) {
			r = nil
		}
		news, err := o.revise(ctx, tx, old.ID, old.About, old.Revised, r)
		if err != nil || !news {
			return nothing, err
		}
		return rewritten, nil
	}
	return nothing, nil
}

// says reports whether the row is what r wants.
func (s stored) says(r *revision, now time.Time) bool {
	is := &revision{Topic: s.Topic, To: s.To, Scope: s.Scope, Due: s.Due.Time, Expires: s.Expires.Time, Digest: s.Digest}
	return is.same(r, now)
}

// complete fills in what a want leaves to us, and refuses one that makes no sense.
func (w *Want) complete() error {
	_, known := kinds[w.Kind]
	switch {
	case w.Key == "" || w.Topic == "" || !known:
		return fmt.Errorf("a promise needs a key, a topic and a known kind (key %q, kind %q)", w.Key, w.Kind)
	case w.Kind == Task && (w.Run == "" || w.To != 0 || w.Chat != ""):
		return fmt.Errorf("the task %s needs a function and no recipient", w.Key)
	case w.Kind != Task && (w.To == 0) == (w.Chat == ""):
		return fmt.Errorf("the message %s needs one recipient", w.Key)
	case w.To == 0 && len(w.Message.Buttons) > 0:
		return errNoButton
	}
	if w.About == 0 {
		w.About = w.To
	}
	if w.About == 0 {
		w.About = seal.House
	}
	return nil
}

var errNoButton = errors.New("a message to a stranger has no buttons")

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

// revision is what a row should say from now on.
type revision struct {
	Unwanted bool        `json:",omitempty"`
	Topic    string      `json:",omitempty"`
	Kind     Kind        `json:",omitempty"`
	To       seal.Person `json:",omitempty"`
	Chat     string      `json:",omitempty"`
	About    seal.Person
	Scope    string    `json:",omitempty"`
	Due      time.Time `json:",omitzero"`
	Expires  time.Time `json:",omitzero"`
	Plain    []byte    `json:",omitempty"`
	// Digest stands for Kind, Chat, About and Plain when two are compared.
	Digest  []byte   `json:",omitempty"`
	Actions []string `json:",omitempty"`
}

func (o *Outbox) revisionOf(ctx context.Context, tx *store.Tx, w Want) (*revision, error) {
	plain, err := w.plain()
	if err != nil {
		return nil, err
	}
	// Cut short: the chat goes into a copy, the text stays as it is.
	digest, err := o.vault.Digest(ctx, tx, w.About, "outbox "+string(w.Kind), append(plain[:len(plain):len(plain)], w.Chat...))
	if err != nil {
		return nil, err
	}
	return &revision{Topic: w.Topic, Kind: w.Kind, To: w.To, Chat: w.Chat, About: w.About, Scope: w.Scope,
		Due: store.At(w.Due).Time, Expires: store.At(w.Expires).Time,
		Plain: plain, Digest: digest, Actions: w.Message.actions()}, nil
}

// same reports whether two revisions mean the same now. "At once" is whatever
// instant has come.
func (r *revision) same(s *revision, now time.Time) bool {
	if r == nil || s == nil {
		return r == s
	}
	due := r.Due.Equal(s.Due) || !r.Due.After(now) && !s.Due.After(now)
	return due && r.Unwanted == s.Unwanted && r.Topic == s.Topic && r.To == s.To && r.Scope == s.Scope &&
		r.Expires.Equal(s.Expires) && bytes.Equal(r.Digest, s.Digest)
}

// revise notes on a row that is on the wire what it should become if it comes
// back; nil that it is right as it is. It reports whether that was news.
func (o *Outbox) revise(ctx context.Context, tx *store.Tx, id int64, about seal.Person, was []byte, r *revision) (bool, error) {
	old, err := o.openRevision(ctx, tx, about, was)
	if err != nil && !unreadable(err) {
		return false, err
	}
	if err == nil && old.same(r, tx.Now) {
		return false, nil
	}
	var sealed []byte
	if r != nil {
		plain, err := json.Marshal(r)
		if err != nil {
			return false, err
		}
		// Under the key of the row as it is, which is the one that will be asked.
		if sealed, err = o.vault.Seal(ctx, tx, about, "outbox revision", plain); err != nil {
			return false, err
		}
	}
	_, err = tx.Exec(ctx, `UPDATE outbox SET revised = ? WHERE id = ?`, sealed, id)
	return true, err
}

// openRevision reads what revise wrote; nil for nothing.
func (o *Outbox) openRevision(ctx context.Context, tx *store.Tx, about seal.Person, sealed []byte) (*revision, error) {
	if sealed == nil {
		return nil, nil
	}
	plain, err := o.vault.Open(ctx, tx, about, "outbox revision", sealed)
	if err != nil {
		return nil, err
	}
	var r revision
	return &r, decode(plain, &r)
}

func (o *Outbox) insert(ctx context.Context, tx *store.Tx, w Want, r *revision) error {
	body, address, err := o.sealed(ctx, tx, r)
	if err != nil {
		return err
	}
	var id int64
	err = tx.Get(ctx, &id, `INSERT INTO outbox (key, topic, kind, priority, person_id, address, sealed_for, scope, body, digest, due_at, not_before, expires_at, created_at)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) RETURNING id`,
		w.Key, r.Topic, r.Kind, kinds[r.Kind].priority, orNull(r.To), address, r.About, r.Scope, body, r.Digest,
		store.At(r.due(tx.Now)), store.At(r.due(tx.Now)), store.At(r.Expires), store.At(tx.Now))
	if err != nil {
		return fmt.Errorf("promise %s: %w", w.Key, err)
	}
	return addButtons(ctx, tx, id, r.To, r.Actions)
}

func (o *Outbox) rewrite(ctx context.Context, tx *store.Tx, id int64, r *revision) error {
	body, address, err := o.sealed(ctx, tx, r)
	if err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `UPDATE outbox SET topic = ?, kind = ?, priority = ?, person_id = ?, address = ?, sealed_for = ?, scope = ?, body = ?, digest = ?,
		due_at = ?, not_before = ?, expires_at = ?, state = 'queued', tries = 0, settled_at = NULL, lease_until = NULL, revised = NULL WHERE id = ?`,
		r.Topic, r.Kind, kinds[r.Kind].priority, orNull(r.To), address, r.About, r.Scope, body, r.Digest,
		store.At(r.due(tx.Now)), store.At(r.due(tx.Now)), store.At(r.Expires), id); err != nil {
		return fmt.Errorf("rewrite promise %d: %w", id, err)
	}
	// The old wording never went out, or only to be lost: nobody should press
	// what it offered.
	if _, err := tx.Exec(ctx, `DELETE FROM buttons WHERE outbox_id = ?`, id); err != nil {
		return err
	}
	return addButtons(ctx, tx, id, r.To, r.Actions)
}

// sealed is what r says and, for a stranger, where it goes.
func (o *Outbox) sealed(ctx context.Context, tx *store.Tx, r *revision) (body, address []byte, err error) {
	if body, err = o.vault.Seal(ctx, tx, r.About, "outbox", r.Plain); err != nil || r.Chat == "" {
		return body, nil, err
	}
	address, err = o.vault.Seal(ctx, tx, seal.House, "address", []byte(r.Chat))
	return body, address, err
}

// due is when it is to go out: never before now.
func (r *revision) due(now time.Time) time.Time {
	if r.Due.Before(now) {
		return now
	}
	return r.Due
}

func orNull(p seal.Person) any {
	if p == 0 {
		return nil
	}
	return p
}

func addButtons(ctx context.Context, tx *store.Tx, row int64, to seal.Person, actions []string) error {
	if len(actions) == 0 {
		return nil
	}
	var args []any
	for _, action := range actions {
		args = append(args, seal.NewToken(), row, to, action)
	}
	const one = `(?, ?, ?, ?)`
	_, err := tx.Exec(ctx, `INSERT INTO buttons (token, outbox_id, person_id, action) VALUES `+one+strings.Repeat(`, `+one, len(actions)-1), args...)
	return err
}
