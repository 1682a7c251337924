package dialog

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// stranger answers somebody who is nobody here. A code that is good makes her
// somebody; everything else learns nothing and changes nothing. She is answered
// once a day, and each time she tries a code, up to the policy's number of tries.
func (s *Service) stranger(ctx context.Context, tx *store.Tx, item Item, in Inbound) error {
	if in.Kind != Text && in.Kind != Media {
		return nil
	}
	before, err := s.triesOf(ctx, tx, item.Chat)
	if err != nil {
		return err
	}
	if err := s.newNumber(ctx, tx, item, in); err != nil {
		return err
	}
	if code := codeIn(in.Text); code != "" && before.Here < s.Policy.Enrolment.Attempts {
		done, err := s.redeem(ctx, tx, item, in, code)
		if err != nil || done {
			return err
		}
		if err := s.noteTry(ctx, tx, item, before); err != nil {
			return err
		}
		return s.tellStranger(ctx, tx, item, in, "stranger.code_bad")
	}
	heard, err := heardOf(ctx, tx, item)
	if err != nil || heard {
		return err
	}
	return s.tellStranger(ctx, tx, item, in, "stranger")
}

// newNumber puts it before a human that somebody unknown says she writes from a new
// phone: once a day for a chat. She learns nothing by it, not even that.
func (s *Service) newNumber(ctx context.Context, tx *store.Tx, item Item, in Inbound) error {
	if in.Kind != Text || !saysNewNumber(in.Text) {
		return nil
	}
	day := tx.Now.In(s.Policy.Location()).Format("2006-01-02")
	_, err := s.Desk.Open(ctx, tx, triage.Opening{Key: fmt.Sprintf("stranger/%x/number/%s", item.Chat[:min(8, len(item.Chat))], day), Person: seal.House,
		Reason: triage.NewNumber, Urgency: rules.Routine, Words: in.Text, Notes: []triage.Line{{Key: "note.new_number"}}})
	return err
}

// heardOf reports whether something came from this chat within the last day.
func heardOf(ctx context.Context, tx *store.Tx, item Item) (heard bool, err error) {
	// What strangers wrote stays sealed for the house, which is person 1.
	err = tx.Get(ctx, &heard, `SELECT EXISTS (SELECT 1 FROM inbox WHERE sealed_for = 1 AND chat_hash = ? AND id < ? AND received_at > ?)`,
		item.Chat, item.ID, store.At(tx.Now.Add(-24*time.Hour)))
	return heard, err
}

// tried are codes tried in vain within the time that the policy gives: from one
// chat, and from all strangers.
type tried struct {
	Here int `db:"here"`
	All  int `db:"everywhere"`
}

// manyTries is how many chats' worth of tries by all strangers together is an
// alarm: common practice, no source.
const manyTries = 4

func (s *Service) triesOf(ctx context.Context, tx *store.Tx, chat []byte) (t tried, err error) {
	err = tx.Get(ctx, &t, `SELECT count(*) AS everywhere, coalesce(sum(chat_hash = ?), 0) AS here FROM code_tries WHERE at > ?`,
		chat, store.At(tx.Now.Add(-s.Policy.Enrolment.AttemptsWithin)))
	return t, err
}

// noteTry remembers a code that was no good. One chat that has used up its tries,
// or many that try a little, are put before a person, once a day.
func (s *Service) noteTry(ctx context.Context, tx *store.Tx, item Item, before tried) error {
	if _, err := tx.Exec(ctx, `INSERT INTO code_tries (chat_hash, at) VALUES (?, ?)`, item.Chat, store.At(tx.Now)); err != nil {
		return err
	}
	if most := s.Policy.Enrolment.Attempts; before.Here+1 < most && before.All+1 < manyTries*most {
		return nil
	}
	day := tx.Now.In(s.Policy.Location()).Format(time.DateOnly)
	_, err := s.Desk.Open(ctx, tx, triage.Opening{Key: "codes/" + day, Person: seal.House, Reason: triage.Codes, Urgency: rules.SameDay,
		Notes: []triage.Line{{Key: "staff.codes_tried", Args: phrase.Args{"n": fmt.Sprint(before.All + 1)}}}})
	return err
}

// codeIn is the code in a message that consists of one, or of "/start" and one,
// as a link to the bot sends it; "" when it is no code.
func codeIn(text string) string {
	return reminders.TidyCode(strings.TrimPrefix(strings.TrimSpace(text), "/start"))
}

// redeem tries a code, a patient's or a colleague's.
func (s *Service) redeem(ctx context.Context, tx *store.Tx, item Item, in Inbound, code string) (bool, error) {
	p, err := s.Book.Redeem(ctx, tx, code, in.Chat)
	if err == nil {
		return true, s.welcome(ctx, tx, item, in, p)
	}
	if !errors.Is(err, reminders.ErrCode) {
		return false, err
	}
	if done, err := s.redeemLink(ctx, tx, item, in, code); err != nil || done {
		return done, err
	}
	staff, joined, err := s.Desk.Join(ctx, tx, code, in.Chat)
	if err != nil || !joined {
		return false, err
	}
	staff.From = triage.Origin{Place: triage.InChat, Ref: item.ID}
	if err := s.Desk.Did(ctx, tx, staff, triage.SignUp, triage.Ref{}, "chat"); err != nil {
		return false, err
	}
	return true, s.Outbox.Put(ctx, tx, outbox.Want{Key: inboxKey(item.ID) + "/joined", Topic: inboxKey(item.ID), Kind: outbox.Reply, To: staff.Person,
		Message: outbox.Message{Text: s.Phrases.Say(staff.Language(), "staff.joined", phrase.Args{"name": staff.Name, "clinic": s.Policy.Clinic.Name})}})
}

// welcome asks somebody whose code was good whether she agrees to be written to.
func (s *Service) welcome(ctx context.Context, tx *store.Tx, item Item, in Inbound, p reminders.Patient) error {
	in.Text = ""
	m, err := s.moment(ctx, tx, in, p)
	if err != nil {
		return err
	}
	a := &applying{service: s, tx: tx, item: item.ID, m: m, writer: s.writer(p, item.ID)}
	if p.Enrolled {
		// A new code for somebody who has agreed before: a new phone.
		return a.apply(ctx, say{Key: "enrolled", Args: m.phones(phrase.Args{"name": p.Name}), Buttons: menu()})
	}
	return a.apply(ctx, m.consent())
}

func (s *Service) tellStranger(ctx context.Context, tx *store.Tx, item Item, in Inbound, key string) error {
	lang := in.Language
	if len(lang) > 2 {
		lang = lang[:2]
	}
	return s.Outbox.Put(ctx, tx, outbox.Want{Key: inboxKey(item.ID) + "/stranger", Topic: inboxKey(item.ID), Kind: outbox.Reply, Chat: in.Chat, About: seal.House,
		Message: outbox.Message{Text: s.Phrases.Say(lang, key, phrase.Args{"emergency": s.Policy.Clinic.EmergencyNumber})}})
}

// fromStaff hands on what a colleague wrote or pressed. One who has left is a
// stranger.
func (s *Service) fromStaff(ctx context.Context, tx *store.Tx, item Item, in Inbound, who triage.Staff) error {
	if !who.Left.IsZero() {
		return s.stranger(ctx, tx, item, in)
	}
	from := FromStaff{Who: who, Item: item.ID, In: in}
	if in.Kind == Press {
		p, err := s.Outbox.Press(ctx, tx, who.Person, in.Token)
		if err != nil {
			return err
		}
		from.Pressed, from.Spent = p.Action, p.Spent
	}
	return s.Staff(ctx, tx, from)
}
