package triage

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// ErrTaken says that somebody else has a case.
type ErrTaken struct {
	Case int64
	By   Staff
}

func (e *ErrTaken) Error() string { return fmt.Sprintf("case %d is with staff %d", e.Case, e.By.ID) }

// Take gives an open case to who. Of two who take it the first has it, and the
// second gets *ErrTaken. Everybody else who was alerted is told whose it is.
//
// A lead may take what somebody else has, who is told. Whoever ordered a trigger
// cannot take the case of its check: it would leave the ladder unchecked.
func (d *Desk) Take(ctx context.Context, tx *store.Tx, who Staff, id int64) (Case, error) {
	c, err := d.mine(ctx, tx, who, TakeCase, id)
	if err = d.unlessLead(who, err); err != nil || c.State == Taken && c.Holder == who.ID {
		return c, err
	}
	if c.ownOrder(who) {
		return c, Refuse("own_order", nil)
	}
	return d.take(ctx, tx, who, c)
}

// ownOrder reports whether the case is the check of an order that who entered.
func (c Case) ownOrder(who Staff) bool { return c.Reason == TriggerCheck && c.Body.By == who.ID }

// mine is a live case that who may act upon: an open one, or one that she holds.
func (d *Desk) mine(ctx context.Context, tx *store.Tx, who Staff, a Action, id int64) (Case, error) {
	if err := who.May(a); err != nil {
		return Case{}, err
	}
	c, err := d.Case(ctx, tx, id)
	switch {
	case err != nil:
		return c, err
	case c.State == Closed:
		return c, Refuse("case_closed", phrase.Args{"case": fmt.Sprint(id)})
	case c.State == Taken && c.Holder != who.ID:
		by, err := d.StaffMember(ctx, tx, c.Holder)
		if err != nil {
			return c, err
		}
		return c, &ErrTaken{Case: id, By: by}
	}
	return c, nil
}

func (d *Desk) take(ctx context.Context, tx *store.Tx, who Staff, c Case) (Case, error) {
	told, err := d.told(ctx, tx, c.ID)
	if err != nil {
		return c, err
	}
	if c.Holder != 0 && !slices.Contains(told, c.Holder) {
		told = append(told, c.Holder)
	}
	if _, err := tx.Exec(ctx, `UPDATE cases SET state = 'taken', holder_id = ?, taken_at = ? WHERE id = ?`, who.ID, store.At(tx.Now), c.ID); err != nil {
		return c, err
	}
	c.State, c.Holder, c.TakenAt = Taken, who.ID, tx.Now
	turn, err := d.note(ctx, tx, c, event{what: TookIt, by: who.Person, to: who.ID})
	if err != nil {
		return c, err
	}
	if err := d.hold(ctx, tx, c, turn); err != nil {
		return c, err
	}
	if err := d.tellWhoHasIt(ctx, tx, c, who, told); err != nil {
		return c, err
	}
	return c, d.Did(ctx, tx, who, TakeCase, Ref{Patient: c.Patient, Case: c.ID, Person: c.Person}, "")
}

func (d *Desk) tellWhoHasIt(ctx context.Context, tx *store.Tx, c Case, who Staff, told []int64) error {
	for _, id := range told {
		s, err := d.StaffMember(ctx, tx, id)
		if err != nil {
			return err
		}
		if s.ID == who.ID || !s.Left.IsZero() {
			continue
		}
		if err := d.tell(ctx, tx, c, s.ID, "staff.has_it", phrase.Args{"case": fmt.Sprint(c.ID), "who": who.Name}); err != nil {
			return err
		}
	}
	return nil
}

// tell lets a colleague know quietly what has become of a case.
func (d *Desk) tell(ctx context.Context, tx *store.Tx, c Case, staff int64, key string, args phrase.Args) error {
	s, err := d.StaffMember(ctx, tx, staff)
	if err != nil {
		return err
	}
	var turn int64
	if err := tx.Get(ctx, &turn, `SELECT max(id) FROM case_events WHERE case_id = ?`, c.ID); err != nil {
		return err
	}
	return d.Outbox.Put(ctx, tx, outbox.Want{Key: fmt.Sprintf("case/%d/with/%d/%d", c.ID, turn, s.ID), Topic: fmt.Sprintf("case/%d/told", c.ID),
		Kind: outbox.Escalation, To: s.Person, Message: outbox.Message{Silent: true, Text: d.Phrases.Say(s.Language(), key, args)}})
}

// longestAnswer leaves room for the line around it in a message of 4,096
// characters, the most that the platform takes.
const longestAnswer = 3500

// toAnswer is the case that who may answer, with words fit to be sent.
func (d *Desk) toAnswer(ctx context.Context, tx *store.Tx, who Staff, id int64, words string) (Case, string, error) {
	words = strings.TrimSpace(words)
	c, err := d.mine(ctx, tx, who, AnswerCase, id)
	switch {
	case err != nil:
	case c.Person == seal.House:
		err = Refuse("nobody_to_answer", nil)
	case words == "":
		err = Refuse("no_words", nil)
	case len([]rune(words)) > longestAnswer:
		err = Refuse("too_long", phrase.Args{"most": fmt.Sprint(longestAnswer)})
	}
	return c, words, err
}

// Answer sends words to the patient as the answer of who, who must be marked as
// writing the patient's language, takes the case for her
// when nobody has it yet, and keeps it open for the patient's reply. cause makes
// it happen once, as "inbox/46".
func (d *Desk) Answer(ctx context.Context, tx *store.Tx, who Staff, id int64, words, cause string) (Case, error) {
	c, words, err := d.toAnswer(ctx, tx, who, id, words)
	if err != nil {
		return c, err
	}
	known, err := d.reachable(ctx, tx, c)
	if err == nil && !who.Speaks(known.Language) {
		err = d.notHerLanguage(ctx, tx, known)
	}
	if err != nil {
		return c, err
	}
	return d.relay(ctx, tx, who, c, known, words, cause)
}

// reachable is the patient of a case, if she may and can be written to.
func (d *Desk) reachable(ctx context.Context, tx *store.Tx, c Case) (Known, error) {
	known, err := d.Who(ctx, tx, c.Person)
	switch {
	case err != nil:
	case known.OptedOut:
		err = Refuse("no_messages", phrase.Args{"who": known.Label})
	case known.Unreachable:
		err = Refuse("unreachable", phrase.Args{"who": known.Label})
	}
	return known, err
}

// relay sends words to the patient of a case in the name of who, whose case it is from
// then on.
func (d *Desk) relay(ctx context.Context, tx *store.Tx, who Staff, c Case, known Known, words, cause string) (Case, error) {
	var err error
	if c.State == Open {
		if c, err = d.take(ctx, tx, who, c); err != nil {
			return c, err
		}
	}
	turn, err := d.note(ctx, tx, c, event{what: Replied, by: who.Person, cause: cause, body: &Body{Words: words}})
	if err != nil {
		return c, err
	}
	if err := d.Outbox.Put(ctx, tx, outbox.Want{Key: fmt.Sprintf("case/%d/answer/%d", c.ID, turn), Topic: fmt.Sprintf("case/%d/answers", c.ID),
		Kind: outbox.Answer, To: c.Person, Message: outbox.Message{
			Text: d.Phrases.Say(known.Language, "answer.relay", phrase.Args{"who": who.Name, "words": words})}}); err != nil {
		return c, err
	}
	if err := d.hold(ctx, tx, c, turn); err != nil {
		return c, err
	}
	return c, d.Did(ctx, tx, who, AnswerCase, Ref{Patient: c.Patient, Case: c.ID, Person: c.Person}, words)
}

// HandOver puts a case before a colleague. Until she takes it, it is open and
// climbs like any other. A lead may hand over what somebody else has.
func (d *Desk) HandOver(ctx context.Context, tx *store.Tx, who Staff, id int64, to Staff) (Case, error) {
	c, err := d.mine(ctx, tx, who, HandOverCase, id)
	if err = d.unlessLead(who, err); err != nil {
		return c, err
	}
	if to.May(TakeCase) != nil || to.ID == who.ID {
		return c, Refuse("not_to_her", phrase.Args{"who": to.Name})
	}
	had := c.Holder
	if err := d.reopen(ctx, tx, &c, event{what: HandedOver, by: who.Person, to: to.ID}, false); err != nil {
		return c, err
	}
	if had != 0 && had != who.ID && had != to.ID {
		if err := d.tell(ctx, tx, c, had, "staff.handed_on", phrase.Args{"case": fmt.Sprint(id), "by": who.Name, "who": to.Name}); err != nil {
			return c, err
		}
	}
	return c, d.Did(ctx, tx, who, HandOverCase, Ref{Patient: c.Patient, Case: c.ID, Person: c.Person}, "to "+to.Handle)
}

// unlessLead forgives a lead that the case is somebody else's.
func (d *Desk) unlessLead(who Staff, err error) error {
	if _, taken := err.(*ErrTaken); taken && who.Role == Lead {
		return nil
	}
	return err
}

// Close ends a case with an outcome. What nobody has yet is taken first, so that
// the record says who looked.
func (d *Desk) Close(ctx context.Context, tx *store.Tx, who Staff, id int64, o Outcome) (Case, error) {
	c, err := d.mine(ctx, tx, who, CloseCase, id)
	if err = d.unlessLead(who, err); err != nil {
		return c, err
	}
	switch {
	case !slices.Contains(Outcomes, o):
		return c, Refuse("no_outcome", phrase.Args{"outcomes": join(Outcomes)})
	case c.ownOrder(who):
		return c, Refuse("own_order", nil)
	case c.Reason == TriggerCheck && o == Checked:
		return c, Refuse("check_it", nil)
	case c.Reason == ResultToTell && o != Phoned && o != Seen:
		return c, Refuse("not_told", nil)
	case c.Reason == TriggerCheck:
		// The order falls with its check: who entered it must know.
		if err := d.tellDropped(ctx, tx, c, who); err != nil {
			return c, err
		}
	}
	return d.Settle(ctx, tx, who, c, o)
}

// tellDropped tells whoever ordered a trigger that it was not checked and is not in
// force.
func (d *Desk) tellDropped(ctx context.Context, tx *store.Tx, c Case, who Staff) error {
	by, err := d.StaffMember(ctx, tx, c.Body.By)
	if err != nil {
		return err
	}
	return d.send(ctx, tx, c, by, card{key: fmt.Sprintf("case/%d/dropped", c.ID), title: "staff.order_dropped", holder: who.Name, kind: outbox.Escalation})
}

// Settle ends a case as the consequence of something else that was done: a check, a
// result that was told, an entry that makes it pointless.
func (d *Desk) Settle(ctx context.Context, tx *store.Tx, who Staff, c Case, o Outcome) (Case, error) {
	var err error
	if c.State == Open {
		if c, err = d.take(ctx, tx, who, c); err != nil {
			return c, err
		}
	}
	if err := d.quiet(ctx, tx, c); err != nil {
		return c, err
	}
	if _, err := tx.Exec(ctx, `UPDATE cases SET state = 'closed', closed_at = ?, outcome = ? WHERE id = ?`, store.At(tx.Now), o, c.ID); err != nil {
		return c, err
	}
	c.State, c.ClosedAt, c.Outcome = Closed, tx.Now, o
	if _, err := d.note(ctx, tx, c, event{what: Ended, by: who.Person}); err != nil {
		return c, err
	}
	return c, d.Did(ctx, tx, who, CloseCase, Ref{Patient: c.Patient, Case: c.ID, Person: c.Person}, string(o))
}
