package dialog

import (
	"context"
	"errors"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// stranger answers somebody who is nobody here. A code that is good makes her
// somebody; everything else learns nothing and changes nothing. She is answered
// once a day, and each time she tries a code, up to the policy's number of tries.
func (s *Service) stranger(ctx context.Context, tx *store.Tx, item Item, in Inbound) error {
	if in.Kind != Text && in.Kind != Media {
		return nil
	}
	day, tried, err := s.heardOf(ctx, tx, item)
	if err != nil {
		return err
	}
	code := codeIn(in.Text)
	switch {
	case code != "" && tried < s.Policy.Enrolment.Attempts:
		done, err := s.redeem(ctx, tx, item, in, code)
		if err != nil || done {
			return err
		}
		return s.tellStranger(ctx, tx, item, in, "stranger.code_bad")
	case day > 0:
		return nil
	}
	return s.tellStranger(ctx, tx, item, in, "stranger")
}

// heardOf counts what came from this chat before: within a day, and within the
// time that the policy gives for tries.
func (s *Service) heardOf(ctx context.Context, tx *store.Tx, item Item) (day, tried int, err error) {
	// What strangers wrote stays sealed for the house, which is person 1.
	const count = `SELECT count(*) FROM inbox WHERE sealed_for = 1 AND chat_hash = ? AND id < ? AND received_at > ?`
	if err := tx.Get(ctx, &day, count, item.Chat, item.ID, store.At(tx.Now.Add(-24*time.Hour))); err != nil {
		return 0, 0, err
	}
	err = tx.Get(ctx, &tried, count, item.Chat, item.ID, store.At(tx.Now.Add(-s.Policy.Enrolment.AttemptsWithin)))
	return day, tried, err
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
	staff, joined, err := s.Desk.Join(ctx, tx, code, in.Chat)
	if err != nil || !joined {
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
