package dialog

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// Staffroom is the coordinators' side of the conversation. It reads what they
// write and press, shows what an action would do, and calls it; the actions
// themselves are triage's and care's.
type Staffroom struct {
	Service *Service
	Care    *care.Care
}

// form is where a colleague stands in what she is entering.
type form struct {
	// Answering is the case whose answer she is writing, until then; 0 for none.
	Answering int64     `json:"answering,omitempty"`
	Until     time.Time `json:"until,omitzero"`
	// Words are the answer as she has written it, in the message with this
	// Number; it waits for her to send it.
	Words  string `json:"words,omitempty"`
	Number int64  `json:"number,omitempty"`
	// Draft is an entry that waits for her to save it.
	Draft *draft `json:"draft,omitempty"`
	// Closing are days that wait for her to close them.
	Closing *closingDraft `json:"closing,omitempty"`
}

// answerWithin is how long what she writes is taken for the answer that she was
// asked for: common practice, no source.
const answerWithin = 30 * time.Minute

// draft is an entry that has been shown and not been saved.
type draft struct {
	Number  int64           `json:"number"` // of the message that it came in
	Patient int64           `json:"patient"`
	Fact    json.RawMessage `json:"fact"`
	// Check is the case whose order she is checking; 0 for an entry of her own.
	Check int64 `json:"check,omitempty"`
}

// colleague is one message of a member of the staff being handled.
type colleague struct {
	room    *Staffroom
	tx      *store.Tx
	in      FromStaff
	lang    string
	now     time.Time // on the clinic's wall clock
	talk    Conversation
	form    form
	drugs   map[string]string // of the patient's orders, by fact
	replies int
	ack     string
	retire  string
}

// Receive does everything that a message or a press of a colleague causes. It is
// the Service's Staff.
func (r *Staffroom) Receive(ctx context.Context, tx *store.Tx, in FromStaff) error {
	in.Who.From = triage.Origin{Place: triage.InChat, Ref: in.Item}
	c := &colleague{room: r, tx: tx, in: in, lang: in.Who.Language(), now: tx.Now.In(r.Service.Policy.Location())}
	if err := c.load(ctx); err != nil {
		return err
	}
	before := c.form
	err := c.handle(ctx)
	if refusal, known := c.explain(err); known {
		// Nothing was done; she is told why, and what to do.
		c.form = before
		err = c.say(ctx, refusal, nil)
	}
	if err != nil {
		return err
	}
	if err := c.acknowledge(ctx); err != nil {
		return err
	}
	return c.save(ctx)
}

func (c *colleague) load(ctx context.Context) (err error) {
	c.talk, err = loadConversation(ctx, c.tx, c.room.Service.Vault, c.in.Who.Person)
	if err == nil && len(c.talk.Form) > 0 && json.Unmarshal(c.talk.Form, &c.form) != nil {
		err = errors.New("a form does not hold what it should")
	}
	if c.form.Answering != 0 && !c.tx.Now.Before(c.form.Until) {
		// What she writes hours later is no answer to this patient.
		c.stopAnswering()
	}
	return err
}

func (c *colleague) save(ctx context.Context) error {
	body, err := json.Marshal(c.form)
	if err != nil {
		return fmt.Errorf("write down a form: %w", err)
	}
	if string(body) == string(c.talk.Form) {
		return nil
	}
	c.talk.Form = body
	return saveConversation(ctx, c.tx, c.room.Service.Vault, c.in.Who.Person, c.talk)
}

func (c *colleague) handle(ctx context.Context) error {
	switch c.in.In.Kind {
	case Press:
		return c.press(ctx)
	case Text:
		return c.text(ctx)
	case Media, Edited:
		return c.say(ctx, c.phrase("staff.only_text", nil), nil)
	}
	return nil // left or returned: her alerts climb by themselves
}

// explain puts what was refused into words for her; false for a failure, which
// is not hers to mend.
func (c *colleague) explain(err error) (string, bool) {
	var refused *triage.Refused
	var taken *triage.ErrTaken
	var wrong *misread
	var untrue *plan.Refusal
	switch {
	case errors.As(err, &refused):
		return refused.Say(c.room.Service.Phrases, c.lang), true
	case errors.As(err, &taken):
		return c.phrase("refused.case_taken", phrase.Args{"who": taken.By.Name, "case": fmt.Sprint(taken.Case)}), true
	case errors.As(err, &wrong):
		key := "refused.entry"
		if wrong.Word == "" {
			key = "refused.entry_short"
		}
		return c.phrase(key, phrase.Args{"word": wrong.Word, "example": c.phrase("example."+wrong.Example, nil)}), true
	case errors.As(err, &untrue):
		return c.phrase("refused.fact", phrase.Args{"why": untrue.Why, "do": untrue.Do}), true
	}
	return "", false
}

func (c *colleague) phrase(key string, args phrase.Args) string {
	return c.room.Service.Phrases.Say(c.lang, key, args)
}

// say answers her. The first answer also quiets the button that she pressed.
func (c *colleague) say(ctx context.Context, text string, buttons [][]outbox.Button) error {
	m := outbox.Message{Text: text, Buttons: buttons, Ack: c.ack, Retire: c.retire}
	return c.put(ctx, m, 0)
}

// about answers her with something of a patient's, sealed under the patient's key.
func (c *colleague) about(ctx context.Context, p reminders.Patient, text string, buttons [][]outbox.Button) error {
	m := outbox.Message{Text: text, Buttons: buttons, Ack: c.ack, Retire: c.retire}
	return c.put(ctx, m, p.ID)
}

func (c *colleague) put(ctx context.Context, m outbox.Message, patient int64) error {
	c.replies++
	c.ack, c.retire = "", ""
	w := outbox.Want{Key: fmt.Sprintf("%s/reply/%d", inboxKey(c.in.Item), c.replies), Topic: inboxKey(c.in.Item),
		Kind: outbox.Reply, To: c.in.Who.Person, Message: m}
	if patient != 0 {
		p, err := c.room.Service.Book.Patient(ctx, c.tx, patient)
		if err != nil {
			return err
		}
		if !p.Erased {
			w.About = p.Person
		}
	}
	return c.room.Service.Outbox.Put(ctx, c.tx, w)
}

func (c *colleague) acknowledge(ctx context.Context) error {
	if c.ack == "" && c.retire == "" {
		return nil
	}
	return c.say(ctx, "", nil)
}

// button is one choice in her language.
func (c *colleague) button(key, action string) outbox.Button {
	return outbox.Button{Label: c.phrase(key, nil), Action: action}
}

// sees puts on record that she has been shown something that no function of care
// records: a list, or what an entry would move.
func (c *colleague) sees(ctx context.Context, a triage.Action, r triage.Ref, what string) error {
	return c.room.Service.Desk.Did(ctx, c.tx, c.in.Who, a, r, what)
}

// seesPatient is sees for something of one patient's.
func (c *colleague) seesPatient(ctx context.Context, p reminders.Patient, what string) error {
	return c.sees(ctx, triage.SeePatients, triage.Ref{Patient: p.ID, Person: p.Person}, what)
}

func lines(all ...string) string {
	var some []string
	for _, l := range all {
		if l != "" {
			some = append(some, l)
		}
	}
	return strings.Join(some, "\n")
}
