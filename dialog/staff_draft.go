package dialog

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// aboutPatient is a line that begins with a patient's handle.
func (c *colleague) aboutPatient(ctx context.Context, p reminders.Patient, rest string) error {
	if done, err := c.links(ctx, p, rest); done || err != nil {
		return err
	}
	if done, err := c.owned(ctx, p, rest); done || err != nil {
		return err
	}
	e, err := readEntry(rest, c.now)
	if err != nil {
		return err
	}
	if p.Erased && e.Verb != doShow && e.Verb != doFacts && e.Verb != doCalendar {
		return triage.Refuse("erased", nil)
	}
	switch e.Verb {
	case doShow:
		return c.showChart(ctx, p.ID)
	case doCalendar:
		return c.showCalendar(ctx, p.ID)
	case doChart:
		return c.sendCharts(ctx, p.ID)
	case doFacts:
		return c.showFacts(ctx, p.ID)
	case doSheet:
		return c.showSheet(ctx, p.ID)
	case doNote:
		return c.showNotes(ctx, p)
	case doEnter, doCorrect:
		return c.propose(ctx, p, e.Fact)
	case doUndo:
		return c.propose(ctx, p, plan.Fact{Kind: plan.Retracted, Replaces: e.ID, Reason: e.Words})
	case doStop:
		return c.proposeStop(ctx, p, e)
	case doBook:
		return c.book(ctx, p, e)
	case doPlaces:
		return c.places(ctx, p, e)
	}
	return c.act(ctx, p, e)
}

// act is what is done at once, since it moves nothing in the calendar or can be
// taken back with one word.
func (c *colleague) act(ctx context.Context, p reminders.Patient, e entry) error {
	switch e.Verb {
	case doCheck, doUncheck:
		return c.check(ctx, p, e)
	case doCode:
		inv, err := c.room.Care.Invite(ctx, c.tx, c.in.Who, p.ID)
		if err != nil {
			return err
		}
		return c.about(ctx, p, c.phrase("staff.invited", phrase.Args{"who": who(p), "code": inv.Code, "until": c.when(inv.Until)}), nil)
	case doHush, doLift:
		return c.hush(ctx, p.ID, e.Verb == doHush)
	case doFinish:
		if err := c.room.Care.Finish(ctx, c.tx, c.in.Who, p.ID, endingOf(e.Word)); err != nil {
			return err
		}
		return c.about(ctx, p, c.phrase("staff.finished", phrase.Args{"who": who(p)}), nil)
	case doNext:
		if err := c.room.Care.NextCycle(ctx, c.tx, c.in.Who, p.ID, e.Word, c.in.Item); err != nil {
			return err
		}
		return c.about(ctx, p, c.phrase("staff.begun", phrase.Args{"who": who(p)}), nil)
	}
	return fmt.Errorf("no way to %s is known", e.Verb)
}

// endingOf is an ending by its fixed word or what a clinic says for it.
func endingOf(word string) string {
	if known, ok := map[string]string{"alta": "discharged", "negativa": "negative", "negativo": "negative", "perdida": "lost", "loss": "lost", "cancelado": "cancelled", "cancel": "cancelled"}[tidy(word)]; ok {
		return known
	}
	return word
}

func (c *colleague) check(ctx context.Context, p reminders.Patient, e entry) error {
	on, key := e.On, "staff.checked"
	if e.Verb == doUncheck {
		on, key = civil.Date{}, "staff.unchecked"
	}
	if err := c.room.Care.SetCheck(ctx, c.tx, c.in.Who, p.ID, e.Word, on); err != nil {
		return err
	}
	return c.about(ctx, p, c.phrase(key, phrase.Args{"who": who(p), "item": c.item(e.Word), "on": on.String()}), nil)
}

func (c *colleague) hush(ctx context.Context, patient int64, hushed bool) error {
	changed, err := c.room.Care.Hush(ctx, c.tx, c.in.Who, patient, hushed)
	if err != nil {
		return err
	}
	p, err := c.room.Service.Book.Patient(ctx, c.tx, patient)
	if err != nil {
		return err
	}
	key := map[bool]string{true: "staff.hushed", false: "staff.lifted"}[hushed]
	if !changed {
		key = "staff.nothing_changed"
	}
	return c.about(ctx, p, c.phrase(key, phrase.Args{"who": who(p)}), nil)
}

// proposeStop finds the order that the named drug is taken by.
func (c *colleague) proposeStop(ctx context.Context, p reminders.Patient, e entry) error {
	orders, err := c.room.Care.Orders(ctx, c.tx, c.in.Who, p.ID)
	if err != nil {
		return err
	}
	var named []reminders.Recorded
	for _, o := range orders {
		if strings.EqualFold(o.Drug, e.Word) || strings.EqualFold(o.ID, e.Word) {
			named = append(named, o)
		}
	}
	switch len(named) {
	case 0:
		return triage.Refuse("no_order", phrase.Args{"drug": e.Word})
	case 1:
		return c.propose(ctx, p, plan.Fact{Kind: plan.StopOrder, Order: named[0].ID, On: e.On})
	}
	var list []string
	for _, o := range named {
		list = append(list, o.ID+": "+c.fact(o.Fact))
	}
	if err := c.seesPatient(ctx, p, "her orders"); err != nil {
		return err
	}
	return triage.Refuse("two_orders", phrase.Args{"drug": e.Word, "orders": strings.Join(list, "; ")})
}

// propose shows what a fact would move and keeps it until she saves it.
func (c *colleague) propose(ctx context.Context, p reminders.Patient, f plan.Fact) error {
	v, err := c.room.Care.Preview(ctx, c.tx, c.in.Who, p.ID, f)
	if err != nil {
		return c.orCorrect(ctx, p, f, err)
	}
	facts, err := c.room.Care.Facts(ctx, c.tx, c.in.Who, p.ID)
	if err == nil {
		err = c.seesPatient(ctx, p, "what an entry would move")
	}
	if err != nil {
		return err
	}
	c.learn(facts)
	body, err := json.Marshal(f)
	if err != nil {
		return fmt.Errorf("write down a %s: %w", f.Kind, err)
	}
	c.form.Draft, c.form.Closing = &draft{Number: c.in.Item, Patient: p.ID, Fact: body}, nil
	return c.ask(ctx, v, c.beside(v, facts), "staff.save")
}

// beside names a visit of the same kind that lies ahead and stays, since somebody
// who enters another one may have meant to move it.
func (c *colleague) beside(v care.Preview, facts []reminders.Recorded) string {
	f, some := v.Beside(facts, c.now)
	if !some {
		return ""
	}
	return c.phrase("staff.beside", phrase.Args{"old": c.fact(f.Fact), "how": v.Patient.Handle + " " + c.phrase("staff.correct", phrase.Args{"fact": f.ID})})
}

// orCorrect adds to a refusal how the entry that stands in the way is corrected.
func (c *colleague) orCorrect(ctx context.Context, p reminders.Patient, f plan.Fact, err error) error {
	var untrue *plan.Refusal
	if !errors.As(err, &untrue) || f.Replaces != "" {
		return err
	}
	cycle, failed := c.room.Service.Book.Cycle(ctx, c.tx, p.ID)
	if failed != nil {
		return failed
	}
	old, stands := cycle.Live(f.Kind)
	if !stands {
		return err
	}
	if failed := c.seesPatient(ctx, p, "what stands"); failed != nil {
		return failed
	}
	return triage.Refuse("fact_again", phrase.Args{"why": untrue.Why, "do": untrue.Do, "old": c.fact(old.Fact), "how": p.Handle + " " + c.phrase("staff.correct", phrase.Args{"fact": old.ID})})
}

func (c *colleague) ask(ctx context.Context, v care.Preview, note, key string) error {
	row := []outbox.Button{c.button("button.save", fmt.Sprintf("draft/%d/save", c.form.Draft.Number))}
	if v.Asks() {
		key, row = "staff.save_because", nil
	}
	row = append(row, c.button("button.discard", fmt.Sprintf("draft/%d/discard", c.form.Draft.Number)))
	return c.about(ctx, v.Patient, lines(c.preview(v), note, c.phrase(key, nil)), [][]outbox.Button{row})
}

// verify shows the order that a case holds for the second person's check.
func (c *colleague) verify(ctx context.Context, id int64) error {
	v, err := c.room.Care.Waiting(ctx, c.tx, c.in.Who, id)
	if err == nil {
		err = c.sees(ctx, triage.SeePatients, triage.Ref{Patient: v.Patient.ID, Case: id, Person: v.Patient.Person}, "the order to check")
	}
	if err != nil {
		return err
	}
	c.form.Draft, c.form.Closing = &draft{Number: c.in.Item, Patient: v.Patient.ID, Check: id}, nil
	return c.ask(ctx, v, "", "staff.save_check")
}

// becauseOf is the reason in "save because …"; false for anything else.
func becauseOf(rest string) (string, bool) {
	word, why, _ := strings.Cut(rest, " ")
	why = strings.TrimSpace(why)
	return why, why != "" && (tidy(word) == "because" || tidy(word) == "porque")
}

// saveFor saves what was shown last with the reason that she gives for it.
func (c *colleague) saveFor(ctx context.Context, rest string) error {
	d := c.form.Draft
	if d == nil && c.form.Closing != nil && rest == "" {
		return c.closeDays(ctx, 0)
	}
	if rest == "" || d == nil || d.Check != 0 {
		return c.saveDraft(ctx, 0)
	}
	why, given := becauseOf(rest)
	if !given {
		return &misread{Example: "save", Word: rest}
	}
	f, err := plan.ParseFact(d.Fact, c.now.Location())
	if err != nil {
		return fmt.Errorf("a draft does not hold what it should")
	}
	if !f.TakesReason() || f.Reason != "" {
		return c.saveDraft(ctx, 0)
	}
	f.Reason = why
	if d.Fact, err = json.Marshal(f); err != nil {
		return fmt.Errorf("write down a %s: %w", f.Kind, err)
	}
	return c.saveDraft(ctx, 0)
}

// saveDraft saves what was shown last; number is the draft that a button belongs
// to, 0 for the typed word.
func (c *colleague) saveDraft(ctx context.Context, number int64) error {
	d := c.form.Draft
	if d == nil || number != 0 && d.Number != number {
		return triage.Refuse("no_draft", nil)
	}
	facts, err := c.room.Care.Facts(ctx, c.tx, c.in.Who, d.Patient)
	if err != nil {
		return err
	}
	c.learn(facts)
	v, err := c.saved(ctx, d)
	if err != nil {
		return err
	}
	c.form.Draft = nil
	key := "staff.saved"
	if v.Second {
		key = "staff.to_be_checked"
	}
	text := lines(append([]string{c.phrase(key, phrase.Args{"who": who(v.Patient), "fact": c.fact(v.Fact)})}, c.also(v)...)...)
	for _, id := range v.Settled {
		text = lines(text, c.phrase("staff.settled", phrase.Args{"case": fmt.Sprint(id)}))
	}
	var buttons [][]outbox.Button
	if v.ToTell != 0 {
		text = lines(text, c.phrase("staff.to_tell", phrase.Args{"case": fmt.Sprint(v.ToTell)}))
		buttons = c.toldButtons(v.ToTell)
	}
	row := []outbox.Button{c.button("button.chart", fmt.Sprintf("chart/%d", v.Patient.ID)), c.button("button.calendar", fmt.Sprintf("calendar/%d", v.Patient.ID))}
	switch v.Fact.Kind {
	case plan.Scan, plan.Bloods, plan.HomeLH, plan.HCG:
		row = append(row, c.button("button.sheet", fmt.Sprintf("sheet/%d", v.Patient.ID)))
	}
	return c.about(ctx, v.Patient, text, append(buttons, row))
}

func (c *colleague) saved(ctx context.Context, d *draft) (care.Preview, error) {
	if d.Check != 0 {
		return c.room.Care.CheckTrigger(ctx, c.tx, c.in.Who, d.Check, c.in.Item)
	}
	f, err := plan.ParseFact(d.Fact, c.now.Location())
	if err != nil {
		return care.Preview{}, fmt.Errorf("a draft does not hold what it should")
	}
	return c.room.Care.Enter(ctx, c.tx, c.in.Who, d.Patient, f, c.in.Item)
}

// discard drops the draft and the answer that she was writing.
func (c *colleague) discard(ctx context.Context) error {
	if c.form == (form{}) {
		return triage.Refuse("no_draft", nil)
	}
	c.form = form{}
	return c.say(ctx, c.phrase("staff.discarded", nil), nil)
}
