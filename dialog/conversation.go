package dialog

import (
	"context"
	"encoding/json"
	"errors"
	"time"

	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Conversation is what must be remembered between two messages of a person.
// Everything that matters beyond them is a fact, a case or a promise.
type Conversation struct {
	// Asking is the question that a typed answer belongs to.
	Asking Question `json:"asking,omitzero"`
	// Cautions says when each caution was last given, by its key.
	Cautions map[string]time.Time `json:"cautions,omitempty"`
	// Which is the last message of a shared chat of which was asked whose it is.
	Which int64 `json:"which,omitempty"`
	// Form is where a member of the staff stands in what she is entering.
	Form json.RawMessage `json:"form,omitempty"`
}

// Topic is what a question is about.
type Topic string

// The topics of questions to patients.
const (
	AskNothing   Topic = ""
	AskConsent   Topic = "consent"    // may we write to you?
	AskPeriod    Topic = "period"     // did it start then?
	AskPeriodDay Topic = "period_day" // on which day did it start?
	AskPeriodFix Topic = "period_fix" // nothing: but she may still correct what she said
	AskDose      Topic = "dose"       // which of these doses?
	AskGiven     Topic = "given"      // at which minute was the trigger given?
	AskReadBack  Topic = "read_back"  // what will you do, and when?
	AskPlace     Topic = "place"      // which of these places?
)

// Question is something the bot has asked and waits to hear about.
type Question struct {
	Topic Topic `json:"topic,omitempty"`
	// About is what it concerns: a minute, a dose, an order.
	About string    `json:"about,omitempty"`
	At    time.Time `json:"at,omitzero"`
}

// conversation loads what is remembered of a person; the zero Conversation when
// nothing is.
func loadConversation(ctx context.Context, tx *store.Tx, vault *seal.Vault, who seal.Person) (Conversation, error) {
	var sealed []byte
	known, err := tx.Find(ctx, &sealed, `SELECT body FROM conversations WHERE person_id = ?`, who)
	if err != nil || !known {
		return Conversation{}, err
	}
	plain, err := vault.Open(ctx, tx, who, "conversation", sealed)
	if err != nil {
		return Conversation{}, err
	}
	var c Conversation
	if json.Unmarshal(plain, &c) != nil {
		// The decoder's error would quote it.
		return Conversation{}, errors.New("a conversation does not hold what it should")
	}
	return c, nil
}

func saveConversation(ctx context.Context, tx *store.Tx, vault *seal.Vault, who seal.Person, c Conversation) error {
	plain, err := json.Marshal(c)
	if err != nil {
		return err
	}
	sealed, err := vault.Seal(ctx, tx, who, "conversation", plain)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `INSERT INTO conversations (person_id, body, updated_at) VALUES (?, ?, ?)
		ON CONFLICT (person_id) DO UPDATE SET body = excluded.body, updated_at = excluded.updated_at`, who, sealed, store.At(tx.Now))
	return err
}
