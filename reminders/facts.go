package reminders

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Cycle is one transfer cycle of a patient with everything known about it.
type Cycle struct {
	ID       int64
	Patient  int64
	Opened   time.Time
	Closed   time.Time // zero while it is open
	Outcome  string    // of a closed one
	Protocol string
	// Facts are in the order in which they were recorded, each with the ID that
	// a correction or a stop order names it by.
	Facts []Recorded

	// doses is what she said about her doses, where a supply is reckoned from it.
	doses []plan.Fact
}

// Recorded is a fact with its record.
type Recorded struct {
	plan.Fact
	Number  int64       // in the table
	By      seal.Person // who said it
	Inbox   int64       // the message it was said in; 0 for none
	Entered time.Time   // when it was recorded; At is what the fact itself says
}

// PlanFacts are the cycle's facts as the plan wants them.
func (c Cycle) PlanFacts() []plan.Fact {
	facts := make([]plan.Fact, len(c.Facts))
	for i, f := range c.Facts {
		facts[i] = f.Fact
	}
	return append(facts, c.doses...)
}

// Live is the latest fact of a kind that nothing replaces; false when there is
// none.
func (c Cycle) Live(kind plan.FactKind) (Recorded, bool) {
	for i := len(c.Facts) - 1; i >= 0; i-- {
		if c.Facts[i].Kind == kind && !c.replaced(c.Facts[i]) {
			return c.Facts[i], true
		}
	}
	return Recorded{}, false
}

// FactID is the ID by which the fact with this number is named.
func FactID(number int64) string { return "f" + strconv.FormatInt(number, 10) }

func factNumber(id string) (int64, bool) {
	n, err := strconv.ParseInt(strings.TrimPrefix(id, "f"), 10, 64)
	return n, err == nil && strings.HasPrefix(id, "f")
}

// openCycle begins a cycle for a patient who has none open, and has it looked at
// from then on.
func (b *Book) openCycle(ctx context.Context, tx *store.Tx, patient int64) error {
	forgetCycle(tx)
	if _, err := tx.Exec(ctx, `INSERT INTO cycles (patient_id, protocol, opened_at) VALUES (?, ?, ?) ON CONFLICT DO NOTHING`,
		patient, b.Policy.Calendar.Protocol, store.At(tx.Now)); err != nil {
		return err
	}
	_, err := b.Replan(ctx, tx, patient)
	return err
}

// CloseCycle ends the open cycle of a patient with an outcome in a fixed word.
// What she writes afterwards still reaches a human; the next cycle is begun by a
// person.
func (b *Book) CloseCycle(ctx context.Context, tx *store.Tx, patient int64, outcome string) error {
	c, err := b.Cycle(ctx, tx, patient)
	if err != nil {
		return err
	}
	forgetCycle(tx)
	if _, err := tx.Exec(ctx, `UPDATE cycles SET closed_at = ?, outcome = ? WHERE id = ? AND closed_at IS NULL`, store.At(tx.Now), outcome, c.ID); err != nil {
		return err
	}
	if err := b.keepPlaces(ctx, tx, c.ID, nil); err != nil {
		return err
	}
	return b.Outbox.Withdraw(ctx, tx, planTopic(c.ID))
}

// NextCycle begins a new cycle for a patient whose last one is closed.
func (b *Book) NextCycle(ctx context.Context, tx *store.Tx, patient int64) error {
	return b.openCycle(ctx, tx, patient)
}

// Cycle is the patient's latest cycle, open or closed. Before she is enrolled it
// is the zero Cycle.
func (b *Book) Cycle(ctx context.Context, tx *store.Tx, patient int64) (Cycle, error) {
	if l, known := tx.Kept()[lookedAt{}].(looked); known && l.cycle.Patient == patient {
		return l.cycle, nil
	}
	c, err := b.readCycle(ctx, tx, patient)
	if err == nil && c.ID != 0 {
		tx.Kept()[lookedAt{}] = looked{cycle: c}
	}
	return c, err
}

// looked is the cycle that a transaction has looked at last, with its plan once
// somebody has asked for that: what follows from one message asks again and again.
// Whoever writes cycles or facts forgets it.
type looked struct {
	cycle   Cycle
	plan    plan.Plan
	planned bool
}

type lookedAt struct{}

func forgetCycle(tx *store.Tx) { delete(tx.Kept(), lookedAt{}) }

func (b *Book) readCycle(ctx context.Context, tx *store.Tx, patient int64) (Cycle, error) {
	var r struct {
		ID       int64      `db:"id"`
		Protocol string     `db:"protocol"`
		Opened   store.Time `db:"opened_at"`
		Closed   store.Time `db:"closed_at"`
		Outcome  *string    `db:"outcome"`
	}
	found, err := tx.Find(ctx, &r, `SELECT id, protocol, opened_at, closed_at, outcome FROM cycles WHERE patient_id = ? ORDER BY id DESC LIMIT 1`, patient)
	if err != nil || !found {
		return Cycle{Patient: patient}, err
	}
	c := Cycle{ID: r.ID, Patient: patient, Opened: r.Opened.Time, Closed: r.Closed.Time, Protocol: r.Protocol}
	if r.Outcome != nil {
		c.Outcome = *r.Outcome
	}
	if c.Facts, err = b.facts(ctx, tx, c); err != nil {
		return c, err
	}
	c.doses, err = b.doseFacts(ctx, tx, c)
	return c, err
}

// factRow is a fact as the table has it.
type factRow struct {
	ID       int64       `db:"id"`
	Body     []byte      `db:"body"`
	Replaces *int64      `db:"replaces"`
	By       seal.Person `db:"said_by"`
	Inbox    *int64      `db:"inbox_id"`
	At       store.Time  `db:"recorded_at"`
	Person   seal.Person `db:"person_id"`
}

// facts are those of the cycle, with what was said of the patient herself in any
// cycle of hers (her rhesus factor, her allergies).
func (b *Book) facts(ctx context.Context, tx *store.Tx, c Cycle) ([]Recorded, error) {
	var rows []factRow
	if err := tx.Select(ctx, &rows, `SELECT f.id, f.body, f.replaces, f.said_by, f.inbox_id, f.recorded_at, p.person_id
		FROM facts f JOIN cycles c ON c.id = f.cycle_id JOIN patients p ON p.id = c.patient_id
		WHERE f.cycle_id IN (SELECT id FROM cycles WHERE patient_id = ?) AND (f.cycle_id = ? OR f.kind IN (?, ?))`,
		c.Patient, c.ID, string(plan.Rhesus), string(plan.Allergy)); err != nil {
		return nil, err
	}
	slices.SortFunc(rows, func(a, b factRow) int { return cmp.Compare(a.ID, b.ID) })
	facts := make([]Recorded, len(rows))
	for i, r := range rows {
		plain, err := b.Vault.Open(ctx, tx, r.Person, "fact", r.Body)
		if errors.Is(err, seal.ErrErased) {
			return nil, nil // that there were facts is all that is left of them
		}
		if err != nil {
			return nil, fmt.Errorf("fact %d: %w", r.ID, err)
		}
		f, err := plan.ParseFact(plain, b.zone())
		if err != nil {
			return nil, fmt.Errorf("fact %d does not hold what it should", r.ID)
		}
		facts[i] = Recorded{Fact: f, Number: r.ID, By: r.By, Entered: r.At.Time}
		facts[i].ID = FactID(r.ID)
		if r.Replaces != nil {
			facts[i].Replaces = FactID(*r.Replaces)
		}
		if r.Inbox != nil {
			facts[i].Inbox = *r.Inbox
		}
	}
	return facts, nil
}

// Said is who said a fact, and in which message.
type Said struct {
	By    seal.Person
	Inbox int64 // 0 for none
}

// Moved is what a fact did: the plan before and after it.
type Moved struct {
	Fact Recorded
	// Also are the facts that were recorded with it.
	Also     []Recorded
	Old, New plan.Plan
}

// Record adds a fact to the patient's open cycle, has the plan computed anew and
// brings the outbox in step. A fact whose Replaces is set takes that fact's
// place. She is told once what somebody else's fact changed. What cannot be true
// is a *plan.Refusal, and nothing is changed. Facts that belong together, as the two
// tests of a pair, are recorded with it: they are planned and told as one.
func (b *Book) Record(ctx context.Context, tx *store.Tx, patient int64, f plan.Fact, said Said, also ...plan.Fact) (Moved, error) {
	c, err := b.Cycle(ctx, tx, patient)
	if err != nil {
		return Moved{}, err
	}
	if c.ID == 0 && f.Kind == plan.ProtocolChosen {
		// Chosen before she has agreed: her first cycle is opened for it.
		if err := b.openCycle(ctx, tx, patient); err != nil {
			return Moved{}, err
		}
		if c, err = b.Cycle(ctx, tx, patient); err != nil {
			return Moved{}, err
		}
	}
	if c.ID == 0 || !c.Closed.IsZero() {
		return Moved{}, ErrNoCycle
	}
	m, err := b.preview(ctx, tx, c, f, also)
	if err != nil {
		return Moved{}, err
	}
	p, err := b.Patient(ctx, tx, patient)
	if err != nil {
		return Moved{}, err
	}
	if m.Fact, err = b.insert(ctx, tx, p, c, f, said); err != nil {
		return Moved{}, err
	}
	for _, more := range also {
		r, err := b.insert(ctx, tx, p, c, more, said)
		if err != nil {
			return Moved{}, err
		}
		m.Also = append(m.Also, r)
	}
	if m.New, err = b.Replan(ctx, tx, patient); err != nil || said.By == p.Person {
		return m, err
	}
	return m, b.announce(ctx, tx, p, m)
}

// ErrNoCycle says that the patient has no open cycle to record a fact in.
var ErrNoCycle = fmt.Errorf("she has no open cycle: enrol her first, or begin the next cycle")

// Preview is what Record would do, without doing it.
func (b *Book) Preview(ctx context.Context, tx *store.Tx, patient int64, f plan.Fact, also ...plan.Fact) (Moved, error) {
	c, err := b.Cycle(ctx, tx, patient)
	if err != nil {
		return Moved{}, err
	}
	if (c.ID == 0 || !c.Closed.IsZero()) && (c.ID != 0 || f.Kind != plan.ProtocolChosen) {
		return Moved{}, ErrNoCycle
	}
	return b.preview(ctx, tx, c, f, also)
}

func (b *Book) preview(ctx context.Context, tx *store.Tx, c Cycle, f plan.Fact, also []plan.Fact) (Moved, error) {
	pol, err := b.PolicyFor(ctx, tx, c.ID)
	if err != nil {
		return Moved{}, err
	}
	old, err := b.planNow(ctx, tx, c)
	if err != nil {
		return Moved{}, err
	}
	facts := c.PlanFacts()
	for i, next := range append([]plan.Fact{f}, also...) {
		if next.ID == "" {
			next.ID = "new" + strings.Repeat("+", i)
		}
		facts = append(facts, next)
	}
	after, err := plan.Build(pol, facts, c.notBefore(tx.Now))
	return Moved{Old: old, New: after}, err
}

// planOf is the plan of facts that have been accepted. That they cannot be true
// after all (under a new policy, say) is for a person to mend; the error names no
// value of theirs.
func planOf(pol plan.Policy, c Cycle, now time.Time) (plan.Plan, error) {
	p, err := plan.Build(pol, c.PlanFacts(), c.notBefore(now))
	if refused := (*plan.Refusal)(nil); errors.As(err, &refused) {
		return p, fmt.Errorf("the facts of cycle %d contradict each other or the policy (at its %s): correct them", c.ID, refused.Kind)
	}
	return p, err
}

// notBefore is now, or the instant of the latest fact where the machine's clock was
// set back since: what had happened then has happened.
func (c Cycle) notBefore(now time.Time) time.Time {
	for _, f := range c.Facts {
		if f.Entered.After(now) {
			now = f.Entered
		}
	}
	return now
}

func (b *Book) insert(ctx context.Context, tx *store.Tx, p Patient, c Cycle, f plan.Fact, said Said) (Recorded, error) {
	var replaces any
	if f.Replaces != "" {
		n, ok := factNumber(f.Replaces)
		if !ok {
			return Recorded{}, fmt.Errorf("%q names no fact", f.Replaces)
		}
		replaces = n
	}
	f.ID = ""
	plain, err := json.Marshal(f)
	if err != nil {
		return Recorded{}, fmt.Errorf("write down a %s: %w", f.Kind, err)
	}
	// What could not be read again must not be written.
	if _, err := plan.ParseFact(plain, b.zone()); err != nil {
		return Recorded{}, err
	}
	body, err := b.Vault.Seal(ctx, tx, p.Person, "fact", plain)
	if err != nil {
		return Recorded{}, err
	}
	var inbox any
	if said.Inbox != 0 {
		inbox = said.Inbox
	}
	forgetCycle(tx)
	r := Recorded{Fact: f, By: said.By, Inbox: said.Inbox, Entered: tx.Now}
	err = tx.Get(ctx, &r.Number, `INSERT INTO facts (cycle_id, kind, body, replaces, said_by, inbox_id, recorded_at) VALUES (?, ?, ?, ?, ?, ?, ?) RETURNING id`,
		c.ID, string(f.Kind), body, replaces, said.By, inbox, store.At(tx.Now))
	r.ID = FactID(r.Number)
	return r, err
}

// Plan is the patient's plan as of now, from the facts of her latest cycle.
func (b *Book) Plan(ctx context.Context, tx *store.Tx, patient int64) (plan.Plan, Cycle, error) {
	c, err := b.Cycle(ctx, tx, patient)
	if err != nil || c.ID == 0 {
		return plan.Plan{}, c, err
	}
	p, err := b.planNow(ctx, tx, c)
	return p, c, err
}

// planNow is the plan of a cycle that has just been read, with the policy and the room
// of now.
func (b *Book) planNow(ctx context.Context, tx *store.Tx, c Cycle) (plan.Plan, error) {
	l, _ := tx.Kept()[lookedAt{}].(looked)
	same := l.cycle.ID == c.ID && len(l.cycle.Facts) == len(c.Facts)
	if same && l.planned {
		return l.plan, nil
	}
	pol, err := b.PolicyFor(ctx, tx, c.ID)
	if err != nil {
		return plan.Plan{}, err
	}
	p, err := planOf(pol, c, tx.Now)
	if same && err == nil {
		tx.Kept()[lookedAt{}] = looked{cycle: c, plan: p, planned: true}
	}
	return p, err
}
