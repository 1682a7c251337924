package reminders

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
)

// planTopic gathers everything that the plan of a cycle promises.
func planTopic(cycle int64) string { return fmt.Sprintf("cycle/%d/plan", cycle) }

// Replan computes the plan of a patient's cycle and makes the outbox promise
// what it asks for: no more, no less, and nothing twice.
func (b *Book) Replan(ctx context.Context, tx *store.Tx, patient int64) (plan.Plan, error) {
	pl, c, promised, err := b.promised(ctx, tx, patient)
	if err != nil || c.ID == 0 {
		return pl, err
	}
	if err := b.keepPlaces(ctx, tx, c.ID, b.placesOf(c, pl)); err != nil {
		return pl, err
	}
	_, err = b.Outbox.Reconcile(ctx, tx, planTopic(c.ID), promised)
	return pl, err
}

// promised is the plan of a patient's latest cycle and what it asks the outbox to
// promise; nothing for a cycle that is closed.
func (b *Book) promised(ctx context.Context, tx *store.Tx, patient int64) (plan.Plan, Cycle, []outbox.Want, error) {
	pl, c, err := b.Plan(ctx, tx, patient)
	if err != nil || c.ID == 0 {
		return pl, c, nil, err
	}
	p, err := b.Patient(ctx, tx, patient)
	if err != nil || !c.Closed.IsZero() {
		return pl, c, nil, err
	}
	doses, err := b.Doses(ctx, tx, c, pl)
	if err != nil {
		return pl, c, nil, err
	}
	backs, err := b.ReadBacks(ctx, tx, p, c)
	if err != nil {
		return pl, c, nil, err
	}
	missing, err := b.Missing(ctx, tx, patient, b.civilDay(tx.Now))
	if err != nil {
		return pl, c, nil, err
	}
	untold, err := b.Untold(ctx, tx, p)
	if err != nil {
		return pl, c, nil, err
	}
	shut, err := b.closedDays(ctx, tx)
	if err != nil {
		return pl, c, nil, err
	}
	w := &wants{book: b, patient: p, cycle: c, now: tx.Now.In(b.zone()), lacking: len(missing) > 0, untold: untold, shut: shut}
	w.promises(pl, doses, backs)
	links, err := b.links(ctx, tx, `patient_id = ? AND until_at IS NULL AND proven_at IS NOT NULL`, patient)
	if err != nil {
		return pl, c, nil, err
	}
	w.copies(pl, doses, links)
	w.consent()
	return pl, c, w.list, nil
}

// The tasks that the plan asks for.
const (
	taskReplan   = "reminders.replan"
	taskDose     = "reminders.dose_unanswered"
	taskOpenEnd  = "reminders.open_end"
	taskReadBack = "reminders.read_back"
	taskPlace    = "reminders.place_unanswered"
)

// Tasks are the functions behind the tasks that this package promises.
func (b *Book) Tasks() map[string]outbox.TaskFunc {
	return map[string]outbox.TaskFunc{taskReplan: b.runReplan, taskDose: b.runDose, taskOpenEnd: b.runOpenEnd, taskReadBack: b.runReadBack, taskPlace: b.runPlace}
}

// duty is the payload of every task of this package.
type duty struct {
	Patient int64  `json:"patient"`
	About   string `json:"about,omitempty"`
}

func readDuty(payload []byte) (duty, error) {
	var d duty
	if json.Unmarshal(payload, &d) != nil {
		return d, fmt.Errorf("a task's payload does not hold what it should")
	}
	return d, nil
}

// runReplan renews the plan once a day: what was ahead comes due, what was due
// is missed, and the doses of open-ended orders come into sight.
func (b *Book) runReplan(ctx context.Context, tx *store.Tx, payload []byte) error {
	d, err := readDuty(payload)
	if err != nil {
		return err
	}
	_, err = b.Replan(ctx, tx, d.Patient)
	return err
}

// runDose turns a dose about which nothing was heard over to a person.
func (b *Book) runDose(ctx context.Context, tx *store.Tx, payload []byte) error {
	d, err := readDuty(payload)
	if err != nil {
		return err
	}
	a, found, err := b.Dose(ctx, tx, d.Patient, d.About)
	if err != nil || !found || a.Settled() {
		return err
	}
	p, err := b.Patient(ctx, tx, d.Patient)
	if err != nil {
		return err
	}
	// After hours somebody is woken for what cannot be made up for later.
	wake := a.Trigger() || a.Dose.Class == plan.Progesterone && !b.quiet(tx.Now)
	notes := []Note{{"note.dose", map[string]string{"dose": a.Words(), "at": a.Dose.At.In(b.zone()).Format("2006-01-02 15:04")}}}
	if p.Quiet() {
		notes = append(notes, Note{Key: "note.not_asked"})
	}
	return b.Concern(ctx, tx, Concern{Key: DoseConcern(p.ID, a.ID), Patient: p, Reason: DoseSilent, Grave: true, PageNow: wake, Notes: notes})
}

// DoseConcern is the cause of the concern about a dose of which nothing was heard.
func DoseConcern(patient int64, dose string) string {
	return fmt.Sprintf("patient/%d/dose/%s", patient, dose)
}

// runOpenEnd turns something that a person must settle over to her, unless it has
// been settled.
func (b *Book) runOpenEnd(ctx context.Context, tx *store.Tx, payload []byte) error {
	d, err := readDuty(payload)
	if err != nil {
		return err
	}
	pl, c, err := b.Plan(ctx, tx, d.Patient)
	if err != nil || !c.Closed.IsZero() {
		return err
	}
	p, err := b.Patient(ctx, tx, d.Patient)
	if err != nil {
		return err
	}
	for _, o := range pl.Open {
		if o.Key == d.About && !o.Due.After(tx.Now) {
			return b.Concern(ctx, tx, Concern{Key: OpenEndConcern(c.ID, o), Patient: p, Reason: concernOf(o), Grave: !o.Calm(), PageNow: o.Now,
				Notes: append(stepNote(o), Note{"why." + o.Why.Code, o.Why.Args})})
		}
	}
	return nil
}

// OpenEndConcern is the key of the concern about an open end of a cycle.
func OpenEndConcern(cycle int64, o plan.OpenEnd) string {
	return OpenEndConcerns(cycle) + cause(o)
}

// OpenEndConcerns is what the keys of all concerns about a cycle's open ends begin
// with.
func OpenEndConcerns(cycle int64) string { return fmt.Sprintf("cycle/%d/open/", cycle) }

// cause names an open end and when it is due: what is put off, such as a missed
// visit that is booked anew, can come due again. A result has its minute in its
// name already.
func cause(o plan.OpenEnd) string {
	if strings.HasPrefix(o.Key, "result/") {
		return o.Key
	}
	return o.Key + "/" + o.Due.UTC().Format("20060102T1504Z")
}

// stepNote names the step that an open end is about.
func stepNote(o plan.OpenEnd) []Note {
	if o.Step == "" {
		return nil
	}
	return []Note{{Key: "step." + string(o.Step)}}
}

// concernOf is why an open end needs a human.
func concernOf(o plan.OpenEnd) string {
	if o.OfSupply() {
		return SupplyShort
	}
	key, _, _ := strings.Cut(o.Key, "/")
	switch key {
	case "period_late", "bleed_late":
		return PeriodMissing
	case "stop", "held", string(plan.Stimulation), string(plan.LiningEstrogen), string(plan.LutealProgesterone), string(plan.LutealEstrogen), string(plan.LutealEnd):
		return OrderDue
	}
	if key == "drawn" {
		return ResultLate
	}
	return DecisionDue
}

// promises is everything that the plan asks to be said or done from now on.
func (w *wants) promises(pl plan.Plan, doses []Asked, backs []ReadBack) {
	for _, o := range pl.Open {
		// The trigger's own deadline asks after it.
		if o.Step != plan.Trigger {
			w.task("open/"+cause(o), taskOpenEnd, o.Key, o.Due)
		}
	}
	tomorrow := civil.DateOf(w.now).AddDays(1)
	w.task("replan/"+tomorrow.String(), taskReplan, "", tomorrow.At(0, w.book.zone()).Add(time.Minute))
	for _, a := range doses {
		// Somebody who must not be written to is still looked after: the
		// deadline stands, only the question is left out.
		w.dose(a)
	}
	for _, r := range backs {
		if r.Fact.Kind == plan.Visit && w.overtaken(plan.Step{Name: r.Fact.Step, On: w.book.civilDay(r.Fact.Fact.At), At: r.Fact.Fact.At}) {
			continue // the day has closed: a person is at it
		}
		w.readBack(r)
	}
	if !w.patient.Quiet() {
		for _, s := range pl.Steps {
			w.visit(s)
		}
		for _, s := range pl.Supplies {
			w.supply(s)
		}
	}
}

// wants gathers the promises of one plan.
type wants struct {
	book    *Book
	patient Patient
	cycle   Cycle
	now     time.Time // in the clinic's zone
	lacking bool      // something that her cycle must not start without
	untold  bool      // a result of hers waits to be told by a person
	shut    []shut    // days that are closed
	list    []outbox.Want
}

func (w *wants) key(k string) string { return fmt.Sprintf("cycle/%d/%s", w.cycle.ID, k) }

func (w *wants) task(key, run, about string, due time.Time) {
	w.list = append(w.list, outbox.Want{Key: w.key(key), Kind: outbox.Task, About: w.patient.Person, Due: due,
		Run: run, Payload: duty{Patient: w.patient.ID, About: about}})
}

// message adds a message that is of use until expires.
func (w *wants) message(key string, kind outbox.Kind, due, expires time.Time, m outbox.Message) {
	if !expires.After(w.now) {
		return
	}
	// What comes too late for the evening goes out all the same, and wakes nobody.
	if kind == outbox.Reminder && due.Before(w.now) && w.book.quiet(w.now) {
		m.Silent = true
	}
	w.list = append(w.list, outbox.Want{Key: w.key(key), Kind: kind, To: w.patient.Person, Due: due, Expires: expires, Message: m})
}

// say puts a sentence into her language and her wording.
func (w *wants) say(key string, args map[string]string) string {
	return w.book.Say(w.patient.Language, w.patient.Neutral, key, args)
}

func (w *wants) clock(t time.Time) string {
	return w.book.Clock(w.patient.Language, civil.TimeOfDayOf(t.In(w.book.zone())))
}

func (w *wants) day(d civil.Date) string { return w.book.Day(w.patient.Language, d) }

// quiet reports whether t lies in the patient's night.
func (b *Book) quiet(t time.Time) bool {
	q, at := b.Policy.Messages.QuietHours, civil.TimeOfDayOf(t.In(b.zone()))
	if q.From <= q.To {
		return at >= q.From && at < q.To
	}
	return at >= q.From || at < q.To
}

// afterQuiet is t, or the end of the quiet hours that it lies in.
func (b *Book) afterQuiet(t time.Time) time.Time {
	if !b.quiet(t) {
		return t
	}
	q, local := b.Policy.Messages.QuietHours, t.In(b.zone())
	day := civil.DateOf(local)
	if q.From > q.To && civil.TimeOfDayOf(local) >= q.From {
		day = day.AddDays(1)
	}
	return day.At(q.To, b.zone())
}
