package reminders

import (
	"context"
	"fmt"
	"slices"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// ReadBack is an instruction that must not be misunderstood, and that the
// patient is asked to repeat: a start, a stop, a changed dose, the trigger, the
// time of the transfer.
type ReadBack struct {
	Fact Recorded
	// Subject is the key of the sentence that says what she is to do.
	Subject string
	// Right is the day and the minute that she must give back, Wrong the
	// likely mistake that is offered beside it. Without a minute only the day
	// counts.
	Right, Wrong time.Time
	Timed        bool
	// CalledOff is the kind of the order that was taken back; "" for none. She
	// is then asked whether she will do it, not when.
	CalledOff plan.FactKind
	// Stage is how far it has come.
	Stage Stage
	// Asked is when she is asked, and Deadline when a person phones her.
	Asked, Deadline time.Time
}

// Stage is how far a read-back has come.
type Stage string

// The stages. The trigger goes on to whether it is in hand and who gives it; the
// others end with Repeated.
const (
	Unanswered Stage = ""
	Repeated   Stage = "repeated"
	InHand     Stage = "in_hand"
	Settled    Stage = "settled"
)

// What she can say to a read-back; the words of the table.
const (
	SaidRight     = "right"
	SaidWrong     = "wrong"
	SaidInHand    = "in_hand"
	SaidNotInHand = "not_in_hand"
	SaidHerself   = "herself"
	SaidSomebody  = "somebody"
)

// ID names the read-back in buttons.
func (r ReadBack) ID() string { return r.Fact.ID }

// Open reports whether something is still asked.
func (r ReadBack) Open() bool { return r.Stage != Settled }

// Trigger reports whether it is about the trigger.
func (r ReadBack) Trigger() bool { return r.Fact.Kind == plan.TriggerOrder }

// Pressing reports whether it cannot wait for the morning: the trigger, ordered or
// called off.
func (r ReadBack) Pressing() bool { return r.Trigger() || r.CalledOff == plan.TriggerOrder }

// ReadBacks are those of the last two days, in the order in which they were
// ordered.
func (b *Book) ReadBacks(ctx context.Context, tx *store.Tx, p Patient, c Cycle) ([]ReadBack, error) {
	if c.ID == 0 {
		return nil, nil
	}
	var all []ReadBack
	for _, f := range c.Facts {
		if r, needed := b.readBack(p, c, f); needed && !f.Entered.Before(tx.Now.Add(-lookBack)) {
			all = append(all, r)
		}
	}
	if len(all) == 0 {
		return nil, nil
	}
	stage, err := stages(ctx, tx, c)
	if err != nil {
		return nil, err
	}
	for i := range all {
		r := &all[i]
		if r.Stage = stage[r.Fact.Number]; r.Stage == Repeated && !r.Trigger() {
			r.Stage = Settled
		}
	}
	return all, nil
}

// stages is how far she has come with the read-back of each fact.
func stages(ctx context.Context, tx *store.Tx, c Cycle) (map[int64]Stage, error) {
	var rows []struct {
		Fact int64  `db:"fact_id"`
		Said string `db:"said"`
	}
	if err := tx.Select(ctx, &rows, `SELECT r.fact_id, r.said FROM read_backs r JOIN facts f ON f.id = r.fact_id WHERE f.cycle_id = ? ORDER BY f.id, r.id`, c.ID); err != nil {
		return nil, err
	}
	stage := make(map[int64]Stage)
	for _, r := range rows {
		stage[r.Fact] = stage[r.Fact].after(r.Said)
	}
	return stage, nil
}

func (s Stage) after(said string) Stage {
	switch said {
	case SaidRight:
		return Repeated
	case SaidInHand:
		return InHand
	case SaidHerself, SaidSomebody:
		return Settled
	}
	return s
}

// readBack is what must be repeated of a fact. What was replaced, lies in the past
// or was said by herself needs none.
func (b *Book) readBack(p Patient, c Cycle, f Recorded) (ReadBack, bool) {
	r := ReadBack{Fact: f, Asked: b.afterQuiet(f.Entered), Timed: true}
	switch {
	case f.By == p.Person || c.replaced(f):
		return r, false
	case f.Kind == plan.OrderGiven && len(f.Times) > 0:
		r.Subject, r.Right = "readback.start", f.From.At(f.Times[0], b.zone())
		r.Wrong = f.From.AddDays(1).At(f.Times[0], b.zone())
	case f.Kind == plan.StopOrder:
		r.Subject, r.Right, r.Timed = "readback.stop", f.On.At(0, b.zone()), false
		r.Wrong = f.On.AddDays(1).At(0, b.zone())
		r.Fact.Drug = c.drugOf(f.Order)
	case f.Kind == plan.TriggerOrder:
		// A trigger waits for no morning.
		r.Subject, r.Right, r.Asked = "readback.trigger", f.At, f.Entered
		r.Wrong = civil.DateOf(f.At).AddDays(1).At(civil.TimeOfDayOf(f.At), b.zone())
	case f.Kind == plan.Retracted:
		return b.calledOff(c, r)
	case f.Kind == plan.Visit && f.Step == plan.Transfer:
		arrive := f.At.Add(-b.Policy.Messages.Transfer.ArriveBefore)
		r.Subject, r.Right, r.Wrong = "readback.transfer", arrive, arrive.Add(time.Hour)
	default:
		return r, false
	}
	r.Deadline = r.Asked.Add(b.Policy.Messages.ReadBackWithin)
	return r, r.Right.After(f.Entered) || f.Kind == plan.StopOrder && !f.On.Before(b.civilDay(f.Entered))
}

// calledOff is the read-back of an order that was taken back: she was told to do
// it, so she must know that she is not to.
func (b *Book) calledOff(c Cycle, r ReadBack) (ReadBack, bool) {
	i := slices.IndexFunc(c.Facts, func(f Recorded) bool { return f.ID == r.Fact.Replaces })
	if i < 0 {
		return r, false
	}
	old := c.Facts[i]
	switch {
	case old.Kind == plan.TriggerOrder:
		r.Right, r.Asked, r.CalledOff = old.At, r.Fact.Entered, plan.TriggerOrder
	case old.Kind == plan.OrderGiven && len(old.Times) > 0:
		r.Right, r.CalledOff = old.From.At(old.Times[0], b.zone()), plan.OrderGiven
	default:
		return r, false
	}
	given, known := c.Live(plan.TriggerGiven)
	if known && old.Kind == plan.TriggerOrder && !given.At.After(r.Fact.Entered) {
		return r, false
	}
	r.Subject, r.Wrong = "readback.called_off", r.Right
	r.Fact.Drug, r.Fact.Dose, r.Fact.Unit = old.Drug, old.Dose, old.Unit
	r.Deadline = r.Asked.Add(b.Policy.Messages.ReadBackWithin)
	return r, true
}

// drugOf is what the order with this ID is of.
func (c Cycle) drugOf(order string) string {
	for _, f := range c.Facts {
		if f.ID == order {
			return f.Drug
		}
	}
	return ""
}

func (c Cycle) replaced(f Recorded) bool {
	for _, other := range c.Facts {
		if other.Replaces == f.ID {
			return true
		}
	}
	return false
}

// soon is how near an instruction must be for its read-back to be today's matter; what
// lies further ahead can wait for an hour of the clinic. Common practice, no source.
const soon = 24 * time.Hour

// ReadBackConcern is the key of the concern that an instruction was not repeated.
func ReadBackConcern(r ReadBack) string { return fmt.Sprintf("fact/%d/readback", r.Fact.Number) }

// AnswerReadBack writes down what she said to a read-back and brings the outbox in
// step.
func (b *Book) AnswerReadBack(ctx context.Context, tx *store.Tx, patient int64, fact int64, said string, by seal.Person) error {
	if _, err := tx.Exec(ctx, `INSERT INTO read_backs (fact_id, said, said_by, recorded_at) VALUES (?, ?, ?, ?)`, fact, said, by, store.At(tx.Now)); err != nil {
		return err
	}
	_, err := b.Replan(ctx, tx, patient)
	return err
}

// Actions of the buttons of a read-back, each followed by its ID.
const (
	ActRight     = "readback/right/"
	ActWrong     = "readback/wrong/"
	ActRead      = "readback/show/"
	ActInHand    = "readback/in_hand/"
	ActNotInHand = "readback/not_in_hand/"
	ActHerself   = "readback/herself/"
	ActSomebody  = "readback/somebody/"
	ActCalendar  = "menu/calendar"
)

// readBack asks, asks again, and at the deadline has a person phone her.
func (w *wants) readBack(r ReadBack) {
	if !r.Open() {
		return
	}
	w.task("readback/"+r.ID()+"/deadline", taskReadBack, r.ID(), r.Deadline)
	if w.patient.Quiet() {
		return
	}
	m := outbox.Message{}
	if w.patient.Neutral {
		m.Text = w.say("readback.ask", nil)
		m.Buttons = [][]outbox.Button{{{Label: w.say("show", nil), Action: ActRead + r.ID()}}}
	} else {
		m.Text, m.Buttons = w.book.ReadBackQuestion(w.patient, r)
	}
	first := len(w.list)
	w.message("readback/"+r.ID()+"/ask", outbox.Reply, r.Asked, r.Deadline, m)
	again := r.Asked.Add(w.book.Policy.Messages.ReadBackAgain)
	if !r.Pressing() {
		again = w.book.afterQuiet(again)
	}
	if again.Before(r.Deadline) {
		w.message("readback/"+r.ID()+"/again", outbox.Reply, again, r.Deadline, m)
	}
	w.askOnce(first)
}

// ReadBackQuestion is what she is asked at the stage that the read-back has come
// to, in plain words.
func (b *Book) ReadBackQuestion(p Patient, r ReadBack) (string, [][]outbox.Button) {
	say := func(key string, args map[string]string) string { return b.Say(p.Language, false, key, args) }
	button := func(key, action string) outbox.Button {
		return outbox.Button{Label: say(key, nil), Action: action + r.ID()}
	}
	switch r.Stage {
	case Repeated:
		return say("readback.in_hand", nil), [][]outbox.Button{{button("readback.yes", ActInHand)}, {button("readback.no", ActNotInHand)}}
	case InHand:
		return say("readback.who", nil), [][]outbox.Button{{button("readback.herself", ActHerself)}, {button("readback.somebody", ActSomebody)}}
	}
	right := outbox.Button{Label: b.readBackTime(p, r, r.Right), Action: ActRight + r.ID()}
	wrong := outbox.Button{Label: b.readBackTime(p, r, r.Wrong), Action: ActWrong + r.ID()}
	if r.CalledOff != "" {
		right.Label, wrong.Label = say("readback.will_not", nil), say("readback.will", nil)
	}
	buttons := [][]outbox.Button{{right}, {wrong}}
	if r.Fact.Number%2 == 0 {
		buttons = [][]outbox.Button{{wrong}, {right}}
	}
	repeat := "readback.repeat"
	if r.CalledOff != "" {
		repeat = "readback.repeat_called_off"
	}
	return b.Instruction(p, r) + "\n" + say(repeat, nil), buttons
}

// Instruction is what was ordered, in plain words.
func (b *Book) Instruction(p Patient, r ReadBack) string {
	f := r.Fact
	args := map[string]string{"when": b.readBackTime(p, r, r.Right), "dose": doseWords(f.Fact), "ends": b.endWords(p, f.Stop), "drug": f.Drug,
		"time": b.Clock(p.Language, civil.TimeOfDayOf(f.At.In(b.zone())))}
	if f.Kind == plan.OrderGiven {
		times := ""
		for i, t := range f.Times {
			if i > 0 {
				times += ", "
			}
			times += b.Clock(p.Language, t)
		}
		args["times"] = times
	}
	return b.Say(p.Language, false, r.Subject, args)
}

func (b *Book) endWords(p Patient, s plan.Stop) string {
	switch {
	case s.AfterDoses == 1:
		return b.Say(p.Language, false, "readback.one_dose", nil)
	case s.AfterDoses > 0:
		return b.Say(p.Language, false, "readback.doses", map[string]string{"n": fmt.Sprint(s.AfterDoses)})
	case s.AfterDays > 0:
		return b.Say(p.Language, false, "readback.days", map[string]string{"n": fmt.Sprint(s.AfterDays)})
	case s.AtTrigger:
		return b.Say(p.Language, false, "readback.until_trigger", nil)
	}
	return b.Say(p.Language, false, "readback.until_told", nil)
}

func (b *Book) readBackTime(p Patient, r ReadBack, t time.Time) string {
	t = t.In(b.zone())
	if !r.Timed {
		return b.Day(p.Language, civil.DateOf(t))
	}
	return b.Day(p.Language, civil.DateOf(t)) + ", " + b.Clock(p.Language, civil.TimeOfDayOf(t))
}

// note is the key of what staff read of an instruction that was not repeated.
func (r ReadBack) note() string {
	switch r.Fact.Kind {
	case plan.StopOrder:
		return "note.readback_stop"
	case plan.Retracted:
		return "note.readback_called_off"
	case plan.Visit:
		return "note.readback_transfer"
	}
	return "note.readback"
}

// at is the day and, where it counts, the minute, for staff.
func (r ReadBack) at(zone *time.Location) string {
	if !r.Timed {
		return r.Right.In(zone).Format(time.DateOnly)
	}
	return r.Right.In(zone).Format("2006-01-02 15:04")
}

// runReadBack has somebody phone her about what she has not repeated.
func (b *Book) runReadBack(ctx context.Context, tx *store.Tx, payload []byte) error {
	d, err := readDuty(payload)
	if err != nil {
		return err
	}
	p, err := b.Patient(ctx, tx, d.Patient)
	if err != nil {
		return err
	}
	c, err := b.Cycle(ctx, tx, d.Patient)
	if err != nil {
		return err
	}
	all, err := b.ReadBacks(ctx, tx, p, c)
	if err != nil {
		return err
	}
	for _, r := range all {
		if r.ID() == d.About && r.Open() {
			return b.Concern(ctx, tx, Concern{Key: ReadBackConcern(r), Patient: p, Reason: NotReadBack, Grave: r.Pressing() || r.Right.Before(tx.Now.Add(soon)), PageNow: r.Pressing(),
				Notes: []Note{{r.note(), map[string]string{"what": doseWords(r.Fact.Fact), "at": r.at(b.zone())}}}})
		}
	}
	return nil
}
