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
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// writer puts sentences into somebody's language.
type writer struct {
	phrases *phrase.Book
	lang    string
	to      seal.Person
	item    int64
	// about and scope are set where it is somebody else who is told of a patient.
	about seal.Person
	scope string
}

func (s *Service) writer(p reminders.Patient, item int64) *writer {
	return &writer{phrases: s.Phrases, lang: p.Language, to: p.Person, item: item}
}

// say fills a sentence. An argument that is itself a phrase is put in words too.
func (w *writer) say(key string, args phrase.Args) string {
	filled := make(phrase.Args, len(args))
	for k, v := range args {
		if rest, ok := strings.CutPrefix(v, phraseMark); ok {
			v = w.phrases.Say(w.lang, rest, nil)
		}
		filled[k] = v
	}
	return w.phrases.Say(w.lang, key, filled)
}

func (w *writer) buttons(rows [][]choice) [][]outbox.Button {
	var out [][]outbox.Button
	for _, row := range rows {
		var line []outbox.Button
		for _, c := range row {
			label := c.Label
			if label == "" {
				label = w.say(c.Key, c.Args)
			}
			line = append(line, outbox.Button{Label: label, Action: c.Action})
		}
		out = append(out, line)
	}
	return out
}

// message is an answer to the message in this row of the inbox.
func (w *writer) message(kind outbox.Kind, name string, m outbox.Message) outbox.Want {
	key := fmt.Sprintf("%s/%s", inboxKey(w.item), name)
	return outbox.Want{Key: key, Topic: inboxKey(w.item), Kind: kind, To: w.to, About: w.about, Scope: w.scope, Message: m}
}

// applying carries out the effects of one message.
type applying struct {
	service *Service
	tx      *store.Tx
	item    int64
	m       *moment
	*writer
	replies   int
	ack       string // of a press, not told to the platform yet
	retire    string // the message whose buttons are spent
	cautioned bool
	given     string // the caution that she was shown
	// moved is what the fact in this message did, and unfit what does not fit now.
	moved reminders.Moved
	unfit []triage.Line
}

// takePress looks up what the pressed button stands for.
func (a *applying) takePress(ctx context.Context) error {
	p, err := a.service.Outbox.Press(ctx, a.tx, a.m.patient.Person, a.m.in.Token)
	if err != nil {
		return err
	}
	a.m.pressed, a.m.spent, a.ack = p.Action, p.Spent, a.m.in.PressID
	if p.Action != "" {
		a.retire = a.m.in.Message
	}
	return nil
}

// reply sends the next answer. The first one also quiets the button that was
// pressed.
func (a *applying) reply(ctx context.Context, kind outbox.Kind, m outbox.Message) error {
	a.replies++
	m.Ack, m.Retire, a.ack, a.retire = a.ack, a.retire, "", ""
	return a.service.Outbox.Put(ctx, a.tx, a.message(kind, fmt.Sprintf("reply/%d", a.replies), m))
}

// acknowledge quiets a pressed button that nothing was said to.
func (a *applying) acknowledge(ctx context.Context) error {
	if a.ack == "" && a.retire == "" {
		return nil
	}
	return a.reply(ctx, outbox.Reply, outbox.Message{})
}

func (a *applying) said() reminders.Said {
	return reminders.Said{By: a.m.patient.Person, Inbox: a.item}
}

func (a *applying) apply(ctx context.Context, e effect) error {
	book, patient := a.service.Book, a.m.patient.ID
	switch e := e.(type) {
	case say:
		text := a.say(e.Key, e.Args)
		if e.Then != "" {
			text += "\n" + a.say(e.Then, e.Args)
		}
		return a.reply(ctx, outbox.Reply, outbox.Message{Text: text, Buttons: a.buttons(e.Buttons)})
	case flood:
		return a.stem(ctx)
	case caution:
		return a.caution(ctx, e)
	case openCase:
		return a.open(ctx, e)
	case record:
		return a.record(ctx, e)
	case tellMoved:
		return a.tellMoved(ctx, e.Unsure)
	case answerDose:
		if err := book.AnswerDose(ctx, a.tx, patient, e.Dose, e.Answer, a.said()); err != nil || e.Answer != reminders.Taken {
			return err
		}
		return a.tellAsking(ctx, e.Dose)
	case answerBack:
		if err := book.AnswerReadBack(ctx, a.tx, patient, e.Back.Fact.Number, e.Said, a.m.patient.Person); err != nil {
			return err
		}
		return a.repeatedLate(ctx, e)
	case askBack:
		text, buttons := book.ReadBackQuestion(a.m.patient, e.Back)
		return a.reply(ctx, outbox.Reply, outbox.Message{Text: text, Buttons: buttons})
	case askNext:
		a.m.talk.Asking = e.Question
		return nil
	case awaitPlace:
		return book.AwaitPlace(ctx, a.tx, a.m.patient, e.Step)
	case placeSettled:
		return book.PlaceSettled(ctx, a.tx, a.m.patient)
	case sendCalendar:
		return a.calendar(ctx)
	case sendPicture:
		return a.picture(ctx)
	case agree:
		return book.Agree(ctx, a.tx, patient, ConsentVersion)
	case decline:
		return book.Decline(ctx, a.tx, patient, ConsentVersion)
	case endLinks:
		return a.endLinks(ctx, e.Links)
	case optOut:
		return book.OptOut(ctx, a.tx, patient, e.Out)
	case unreachable:
		return book.SetUnreachable(ctx, a.tx, patient, e.Gone)
	case back:
		return a.tellBack(ctx)
	case setNeutral:
		if err := book.SetNeutral(ctx, a.tx, patient, e.Neutral); err != nil {
			return err
		}
		_, err := book.Replan(ctx, a.tx, patient)
		return err
	case setLanguage:
		return a.language(ctx, e.Language)
	}
	return fmt.Errorf("no way to do this is known")
}

// language changes the language of everything that is said from here on.
func (a *applying) language(ctx context.Context, lang string) error {
	if err := a.service.Book.SetLanguage(ctx, a.tx, a.m.patient.ID, lang); err != nil {
		return err
	}
	a.lang, a.m.patient.Language = lang, lang
	_, err := a.service.Book.Replan(ctx, a.tx, a.m.patient.ID)
	return err
}

// caution is sent before everything else that waits.
func (a *applying) caution(ctx context.Context, c caution) error {
	clinic := a.service.Policy.Clinic
	text := rules.Fill(rules.Caution(c.Key, a.lang), rules.Numbers{Emergency: clinic.EmergencyNumber, OnCall: clinic.OnCallPhone, Desk: clinic.FrontDesk})
	if text == "" {
		return fmt.Errorf("there is no caution %q", c.Key)
	}
	if a.m.talk.Cautions == nil {
		a.m.talk.Cautions = make(map[string]time.Time)
	}
	a.m.talk.Cautions[c.Key], a.cautioned, a.given = a.tx.Now, true, c.Key
	return a.reply(ctx, outbox.Alert, outbox.Message{Text: text})
}

// open puts her message before a human, in the case that she has already where
// the desk finds that it belongs there.
func (a *applying) open(ctx context.Context, c openCase) error {
	return a.openAs(ctx, c, inboxKey(a.item)+"/"+c.Reason)
}

// openAs is open with a cause of the caller's.
func (a *applying) openAs(ctx context.Context, c openCase, cause string) error {
	o := triage.Opening{Key: cause, Patient: a.m.patient.ID, Person: a.m.patient.Person, Reason: triage.Reason(c.Reason),
		Urgency: c.Urgency, PageNow: c.PageNow, Words: a.m.in.Text, Rules: c.Rules, Language: a.m.patient.Language, CautionKey: a.given}
	if a.m.in.Kind == Press {
		o.Words = ""
	}
	for _, s := range c.Spans {
		o.Spans = append(o.Spans, triage.Span{From: s.From, To: s.To, Finding: string(s.Finding), State: string(s.State)})
	}
	o.Notes = a.notes(c)
	if asking, known, err := a.asking(ctx, c.Dose); err != nil || known {
		if err == nil {
			_, err = a.service.Desk.Attach(ctx, a.tx, asking, o)
		}
		return err
	}
	waiting, awaited, err := a.service.Desk.Awaiting(ctx, a.tx, o.Person)
	if err != nil {
		return err
	}
	// Her reply to a coordinator goes back to that coordinator, whatever it is
	// about; an emergency rings for everybody.
	if awaited && o.Words != "" && c.Urgency < rules.Emergency {
		_, err = a.service.Desk.Attach(ctx, a.tx, waiting.ID, o)
		return err
	}
	_, err = a.service.Desk.Open(ctx, a.tx, o)
	return err
}

// asking is the live case in which a human asks after a dose; false when there is
// none.
func (a *applying) asking(ctx context.Context, dose string) (int64, bool, error) {
	if dose == "" {
		return 0, false, nil
	}
	live, err := a.service.Desk.ForPerson(ctx, a.tx, a.m.patient.Person)
	for _, c := range live {
		if c.Key == reminders.DoseConcern(a.m.patient.ID, dose) {
			return c.ID, true, err
		}
	}
	return 0, false, err
}

// tellAsking lets the human who asks after a dose know that she has answered.
func (a *applying) tellAsking(ctx context.Context, dose string) error {
	id, known, err := a.asking(ctx, dose)
	if err != nil || !known || a.m.talking && a.m.in.Kind == Text {
		return err // what she writes to a coordinator reaches that coordinator
	}
	o := triage.Opening{Key: inboxKey(a.item) + "/taken", Patient: a.m.patient.ID, Person: a.m.patient.Person, Reason: triage.DoseSilent,
		Language: a.m.patient.Language, Notes: []triage.Line{{Key: "note.taken"}}}
	if a.m.in.Kind != Press {
		o.Words = a.m.in.Text
	}
	return a.service.Desk.Moot(ctx, a.tx, id, o)
}

// repeatedLate lets whoever is to phone her about an instruction know that she has
// repeated it after all.
func (a *applying) repeatedLate(ctx context.Context, e answerBack) error {
	trigger := e.Back.Fact.Kind == plan.TriggerOrder
	if settled := e.Said == reminders.SaidHerself || e.Said == reminders.SaidSomebody || e.Said == reminders.SaidRight && !trigger; !settled {
		return nil
	}
	live, err := a.service.Desk.ForPerson(ctx, a.tx, a.m.patient.Person)
	if err != nil {
		return err
	}
	for _, c := range live {
		if c.Key != reminders.ReadBackConcern(e.Back) {
			continue
		}
		return a.service.Desk.Moot(ctx, a.tx, c.ID, triage.Opening{Key: inboxKey(a.item) + "/repeated", Patient: a.m.patient.ID, Person: a.m.patient.Person,
			Reason: triage.ReadBack, Language: a.m.patient.Language, Notes: []triage.Line{{Key: "note.repeated"}}})
	}
	return nil
}

// tellBack lets whoever is to phone her, since she could not be written to, know
// that she is back.
func (a *applying) tellBack(ctx context.Context) error {
	live, err := a.service.Desk.ForPerson(ctx, a.tx, a.m.patient.Person)
	if err != nil {
		return err
	}
	for _, c := range live {
		if c.Reason != triage.Unreachable && c.Reason != triage.OptedOut {
			continue
		}
		o := triage.Opening{Key: fmt.Sprintf("%s/back/%d", inboxKey(a.item), c.ID), Patient: a.m.patient.ID, Person: a.m.patient.Person, Reason: c.Reason,
			Language: a.m.patient.Language, Notes: []triage.Line{{Key: "note.back"}}}
		if _, err := a.service.Desk.Attach(ctx, a.tx, c.ID, o); err != nil {
			return err
		}
	}
	return nil
}

// record writes a fact down. What cannot be true is no failure of hers: it is put
// before a human, and nothing is lost.
func (a *applying) record(ctx context.Context, r record) error {
	moved, err := a.service.Book.Record(ctx, a.tx, a.m.patient.ID, r.Fact, a.said())
	if refused := (*plan.Refusal)(nil); errors.As(err, &refused) {
		return a.open(ctx, openCase{Reason: string(triage.PeriodUnclear), Urgency: rules.SameDay, Why: refused.Why})
	}
	if err != nil {
		return err
	}
	// What follows, a case for instance, speaks of how things stand now.
	a.m.plan = moved.New
	if !a.m.untold {
		a.m.shown = moved.New
	}
	a.m.cycle.Facts = append(a.m.cycle.Facts, moved.Fact)
	a.moved, a.unfit = moved, unfit(moved)
	return nil
}

// tellMoved tells her once what a change did to her calendar.
func (a *applying) tellMoved(ctx context.Context, unsure bool) error {
	lines := a.service.Book.MovedLines(a.lang, a.moved.Old, a.moved.New, false)
	if len(lines) == 0 || a.m.untold || a.m.silent() {
		return nil
	}
	if unsure {
		lines = append(lines, a.say("moved.unsure", nil))
	}
	return a.reply(ctx, outbox.Reply, outbox.Message{Text: a.say("moved.head", nil) + "\n" + strings.Join(lines, "\n"), File: MonthFile(a.service.Phrases, a.m.patient, a.moved.New, a.m.now)})
}
