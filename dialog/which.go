package dialog

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
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

// A chat that speaks for more than one patient: whose a message is, is asked, and never
// guessed. An emergency does not wait for the answer.

// pressWhich is the action of a button that says whose a message is, followed by the
// patient's number, a slash and the message's.
const pressWhich = "who/"

// whichWithin is how long the answer is waited for before a human is told: common
// practice, no source.
const whichWithin = 30 * time.Minute

// afterCaution keeps the question from overtaking a caution on the wire: common practice,
// no source.
const afterCaution = 2 * time.Second

const taskWhich = "dialog.which"

// Tasks are the functions behind the tasks that conversations promise.
func (s *Service) Tasks() map[string]outbox.TaskFunc {
	return map[string]outbox.TaskFunc{taskWhich: s.unattributed}
}

// fromSeveral takes a message from a chat that speaks for several.
func (s *Service) fromSeveral(ctx context.Context, tx *store.Tx, item Item, in Inbound, who seal.Person, all []party) error {
	switch in.Kind {
	case Press:
		return s.pressOfSeveral(ctx, tx, item, in, who, all)
	case Left, Returned:
		for i, p := range all {
			if !p.own() {
				continue
			}
			one := item
			if err := s.fromPatient(ctx, tx, one, in, p.patient); err != nil {
				return fmt.Errorf("the %d. of the chat: %w", i+1, err)
			}
		}
		return nil
	}
	talk, err := loadConversation(ctx, tx, s.Vault, who)
	if err != nil {
		return err
	}
	if talk.Which != 0 {
		if p, named := namedIn(in.Text, all); named {
			return s.attribute(ctx, tx, talk.Which, in, who, p)
		}
	}
	alarmed, err := s.alarmAll(ctx, tx, item, in, who, all)
	if err != nil {
		return err
	}
	talk.Which = item.ID
	if err := saveConversation(ctx, tx, s.Vault, who, talk); err != nil {
		return err
	}
	return s.askWhich(ctx, tx, item, who, all, alarmed)
}

// namedIn is the one whom a short message names, by name, first name or handle.
func namedIn(text string, all []party) (party, bool) {
	said := tidy(text)
	for _, p := range all {
		first, _, _ := strings.Cut(p.patient.Name, " ")
		for _, name := range []string{p.patient.Name, first, p.patient.Handle} {
			if said != "" && said == tidy(name) {
				return p, true
			}
		}
	}
	return party{}, false
}

// toHolder writes to the one whose chat it is, in the name of one of its patients.
func (s *Service) toHolder(who seal.Person, p party, item int64) *writer {
	w := &writer{phrases: s.Phrases, lang: p.patient.Language, to: who, about: p.patient.Person, item: item}
	if p.own() {
		w.scope = reminders.Account // it is the chat's, and no name stands above it
	} else {
		w.lang = p.link.Language
	}
	return w
}

func namesOf(all []party) string {
	var names []string
	for _, p := range all {
		names = append(names, p.patient.Handle+" "+p.patient.Name)
	}
	return strings.Join(names, ", ")
}

// alarmAll puts an emergency before a human in the name of each of them, and gives the
// caution once.
func (s *Service) alarmAll(ctx context.Context, tx *store.Tx, item Item, in Inbound, who seal.Person, all []party) (alarmed bool, err error) {
	moments := make([]*moment, len(all))
	grave, key := false, "emergency"
	for i, p := range all {
		read := in
		if !p.own() {
			read.Text = asHers(in.Text)
		}
		m, err := s.moment(ctx, tx, read, p.patient)
		if err != nil {
			return false, err
		}
		m.in.Text, moments[i] = in.Text, m
		if m.verdict.Urgency >= rules.Emergency && !grave {
			grave = true
			if m.verdict.Caution != "" {
				key = m.verdict.Caution
			}
		}
	}
	if !grave {
		return false, nil
	}
	for i, p := range all {
		// Her own answers to the message, once it is known to be hers, begin with the
		// caution under the same key: it is sent once.
		a := &applying{service: s, tx: tx, item: item.ID, m: moments[i], writer: s.toHolder(who, p, item.ID)}
		if i == 0 {
			if err := a.caution(ctx, caution{Key: key}); err != nil {
				return false, err
			}
		}
		c := moments[i].caseOf(triage.Symptom)
		c.Urgency, c.PageNow = rules.Emergency, true
		c.Notes = append(c.Notes, triage.Line{Key: "note.shared", Args: phrase.Args{"names": namesOf(all)}})
		// Each of them has a case of her own: one cause opens one.
		if err := a.openAs(ctx, c, fmt.Sprintf("%s/of/%d", inboxKey(item.ID), p.patient.ID)); err != nil {
			return false, err
		}
	}
	return true, nil
}

// askWhich asks whose the message is, and promises that a human hears of it when
// nobody says.
func (s *Service) askWhich(ctx context.Context, tx *store.Tx, item Item, who seal.Person, all []party, alarmed bool) error {
	w := s.toHolder(who, all[0], item.ID)
	var buttons [][]outbox.Button
	for _, p := range all {
		buttons = append(buttons, []outbox.Button{{Label: p.patient.Name, Action: fmt.Sprintf("%s%d/%d", pressWhich, p.patient.ID, item.ID)}})
	}
	ask := w.message(outbox.Reply, "which", outbox.Message{Text: w.say("which.ask", clinicArgs(s.Policy, w.lang)), Buttons: buttons})
	if alarmed {
		ask.Due = tx.Now.Add(afterCaution)
	}
	if err := s.Outbox.Put(ctx, tx, ask); err != nil {
		return err
	}
	return s.Outbox.Put(ctx, tx, outbox.Want{Key: inboxKey(item.ID) + "/which/late", Topic: inboxKey(item.ID), Kind: outbox.Task, About: who, Due: tx.Now.Add(whichWithin),
		Run: taskWhich, Payload: unsaid{Item: item.ID, Who: who}})
}

// unsaid is a message of which nobody has said whose it is.
type unsaid struct {
	Item int64       `json:"item"`
	Who  seal.Person `json:"who"`
}

// unattributed puts a message of which nobody has said whose it is before a human.
func (s *Service) unattributed(ctx context.Context, tx *store.Tx, payload []byte) error {
	var u unsaid
	if json.Unmarshal(payload, &u) != nil {
		return errors.New("a task's payload does not hold what it should")
	}
	all, err := s.parties(ctx, tx, u.Who)
	if err != nil || len(all) == 0 {
		return err
	}
	in, _, err := s.again(ctx, tx, u.Item)
	if err != nil {
		return err
	}
	// Sealed for the one whose chat it is, so that it stands in nobody else's record.
	_, err = s.Desk.Open(ctx, tx, triage.Opening{Key: inboxKey(u.Item) + "/which", Person: u.Who, Reason: triage.WhoseIsIt, Urgency: rules.SameDay, Words: in.Text,
		Language: all[0].patient.Language, Notes: []triage.Line{{Key: "note.shared", Args: phrase.Args{"names": namesOf(all)}}}})
	return err
}

// again reads a message that was taken in before.
func (s *Service) again(ctx context.Context, tx *store.Tx, id int64) (Inbound, Item, error) {
	item := Item{}
	if err := tx.Get(ctx, &item, `SELECT id, source, chat_hash, sealed_for, raw, tries, retry_at FROM inbox WHERE id = ?`, id); err != nil {
		return Inbound{}, item, fmt.Errorf("message %d: %w", id, err)
	}
	if item.Raw == nil {
		return Inbound{}, item, nil
	}
	raw, err := s.Vault.Open(ctx, tx, item.Sealed, "update", item.Raw)
	if err != nil {
		return Inbound{}, item, err
	}
	in, err := s.Decode(item, raw)
	return in, item, err
}

// pressOfSeveral: a button is hers to whom its message went, so that nothing need be
// asked.
func (s *Service) pressOfSeveral(ctx context.Context, tx *store.Tx, item Item, in Inbound, who seal.Person, all []party) error {
	owner, action, known, err := s.Outbox.Whose(ctx, tx, in.Token)
	if err != nil {
		return err
	}
	if rest, is := strings.CutPrefix(action, pressWhich); known && owner == who && is {
		return s.pressedWhich(ctx, tx, item, in, who, all, rest)
	}
	for _, p := range all {
		if p.own() && p.patient.Person == owner {
			return s.fromPatient(ctx, tx, item, in, p.patient)
		}
	}
	if !all[0].own() {
		return nil // nothing that others are sent has buttons
	}
	return s.fromPatient(ctx, tx, item, in, all[0].patient)
}

func (s *Service) pressedWhich(ctx context.Context, tx *store.Tx, item Item, in Inbound, who seal.Person, all []party, rest string) error {
	pressed, err := s.Outbox.Press(ctx, tx, who, in.Token)
	if err != nil {
		return err
	}
	w := s.toHolder(who, all[0], item.ID)
	text := ""
	if pressed.Spent {
		text = w.say("button.spent", nil)
	}
	if err := s.Outbox.Put(ctx, tx, w.message(outbox.Reply, "ack", outbox.Message{Text: text, Ack: in.PressID, Retire: in.Message})); err != nil || pressed.Spent {
		return err
	}
	patient, message, _ := strings.Cut(rest, "/")
	number, _ := strconv.ParseInt(message, 10, 64)
	for _, p := range all {
		if strconv.FormatInt(p.patient.ID, 10) == patient {
			return s.attribute(ctx, tx, number, in, who, p)
		}
	}
	return nil // her link has ended meanwhile
}

// attribute handles a message as that of the one whom it was said to be of.
func (s *Service) attribute(ctx context.Context, tx *store.Tx, number int64, saidIn Inbound, who seal.Person, p party) error {
	in, item, err := s.again(ctx, tx, number)
	if err != nil {
		return err
	}
	if err := s.Outbox.WithdrawKey(ctx, tx, inboxKey(number)+"/which/late"); err != nil {
		return err
	}
	if err := s.Outbox.SpendKey(ctx, tx, inboxKey(number)+"/which"); err != nil {
		return err
	}
	talk, err := loadConversation(ctx, tx, s.Vault, who)
	if err != nil {
		return err
	}
	talk.Which = 0
	if err := saveConversation(ctx, tx, s.Vault, who, talk); err != nil || item.Raw == nil {
		return err
	}
	in.Chat = saidIn.Chat
	if p.own() {
		raw, err := s.Vault.Open(ctx, tx, item.Sealed, "update", item.Raw)
		if err != nil {
			return err
		}
		if err := s.sealFor(ctx, tx, item, p.patient.Person, raw); err != nil {
			return err
		}
	}
	return s.fromParty(ctx, tx, item, in, who, p)
}
