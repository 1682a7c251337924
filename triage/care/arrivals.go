package care

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/exchange"
	"handrail.example/triage/rules"
)

// An arrival is an appointment or a result that another system has handed in. What is
// certain in every respect is entered as its coordinator would enter it; everything
// else waits until a member of the staff has seen both sides and says whose it is.

// Fate is what became of something that was handed in.
type Fate string

// The fates.
const (
	Unchanged Fate = "unchanged" // it has been taken in before, as it is
	SavedNow  Fate = "saved"
	Waits     Fate = "waits"
	Nothing   Fate = "nothing" // called off before we ever heard of it
)

// arrivalRow is an arrival as the table has it.
type arrivalRow struct {
	ID       int64         `db:"id"`
	Content  []byte        `db:"content"`
	Kind     exchange.Kind `db:"kind"`
	State    string        `db:"state"`
	Patient  *int64        `db:"patient_id"`
	Fact     *int64        `db:"fact_id"`
	Sealed   *seal.Person  `db:"sealed_for"`
	Body     []byte        `db:"body"`
	Received store.Time    `db:"received_at"`
}

const arrivalColumns = `SELECT id, content, kind, state, patient_id, fact_id, sealed_for, body, received_at FROM arrivals WHERE `

// arrivalBody is what waits, sealed.
type arrivalBody struct {
	Number string          `json:"number"`
	Claim  exchange.Claim  `json:"claim"`
	Says   string          `json:"says"`
	Fact   json.RawMessage `json:"fact,omitempty"`
	Gone   bool            `json:"gone,omitempty"`
	Doubts []triage.Line   `json:"doubts"`
	// Was is the arrival that this one says something new about; 0 for none.
	Was int64 `json:"was,omitempty"`
}

// TakeIn takes in one thing that another system has handed in. The same thing again
// changes nothing. It is for one transaction: whatever fails undoes all of it.
func (c *Care) TakeIn(ctx context.Context, tx *store.Tx, actor triage.Staff, it exchange.Item) (Fate, error) {
	if err := actor.May(triage.Import); err != nil {
		return "", err
	}
	if it.Maker == c.Book.Policy.Clinic.Name && it.System == exchange.FactSystem {
		return Unchanged, nil // it comes from here
	}
	source, content := c.Desk.Vault.Hash("arrival source", it.Source), c.Desk.Vault.Hash("arrival content", string(it.Content))
	var last arrivalRow
	known, err := tx.Find(ctx, &last, arrivalColumns+`source = ? ORDER BY id DESC LIMIT 1`, source)
	if err != nil || known && bytes.Equal(last.Content, content) {
		return Unchanged, err
	}
	var saved arrivalRow
	was, err := tx.Find(ctx, &saved, arrivalColumns+`source = ? AND state = 'saved' ORDER BY id DESC LIMIT 1`, source)
	if err != nil {
		return "", err
	}
	if known && last.State == "waiting" {
		if err := c.closeArrival(ctx, tx, actor, last.ID, "outdated", 0, 0); err != nil {
			return "", err
		}
	}
	a := arriving{it: it, source: source, content: content}
	switch {
	case it.Gone && !was:
		if _, err := c.keep(ctx, tx, actor, a, "set_aside"); err != nil {
			return "", err
		}
		return Nothing, c.leftAlone(ctx, tx, actor)
	case known && last.State != "waiting":
		a.doubt("doubt.changed", nil)
	}
	if was {
		a.was, a.wasPatient, a.wasFact = saved.ID, orZero(saved.Patient), orZero(saved.Fact)
		a.doubt("doubt.changed", nil)
	}
	return c.weighArrival(ctx, tx, actor, a)
}

// arriving is something that is being taken in.
type arriving struct {
	it              exchange.Item
	source, content []byte
	was             int64 // the arrival of the same source that was saved; 0 for none
	wasPatient      int64
	wasFact         int64
	patient, fact   int64
	person          seal.Person // under whose key it waits; zero for the house
	lines           []triage.Line
}

func (a *arriving) doubt(key string, args phrase.Args) {
	if !slices.ContainsFunc(a.lines, func(l triage.Line) bool { return l.Key == key }) {
		a.lines = append(a.lines, triage.Line{Key: key, Args: args})
	}
}

// weighArrival saves what is certain and lets the rest wait.
func (c *Care) weighArrival(ctx context.Context, tx *store.Tx, actor triage.Staff, a arriving) (Fate, error) {
	for _, d := range a.it.Doubts {
		a.doubt("doubt."+string(d), nil)
	}
	p, whose, err := c.whose(ctx, tx, a.it.Claim)
	if err != nil {
		return "", err
	}
	if !whose {
		a.doubt("doubt.patient", nil)
	} else {
		a.patient, a.person = p.ID, p.Person
	}
	if same, err := c.saysTheSame(ctx, tx, &a); err != nil {
		return "", err
	} else if same {
		_, err := c.keep(ctx, tx, actor, a, "saved")
		return Unchanged, err
	}
	if len(a.lines) == 0 {
		err := tx.Try(ctx, func() (err error) {
			a.fact, err = c.enterCertain(ctx, tx, actor, p.ID, a.it.Fact)
			return err
		})
		if err == nil {
			_, err = c.keep(ctx, tx, actor, a, "saved")
			return SavedNow, errors.Join(err, c.did(ctx, tx, actor, triage.Import, p, a.fact, string(a.it.Kind)))
		}
		line, uncertain := doubtOf(err)
		if !uncertain {
			return "", err
		}
		a.lines = append(a.lines, line)
	}
	return Waits, c.letWait(ctx, tx, actor, a)
}

// saysTheSame reports whether an arrival is new in nothing that we keep: the fact that
// came of it before still says it. It notes that fact.
func (c *Care) saysTheSame(ctx context.Context, tx *store.Tx, a *arriving) (bool, error) {
	if a.was == 0 || a.patient != a.wasPatient || a.it.Fact.Kind == "" || len(a.lines) > 1 {
		return false, nil
	}
	tip, err := c.tipOf(ctx, tx, a.patient, a.wasFact)
	if err != nil || tip == "" {
		return false, err
	}
	cycle, err := c.Book.Cycle(ctx, tx, a.patient)
	for _, f := range cycle.Facts {
		if f.ID == tip && beside(f.Fact, a.it.Fact) == sameFact {
			a.fact = f.Number
			return true, err
		}
	}
	return false, err
}

// doubtful is why something that could be entered is put before a person first.
type doubtful struct{ line triage.Line }

func (d *doubtful) Error() string { return "doubtful: " + d.line.Key }

func doubtOf(err error) (triage.Line, bool) {
	var d *doubtful
	var refused *triage.Refused
	var untrue *plan.Refusal
	switch {
	case errors.As(err, &d):
		return d.line, true
	case errors.As(err, &refused):
		return triage.Line{Key: "refused." + refused.Key, Args: refused.Args}, true
	case errors.As(err, &untrue):
		return triage.Line{Key: "refused.fact", Args: phrase.Args{"why": untrue.Why, "do": untrue.Do}}, true
	}
	return triage.Line{}, false
}

// enterCertain enters a fact as Enter does, unless it is there already or anything about
// it is for a person to weigh. It returns the number of the fact.
func (c *Care) enterCertain(ctx context.Context, tx *store.Tx, actor triage.Staff, patient int64, f plan.Fact) (int64, error) {
	cycle, err := c.Book.Cycle(ctx, tx, patient)
	if err != nil {
		return 0, err
	}
	for _, old := range standing(cycle) {
		switch beside(old.Fact, f) {
		case sameFact:
			return old.Number, nil
		case otherValue:
			return 0, &doubtful{triage.Line{Key: "doubt.differs", Args: phrase.Args{"fact": old.ID}}}
		}
	}
	v, err := c.Preview(ctx, tx, actor, patient, f)
	switch {
	case err != nil:
		return 0, err
	case v.Fact.Replaces != "":
		return 0, &doubtful{triage.Line{Key: "doubt.moves", Args: phrase.Args{"fact": v.Fact.Replaces}}}
	case len(v.Conflicts) > 0:
		return 0, &doubtful{triage.Line{Key: "doubt.conflict"}}
	case len(v.Cautions) > 0:
		return 0, &doubtful{triage.Line{Key: "doubt.caution"}}
	}
	if _, err := c.Enter(ctx, tx, actor, patient, f, 0); err != nil {
		return 0, err
	}
	return c.lastFact(ctx, tx, patient)
}

// lastFact is the number of the fact that was entered last.
func (c *Care) lastFact(ctx context.Context, tx *store.Tx, patient int64) (int64, error) {
	cycle, err := c.Book.Cycle(ctx, tx, patient)
	if err != nil || len(cycle.Facts) == 0 {
		return 0, err
	}
	return cycle.Facts[len(cycle.Facts)-1].Number, nil
}

// likeness is how two facts of a kind stand to each other.
type likeness int

const (
	unlike likeness = iota
	sameFact
	otherValue // of the same thing at the same time
)

// beside compares what is on record with what has arrived.
func beside(old, f plan.Fact) likeness {
	if f.Kind == plan.Bloods {
		return besideBloods(old, f)
	}
	if old.Kind != f.Kind {
		return unlike
	}
	switch f.Kind {
	case plan.Visit:
		if old.Step == f.Step && old.At.Equal(f.At) {
			return sameFact
		}
	case plan.HCG:
		if old.At.Equal(f.At) {
			return likenessIf(old.IUPerL == f.IUPerL && old.Reported == f.Reported)
		}
	}
	return unlike
}

// besideBloods compares a blood test with one of the same day, which may have been
// entered with a scan or a baseline.
func besideBloods(old, f plan.Fact) likeness {
	for _, v := range [][2]*float64{{old.LH, f.LH}, {old.Estradiol, f.Estradiol}, {old.BloodProgesterone, f.BloodProgesterone}} {
		if old.On == f.On && v[0] != nil && v[1] != nil {
			return likenessIf(*v[0] == *v[1])
		}
	}
	return unlike
}

func likenessIf(same bool) likeness {
	if same {
		return sameFact
	}
	return otherValue
}

// keep writes an arrival down in a state that needs nobody.
func (c *Care) keep(ctx context.Context, tx *store.Tx, actor triage.Staff, a arriving, state string) (id int64, err error) {
	err = tx.Get(ctx, &id, `INSERT INTO arrivals (source, content, kind, state, patient_id, fact_id, received_at, received_by, settled_at, settled_by)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) RETURNING id`, a.source, a.content, a.it.Kind, state, orNil(a.patient), orNil(a.fact),
		store.At(tx.Now), actor.ID, store.At(tx.Now), actor.ID)
	return id, err
}

func orNil(n int64) any {
	if n == 0 {
		return nil
	}
	return n
}

// letWait keeps an arrival for a person, and has somebody look at it.
func (c *Care) letWait(ctx context.Context, tx *store.Tx, actor triage.Staff, a arriving) error {
	b := arrivalBody{Number: a.it.Number, Claim: a.it.Claim, Says: a.it.Says, Gone: a.it.Gone, Doubts: a.lines, Was: a.was}
	if a.it.Fact.Kind != "" {
		plain, err := json.Marshal(a.it.Fact)
		if err != nil {
			return fmt.Errorf("write down what arrived: %w", err)
		}
		b.Fact = plain
	}
	plain, err := json.Marshal(b)
	if err != nil {
		return fmt.Errorf("write down what arrived: %w", err)
	}
	person := a.person
	if person == 0 {
		person = seal.House
	}
	body, err := c.Desk.Vault.Seal(ctx, tx, person, "arrival", plain)
	if err != nil {
		return err
	}
	var id int64
	if err := tx.Get(ctx, &id, `INSERT INTO arrivals (source, content, kind, state, patient_id, sealed_for, body, received_at, received_by) VALUES (?, ?, ?, 'waiting', ?, ?, ?, ?, ?) RETURNING id`,
		a.source, a.content, a.it.Kind, orNil(a.patient), person, body, store.At(tx.Now), actor.ID); err != nil {
		return err
	}
	if err := c.callForMatch(ctx, tx, id); err != nil {
		return err
	}
	return c.Desk.Did(ctx, tx, actor, triage.Import, triage.Ref{Patient: a.patient}, fmt.Sprintf("arrival %d waits", id))
}

// callForMatch puts the list of what arrived before a person, once while there is any.
func (c *Care) callForMatch(ctx context.Context, tx *store.Tx, id int64) error {
	live, err := c.Desk.LiveFor(ctx, tx, triage.ToMatch)
	if err != nil || len(live) > 0 {
		return err
	}
	_, err = c.Desk.Open(ctx, tx, triage.Opening{Key: fmt.Sprintf("arrival/%d", id), Reason: triage.ToMatch, Urgency: rules.SameDay,
		Notes: []triage.Line{{Key: "note.to_match"}}})
	return err
}

// closeArrival ends the waiting of an arrival; nothing of what it said is kept.
func (c *Care) closeArrival(ctx context.Context, tx *store.Tx, actor triage.Staff, id int64, state string, patient, fact int64) error {
	_, err := tx.Exec(ctx, `UPDATE arrivals SET state = ?, patient_id = coalesce(?, patient_id), fact_id = ?, sealed_for = NULL, body = NULL, settled_at = ?, settled_by = ? WHERE id = ?`,
		state, orNil(patient), orNil(fact), store.At(tx.Now), actor.ID, id)
	return err
}

// leftAlone closes the case of the list when nothing of it waits any more.
func (c *Care) leftAlone(ctx context.Context, tx *store.Tx, actor triage.Staff) error {
	var n int
	if err := tx.Get(ctx, &n, `SELECT count(*) FROM arrivals WHERE state = 'waiting'`); err != nil || n > 0 {
		return err
	}
	live, err := c.Desk.LiveFor(ctx, tx, triage.ToMatch)
	for _, cs := range live {
		if err == nil {
			_, err = c.Desk.Settle(ctx, tx, actor, cs, triage.Checked)
		}
	}
	return err
}

// Arrival is something that waits for a person.
type Arrival struct {
	ID       int64
	Kind     exchange.Kind
	Received time.Time
	// Number is what it is called where it comes from, Says what it says.
	Number, Says string
	Claim        exchange.Claim
	Fact         plan.Fact // Kind is "" where none can be made of it
	Gone         bool
	Doubts       []triage.Line
	// Was is the number of the fact that it says something new about, and of whom; 0 for
	// none.
	WasFact, WasPatient int64
	// Patient is whom it is certainly about; 0 for nobody.
	Patient int64
}
