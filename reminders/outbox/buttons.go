package outbox

import (
	"context"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Pressed is what came of a press.
type Pressed struct {
	// Action is what the button stands for; "" unless the press counts.
	Action string
	// Key is the row that offered the button.
	Key string
	// Message is the platform's id of the message that the button hangs on.
	Message string
	// Spent: the question was answered before, by this button or another of the
	// same message.
	Spent bool
}

// Press takes a button's token from the person who pressed it. Answering one
// button of a message spends them all. A token that is unknown, or was given to
// somebody else, gives the zero Pressed: whoever guesses learns nothing.
func (o *Outbox) Press(ctx context.Context, tx *store.Tx, who seal.Person, token string) (Pressed, error) {
	var b struct {
		Row      int64   `db:"outbox_id"`
		Action   string  `db:"action"`
		Key      string  `db:"key"`
		External *string `db:"external_id"`
		Used     int     `db:"used"`
	}
	known, err := tx.Find(ctx, &b, `SELECT b.outbox_id, b.action, o.key, o.external_id,
			EXISTS (SELECT 1 FROM buttons s WHERE s.outbox_id = b.outbox_id AND s.used_at IS NOT NULL) AS used
		FROM buttons b JOIN outbox o ON o.id = b.outbox_id WHERE b.token = ? AND b.person_id = ?`, token, who)
	if err != nil || !known {
		return Pressed{}, err
	}
	p := Pressed{Key: b.Key}
	if b.External != nil {
		p.Message = *b.External
	}
	if b.Used != 0 {
		p.Spent = true
		return p, nil
	}
	p.Action = b.Action
	_, err = tx.Exec(ctx, `UPDATE buttons SET used_at = ? WHERE token = ?`, store.At(tx.Now), token)
	return p, err
}

// Whose tells whom a button was given to and what it stands for, without pressing it.
func (o *Outbox) Whose(ctx context.Context, tx *store.Tx, token string) (p seal.Person, action string, known bool, err error) {
	var b struct {
		Person seal.Person `db:"person_id"`
		Action string      `db:"action"`
	}
	known, err = tx.Find(ctx, &b, `SELECT person_id, action FROM buttons WHERE token = ?`, token)
	return b.Person, b.Action, known, err
}

// SpendKey uses up every button of one row, because its question has been answered in
// another way.
func (o *Outbox) SpendKey(ctx context.Context, tx *store.Tx, key string) error {
	_, err := tx.Exec(ctx, `UPDATE buttons SET used_at = ? WHERE used_at IS NULL AND outbox_id = (SELECT id FROM outbox WHERE key = ?)`, store.At(tx.Now), key)
	return err
}

// Reopen makes a message's buttons usable again after a press that could not be
// acted upon.
func (o *Outbox) Reopen(ctx context.Context, tx *store.Tx, key string) error {
	_, err := tx.Exec(ctx, `UPDATE buttons SET used_at = NULL WHERE outbox_id = (SELECT id FROM outbox WHERE key = ?)`, key)
	return err
}

// Spend uses up every button of the rows in a topic, because the question that
// they ask has been answered in another way.
func (o *Outbox) Spend(ctx context.Context, tx *store.Tx, topic string) error {
	_, err := tx.Exec(ctx, `UPDATE buttons SET used_at = ? WHERE used_at IS NULL AND outbox_id IN (SELECT id FROM outbox WHERE topic = ?)`,
		store.At(tx.Now), topic)
	return err
}
