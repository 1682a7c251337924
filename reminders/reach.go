package reminders

import (
	"context"
	"slices"
	"strings"

	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Reach says how a message gets to somebody, and whether it may. It asks the links as
// they are at this instant.
func (b *Book) Reach(ctx context.Context, tx *store.Tx, to, about seal.Person, scope string) (outbox.Way, error) {
	may, err := b.mayBeTold(ctx, tx, to, about, scope)
	if err != nil || !may {
		return outbox.Way{Revoked: true}, err
	}
	holder := to
	chat, known, err := b.Vault.Chat(ctx, tx, to)
	if err != nil {
		return outbox.Way{}, err
	}
	if !known {
		if holder, chat, err = b.account(ctx, tx, to); err != nil || chat == "" {
			return outbox.Way{}, err
		}
	}
	w := outbox.Way{Chat: chat}
	shared := 0
	if scope == Account {
		return w, nil
	}
	if err := tx.Get(ctx, &shared, `SELECT count(*) FROM links WHERE person_id = ? AND relation = ? AND until_at IS NULL AND proven_at IS NOT NULL`, holder, Account); err != nil || shared == 0 {
		return w, err
	}
	all, err := b.Sharing(ctx, tx, holder)
	if err == nil && len(all) > 1 {
		for _, p := range all {
			if p.Person == to {
				w.Head = b.Say(p.Language, false, "link.head", map[string]string{"name": p.Name})
			}
		}
	}
	return w, err
}

// account is the chat that a patient without one of her own is written to in; "" for
// none.
func (b *Book) account(ctx context.Context, tx *store.Tx, who seal.Person) (holder seal.Person, chat string, err error) {
	found, err := tx.Find(ctx, &holder, `SELECT l.person_id FROM links l JOIN patients p ON p.id = l.patient_id
		WHERE p.person_id = ? AND l.relation = ? AND l.until_at IS NULL AND l.proven_at IS NOT NULL ORDER BY l.id DESC LIMIT 1`, who, Account)
	if err != nil || !found {
		return 0, "", err
	}
	chat, _, err = b.Vault.Chat(ctx, tx, holder)
	return holder, chat, err
}

// mayBeTold: a patient may be told what is hers; anybody else what a live link to the
// patient whom it is about covers.
func (b *Book) mayBeTold(ctx context.Context, tx *store.Tx, to, about seal.Person, scope string) (bool, error) {
	if to == about {
		var n int
		err := tx.Get(ctx, &n, `SELECT count(*) FROM patients WHERE person_id = ?`, to)
		return n > 0, err
	}
	var rows []struct {
		Relation string `db:"relation"`
		What     string `db:"what"`
	}
	err := tx.Select(ctx, &rows, `SELECT l.relation, l.what FROM links l JOIN patients p ON p.id = l.patient_id
		WHERE l.person_id = ? AND p.person_id = ? AND l.until_at IS NULL AND l.proven_at IS NOT NULL`, to, about)
	for _, r := range rows {
		if scope == Account && r.Relation == Account {
			return true, err // whose chat it is may be asked whose a message is
		}
		if r.Relation != Account && (scope == "" || covers(r.What, scope)) {
			return true, err
		}
	}
	return false, err
}

// covers reports whether a list of shares has all of a scope's.
func covers(what, scope string) bool {
	has := strings.Split(what, ",")
	for _, s := range strings.Split(scope, "+") {
		if !slices.Contains(has, s) {
			return false
		}
	}
	return true
}
