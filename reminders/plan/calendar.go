package plan

import (
	"encoding/json"
	"slices"
	"time"

	"handrail.example/reminders/civil"
)

// Status is where a step stands as of now.
type Status string

// The statuses.
const (
	// Projected: its day lies ahead.
	Projected Status = "projected"
	// Due: it is planned for today, or its course is running.
	Due Status = "due"
	// Done: a fact shows it.
	Done Status = "done"
	// Missed: its day is over and no fact shows it.
	Missed Status = "missed"
	// Dropped: it is no longer waited for.
	Dropped Status = "dropped"
)

// Step is one row of the calendar: a visit, an order, an event, or the place
// where one will be.
type Step struct {
	// Key names the row across replans: "monitoring/2", "luteal_progesterone/o3".
	Key string
	// Name is the step, Rule the row of the protocol table, Phrase its words.
	Name   StepName
	Rule   string
	Phrase string
	// From and To are the earliest and latest day, On the planned or actual
	// one; On is zero where no day can be found. Clinic's calendar.
	From, On, To civil.Date
	// At is the minute, where one is known; in the clinic's zone.
	At     time.Time
	Status Status
	// Booked: a visit or an order stands behind it, not only the calendar.
	Booked bool
	// Reasons are for staff: some tell a finding or hint at a result.
	Reasons []Reason
	// Order is the key of the order that the row follows, "" for others.
	Order string

	// base is the day that later steps count from, also when On is zero.
	base civil.Date
	// firm: its place hangs on nothing that is only expected.
	firm bool
}

// Settled reports whether the place of the step hangs on nothing that is only expected.
func (s Step) Settled() bool { return s.firm }

// MarshalJSON writes the contract's form: reasons in English words, fields
// that are not known left out.
func (s Step) MarshalJSON() ([]byte, error) {
	w := struct {
		Step    StepName `json:"step"`
		From    string   `json:"from,omitempty"`
		To      string   `json:"to,omitempty"`
		On      string   `json:"on,omitempty"`
		At      string   `json:"at,omitempty"`
		Status  Status   `json:"status"`
		Reasons []string `json:"reasons"`
	}{s.Name, s.From.String(), s.To.String(), s.On.String(), "", s.Status, []string{}}
	if !s.At.IsZero() {
		w.At = s.At.Format(time.RFC3339)
	}
	for _, r := range s.Reasons {
		w.Reasons = append(w.Reasons, r.Words())
	}
	return json.Marshal(w)
}

// Conflict is what a person has to look at: a step that fits nowhere, or an
// unusual fact that was recorded all the same.
type Conflict struct {
	Step StepName
	// Key is the row that it is about, "" when about none.
	Key string
	Why Reason
	// Alternatives are days that would work; for a transfer the evenings of the
	// trigger that lead to one.
	Alternatives []civil.Date
}

// MarshalJSON writes the contract's form.
func (c Conflict) MarshalJSON() ([]byte, error) {
	w := struct {
		Step         StepName     `json:"step"`
		Why          string       `json:"why"`
		Alternatives []civil.Date `json:"alternatives"`
	}{c.Step, c.Why.Words(), c.Alternatives}
	if w.Alternatives == nil {
		w.Alternatives = []civil.Date{}
	}
	return json.Marshal(w)
}

// Gestation dates a pregnancy from the transfer, as of now.
type Gestation struct {
	DueDate civil.Date `json:"due_date"`
	// Weeks and Days are the gestational age, completed; Days 0 to 6.
	Weeks int `json:"weeks"`
	Days  int `json:"days"`
	// Tellable: a clinician confirmed a viable scan, so she may be told.
	Tellable bool `json:"-"`
	// EquivalentLMP is the first day of the last period that the age implies.
	EquivalentLMP civil.Date `json:"-"`
}

// OpenEnd is something that a person must settle. The shell turns it into a
// case when Due has come and it is still in the plan.
type OpenEnd struct {
	// Key names it across replans.
	Key  string
	Step StepName
	Why  Reason
	// Due is when it must be before a person; it may lie in the past.
	Due time.Time
	// Now: somebody is called for it whatever the hour.
	Now bool
}

// Plan is the calendar of one cycle as of an instant.
type Plan struct {
	// CycleDayOne is zero while no period is on record.
	CycleDayOne civil.Date
	Steps       []Step
	Conflicts   []Conflict
	Gestation   *Gestation
	HCG         *Rise
	// Doses are those of the live orders, by time; of an order without an end
	// up to the policy's horizon.
	Doses []Dose
	Open  []OpenEnd
	// Supplies are what she has at home, by drug, of what anything is known.
	Supplies []Supply
	// AsOf stands for now; Protocol names the table.
	AsOf     time.Time
	Protocol string
	// Path is what a pregnancy has come to, for staff; "" where nothing says so. PathWhy
	// says what led to it.
	Path    Path
	PathWhy Reason
	// Cancelled is the day of a cancellation, zero without one.
	Cancelled civil.Date
	// Surge is the day of the LH surge that the transfer counts from, zero without
	// one.
	Surge civil.Date
	// EmbryoDay is the embryo's age at transfer as it counts: 3, 5 or 6.
	EmbryoDay int
	// Revision is how many facts the plan was made from; it never falls, since
	// facts are only ever added.
	Revision int

	phase Phase
}

// MarshalJSON writes the contract's form.
func (p Plan) MarshalJSON() ([]byte, error) {
	w := struct {
		CycleDayOne string     `json:"cycle_day_one,omitempty"`
		Steps       []Step     `json:"steps"`
		Conflicts   []Conflict `json:"conflicts"`
		Gestation   *Gestation `json:"gestation,omitempty"`
		HCG         *Rise      `json:"hcg,omitempty"`
	}{p.CycleDayOne.String(), p.Steps, p.Conflicts, p.Gestation, p.HCG}
	if w.Steps == nil {
		w.Steps = []Step{}
	}
	if w.Conflicts == nil {
		w.Conflicts = []Conflict{}
	}
	return json.Marshal(w)
}

// CycleDay is the day of the cycle on d, 1 on day one; 0 without a day one or
// before it.
func (p Plan) CycleDay(d civil.Date) int {
	if p.CycleDayOne.IsZero() || d.Before(p.CycleDayOne) {
		return 0
	}
	return d.DaysSince(p.CycleDayOne) + 1
}

// Step is the first row with the key.
func (p Plan) Step(key string) (Step, bool) {
	i := slices.IndexFunc(p.Steps, func(s Step) bool { return s.Key == key })
	if i < 0 {
		return Step{}, false
	}
	return p.Steps[i], true
}

// StepsOf has the rows of one step.
func (p Plan) StepsOf(name StepName) []Step {
	var out []Step
	for _, s := range p.Steps {
		if s.Name == name {
			out = append(out, s)
		}
	}
	return out
}

// Phase is where in the cycle a patient is, for weighing what she writes.
type Phase string

// The phases.
const (
	BeforeCycle    Phase = "before_cycle"
	InStimulation  Phase = "stimulation"
	AfterTrigger   Phase = "after_trigger"
	AfterTransfer  Phase = "after_transfer"
	EarlyPregnancy Phase = "early_pregnancy"
)

// Phase is where she is as of the plan's now. A trigger counts from its ordered
// minute on even if nobody has said that it was given; a positive test makes it
// early pregnancy for good, since that is the more careful reading.
func (p Plan) Phase() Phase { return p.phase }
