package forecast

import (
	"fmt"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/reckon"
)

// Limits are for how many patients a day has room; 0 for no limit.
type Limits struct {
	Mornings  int // baselines and scans, which share the morning's slots
	Transfers int
	Bloods    int
}

// Day is what is expected of one day.
type Day struct {
	On civil.Date
	// Mornings are baselines and scans together; Bloods are first blood tests
	// after a transfer.
	Baselines, Scans, Mornings, Transfers, Bloods Count
}

// Maker gathers the open cycles of a clinic. It is for one goroutine.
type Maker struct {
	policy plan.Policy
	now    time.Time
	from   civil.Date
	// chances are those of all patients: by day, by sort, and last the mornings.
	chances [][sorts + 1][]float64
	// Unplaced is how many cycles wait for a period or for a trigger of which
	// nobody can say when it comes.
	Unplaced int

	clinics, labs map[civil.Date]bool
	usual         map[begin]course
	waits         map[wait]course
}

// wait is what the course of a cycle hangs on that waits for its day one.
type wait struct {
	protocol string
	embryo   int
	due      civil.Date
	bleed    bool
}

// begin is what the usual course of a cycle hangs on.
type begin struct {
	protocol string
	embryo   int
	dayOne   civil.Date
}

// New is a forecast from a day on, as of now.
func New(p plan.Policy, now time.Time, days int) *Maker {
	return &Maker{policy: p, now: now, from: civil.DateOf(now.In(p.Location())), chances: make([][sorts + 1][]float64, days),
		clinics: make(map[civil.Date]bool), labs: make(map[civil.Date]bool), usual: make(map[begin]course), waits: make(map[wait]course)}
}

// Add adds an open cycle: its plan as of now and the facts that it was made from.
func (m *Maker) Add(pl plan.Plan, facts []plan.Fact) error {
	c, err := m.courseOf(pl, facts)
	if err != nil {
		return err
	}
	for n := range m.chances {
		d := m.from.AddDays(n)
		for s := range c {
			if p := c[s][d]; p > 0 {
				m.chances[n][s] = append(m.chances[n][s], p)
			}
		}
		if p := c[baseline][d] + c[scan][d]; p > 0 {
			m.chances[n][sorts] = append(m.chances[n][sorts], min(1, p))
		}
	}
	return nil
}

func (m *Maker) courseOf(pl plan.Plan, facts []plan.Fact) (course, error) {
	switch {
	case !pl.Cancelled.IsZero():
		return newCourse(), nil
	case pl.CycleDayOne.IsZero():
		return m.waiting(pl, facts)
	}
	by, seen, err := m.readiness(facts)
	if err != nil {
		return course{}, err
	}
	return m.follow(pl, m.from, by, seen), nil
}

// readiness is the probability of being ready by a day from her own scans, and the
// day of the last; nil without one.
func (m *Maker) readiness(facts []plan.Fact) (func(civil.Date) float64, civil.Date, error) {
	var seen civil.Date
	for _, f := range plan.Standing(facts) {
		if f.Kind == plan.Scan && !f.Day().After(m.from) {
			seen = f.Day()
		}
	}
	if seen.IsZero() {
		return nil, seen, nil
	}
	r, err := reckon.Read(m.policy, facts, m.now)
	if err != nil {
		return nil, seen, fmt.Errorf("reckon a patient's readiness: %w", err)
	}
	if len(r.Readiness.Days) == 0 {
		return nil, civil.Date{}, nil
	}
	return r.Readiness.ChanceBy, seen, nil
}

// waiting is the course of a cycle whose day one is still to come. What is booked
// already stays where it is.
func (m *Maker) waiting(pl plan.Plan, facts []plan.Fact) (course, error) {
	due, bleed := awaited(facts)
	w := wait{pl.Protocol, pl.EmbryoDay, due, bleed}
	if len(w.days(m.from)) == 0 {
		m.Unplaced++
	}
	c, made := m.waits[w]
	if !made {
		c = newCourse()
		for _, d := range w.days(m.from) {
			u, err := m.usualFrom(begin{w.protocol, w.embryo, d.on})
			if err != nil {
				return c, err
			}
			c.mix(u, d.p)
		}
		m.waits[w] = c
	}
	if len(pl.Steps) == 0 {
		return c, nil
	}
	own := newCourse()
	fixed(pl, m.from, own)
	own.mix(c, 1)
	return own, nil
}

// days are the days on which the wait may be over.
func (w wait) days(today civil.Date) []chance {
	switch {
	case w.due.IsZero():
		return nil
	case w.bleed:
		return bleedDays(w.due.AddDays(-bleedTo), today)
	}
	return periodDays(w.due, today)
}

// usualFrom is the course that the planner gives a cycle with nothing but a day one.
func (m *Maker) usualFrom(b begin) (course, error) {
	if c, made := m.usual[b]; made {
		return c, nil
	}
	at := b.dayOne.At(m.policy.Opening.From, m.policy.Location())
	pl, err := plan.Build(m.ofProtocol(b.protocol), []plan.Fact{{Kind: plan.PeriodStart, At: at}}, at.Add(time.Hour))
	if err != nil {
		return course{}, fmt.Errorf("plan a usual cycle: %w", err)
	}
	if b.embryo != 0 {
		pl.EmbryoDay = b.embryo
	}
	c := m.follow(pl, b.dayOne, nil, civil.Date{})
	m.usual[b] = c
	return c, nil
}

// ofProtocol is the policy with another table of steps as its usual one.
func (m *Maker) ofProtocol(name string) plan.Policy {
	p := m.policy
	if name != "" {
		p.Calendar.Protocol = name
	}
	return p
}

// Days adds up what was gathered.
func (m *Maker) Days(l Limits) []Day {
	all := make([]Day, len(m.chances))
	for n, ps := range m.chances {
		all[n] = Day{On: m.from.AddDays(n), Baselines: CountOf(ps[baseline], 0), Scans: CountOf(ps[scan], 0),
			Mornings: CountOf(ps[sorts], l.Mornings), Transfers: CountOf(ps[transfer], l.Transfers), Bloods: CountOf(ps[blood], l.Bloods)}
	}
	return all
}

// opens is the next day from d on, within two weeks, on which the clinic is open.
func (m *Maker) opens(d civil.Date) civil.Date {
	for n := range 14 {
		if m.clinic(d.AddDays(n)) {
			return d.AddDays(n)
		}
	}
	return d
}

func (m *Maker) clinic(d civil.Date) bool { return remembered(m.clinics, d, m.policy.OpenClinic) }
func (m *Maker) lab(d civil.Date) bool    { return remembered(m.labs, d, m.policy.OpenLab) }

func remembered(known map[civil.Date]bool, d civil.Date, ask func(civil.Date) bool) bool {
	is, asked := known[d]
	if !asked {
		is = ask(d)
		known[d] = is
	}
	return is
}
