package dialog

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/outbox"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// press is what the button that she pressed stands for.
func (c *colleague) press(ctx context.Context) error {
	c.ack = c.in.In.PressID
	switch {
	case c.in.Spent:
		return c.say(ctx, c.phrase("staff.spent", nil), nil)
	case c.in.Pressed == "":
		return c.say(ctx, c.phrase("staff.unknown_button", nil), nil)
	}
	c.retire = c.in.In.Message
	what, rest, _ := strings.Cut(c.in.Pressed, "/")
	number, more, _ := strings.Cut(rest, "/")
	id, _ := strconv.ParseInt(number, 10, 64)
	switch what {
	case triage.PressTake:
		return c.take(ctx, id)
	case triage.PressShow:
		return c.showCase(ctx, id)
	case triage.PressAnswer:
		return c.askAnswer(ctx, id)
	case triage.PressHand:
		return c.hand(ctx, id, more)
	case triage.PressClose:
		if more == "" {
			return c.askOutcome(ctx, id)
		}
		return c.close(ctx, id, triage.Outcome(more))
	case triage.PressMisread:
		return c.misread(ctx, id)
	case triage.PressCheckIn:
		return c.checkIn(ctx)
	}
	return c.pressOwn(ctx, what, number, id, more)
}

// pressOwn is a button of this conversation's own messages.
func (c *colleague) pressOwn(ctx context.Context, what, word string, id int64, more string) error {
	switch what {
	case "told":
		return c.told(ctx, id, triage.Outcome(more))
	case "verify":
		return c.verify(ctx, id)
	case "approved":
		return c.sendApproved(ctx, id, more)
	case "send":
		number, _ := strconv.ParseInt(more, 10, 64)
		return c.sendAnswer(ctx, id, number)
	case "draft":
		if more == "save" {
			return c.saveDraft(ctx, id)
		}
		return c.discard(ctx)
	case "closing":
		return c.closeDays(ctx, id)
	case "list":
		return c.command(ctx, word, "")
	case "chart":
		return c.showChart(ctx, id)
	case "calendar":
		return c.showCalendar(ctx, id)
	case "sheet":
		return c.showSheet(ctx, id)
	case "facts":
		return c.showFacts(ctx, id)
	case "hers":
		return c.confirmArrival(ctx, id, more)
	case "aside":
		return c.setAside(ctx, id)
	case "lift":
		return c.hush(ctx, id, false)
	}
	return fmt.Errorf("no way to do what the button %q stands for is known", what)
}

// take gives her the case and shows it with what she can do.
func (c *colleague) take(ctx context.Context, id int64) error {
	if _, err := c.room.Service.Desk.Take(ctx, c.tx, c.in.Who, id); err != nil {
		return err
	}
	return c.showCase(ctx, id)
}

// misread keeps her words and what was read in them for whoever mends the lexicon.
func (c *colleague) misread(ctx context.Context, id int64) error {
	if err := c.room.Service.Desk.MarkMisread(ctx, c.tx, c.in.Who, id); err != nil {
		return err
	}
	return c.say(ctx, c.phrase("staff.misread", nil), nil)
}

// askAnswer makes her next words the answer of a case.
func (c *colleague) askAnswer(ctx context.Context, id int64) error {
	p, err := c.startAnswering(ctx, id)
	if err != nil {
		return err
	}
	if !c.in.Who.Speaks(p.Language) {
		return c.offerApproved(ctx, id, p)
	}
	return c.about(ctx, p, c.phrase("staff.write_answer", phrase.Args{"case": fmt.Sprint(id), "who": who(p), "language": p.Language}),
		[][]outbox.Button{{c.button("button.discard", fmt.Sprintf("draft/%d/discard", id))}})
}

// startAnswering gives her the case and some time to word its answer to the patient.
func (c *colleague) startAnswering(ctx context.Context, id int64) (reminders.Patient, error) {
	cs, err := c.room.Service.Desk.Case(ctx, c.tx, id)
	if err != nil {
		return reminders.Patient{}, err
	}
	p, err := c.patientOf(ctx, cs)
	if err != nil {
		return reminders.Patient{}, err
	}
	if _, err := c.room.Service.Desk.Take(ctx, c.tx, c.in.Who, id); err != nil {
		return reminders.Patient{}, err
	}
	c.form.Answering, c.form.Until = id, c.tx.Now.Add(answerWithin)
	return p, c.sees(ctx, triage.SeeCases, triage.Ref{Patient: p.ID, Case: id, Person: p.Person}, "to answer it")
}

// draftAnswer shows what she has written, and to whom it would go, before anything
// is sent: the next line of a tired nurse may be meant for somebody else.
func (c *colleague) draftAnswer(ctx context.Context, id int64, words string) error {
	p, err := c.startAnswering(ctx, id)
	if err != nil {
		return err
	}
	if !c.in.Who.Speaks(p.Language) {
		return c.offerApproved(ctx, id, p)
	}
	c.form.Words, c.form.Number = words, c.in.Item
	text := c.phrase("staff.send_answer", phrase.Args{"case": fmt.Sprint(id), "who": who(p), "words": words})
	if care.TellsResult(words) {
		text += "\n" + c.phrase("staff.tells_result", nil)
	}
	return c.about(ctx, p, text, [][]outbox.Button{{c.button("button.send", fmt.Sprintf("send/%d/%d", id, c.in.Item)),
		c.button("button.discard", fmt.Sprintf("draft/%d/discard", id))}})
}

// sendAnswer sends what was shown, and only that: a preview that has been written
// over is void.
func (c *colleague) sendAnswer(ctx context.Context, id, number int64) error {
	if c.form.Answering != id || c.form.Number != number || c.form.Words == "" {
		return triage.Refuse("no_answer", nil)
	}
	cs, err := c.room.Service.Desk.Answer(ctx, c.tx, c.in.Who, id, c.form.Words, inboxKey(c.in.Item))
	if err != nil {
		return err
	}
	c.stopAnswering()
	p, err := c.patientOf(ctx, cs)
	if err != nil {
		return err
	}
	return c.about(ctx, p, c.phrase("staff.answered", phrase.Args{"who": who(p)}), c.room.Service.Desk.Buttons(c.lang, id, triage.PressAnswer, triage.PressShow, triage.PressClose))
}

func (c *colleague) stopAnswering() {
	c.form.Answering, c.form.Until, c.form.Words, c.form.Number = 0, time.Time{}, "", 0
}

// instead does something else than to go on with an answer: its writing ends, and
// she is told so.
func (c *colleague) instead(ctx context.Context, do func() error) error {
	id := c.form.Answering
	if err := do(); err != nil || id == 0 || c.form.Answering != id {
		return err
	}
	c.stopAnswering()
	return c.say(ctx, c.phrase("staff.answer_dropped", phrase.Args{"case": fmt.Sprint(id)}), nil)
}

// hand gives a case to a colleague by handle or number; without one it asks whom.
func (c *colleague) hand(ctx context.Context, id int64, to string) error {
	desk := c.room.Service.Desk
	if err := c.in.Who.May(triage.HandOverCase); err != nil {
		return err
	}
	team, err := desk.Team(ctx, c.tx)
	if err != nil {
		return err
	}
	var buttons [][]outbox.Button
	for _, s := range team {
		if s.ID == c.in.Who.ID || s.May(triage.TakeCase) != nil {
			continue
		}
		if to == strconv.FormatInt(s.ID, 10) || strings.EqualFold(to, s.Handle) {
			if _, err := desk.HandOver(ctx, c.tx, c.in.Who, id, s); err != nil {
				return err
			}
			return c.say(ctx, c.phrase("staff.handed", phrase.Args{"case": fmt.Sprint(id), "who": s.Name}), nil)
		}
		buttons = append(buttons, []outbox.Button{{Label: s.Name, Action: fmt.Sprintf("%s/%d/%d", triage.PressHand, id, s.ID)}})
	}
	return c.say(ctx, c.phrase("staff.hand_to", phrase.Args{"case": fmt.Sprint(id)}), buttons)
}

func (c *colleague) askOutcome(ctx context.Context, id int64) error {
	cs, err := c.room.Service.Desk.Case(ctx, c.tx, id)
	if err != nil {
		return err
	}
	var buttons [][]outbox.Button
	if cs.Reason == triage.ResultToTell {
		buttons = c.toldButtons(id)
	}
	for i, o := range triage.Outcomes {
		if cs.Reason == triage.ResultToTell && (o == triage.Phoned || o == triage.Seen) {
			continue
		}
		b := c.button("outcome."+string(o), fmt.Sprintf("%s/%d/%s", triage.PressClose, id, o))
		if i%2 == 0 || len(buttons) == 0 {
			buttons = append(buttons, nil)
		}
		buttons[len(buttons)-1] = append(buttons[len(buttons)-1], b)
	}
	return c.say(ctx, c.phrase("staff.close_as", phrase.Args{"case": fmt.Sprint(id)}), buttons)
}

func (c *colleague) toldButtons(id int64) [][]outbox.Button {
	return [][]outbox.Button{
		{c.button("button.told_phone", fmt.Sprintf("told/%d/%s", id, triage.Phoned))},
		{c.button("button.told_here", fmt.Sprintf("told/%d/%s", id, triage.Seen))},
	}
}

func (c *colleague) close(ctx context.Context, id int64, o triage.Outcome) error {
	desk := c.room.Service.Desk
	cs, err := desk.Case(ctx, c.tx, id)
	if err != nil {
		return err
	}
	if cs.Reason == triage.ResultToTell && (o == triage.Phoned || o == triage.Seen) {
		return c.told(ctx, id, o)
	}
	if _, err := desk.Close(ctx, c.tx, c.in.Who, id, o); err != nil {
		return err
	}
	if c.form.Answering == id {
		c.stopAnswering()
	}
	return c.say(ctx, c.phrase("staff.closed", phrase.Args{"case": fmt.Sprint(id), "outcome": c.phrase("outcome."+string(o), nil)}), nil)
}

// told confirms that a person has told her a result.
func (c *colleague) told(ctx context.Context, id int64, how triage.Outcome) error {
	if err := c.room.Care.Told(ctx, c.tx, c.in.Who, id, how); err != nil {
		return err
	}
	return c.say(ctx, c.phrase("staff.told", phrase.Args{"case": fmt.Sprint(id)}), nil)
}

func (c *colleague) checkIn(ctx context.Context) error {
	n, err := c.room.Service.Desk.CheckInNow(ctx, c.tx, c.in.Who)
	if err != nil {
		return err
	}
	key := "staff.checked_in"
	if n == 0 {
		key = "staff.not_on_call"
	}
	return c.say(ctx, c.phrase(key, nil), nil)
}
