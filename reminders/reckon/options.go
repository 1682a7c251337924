package reckon

import (
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

// Evening is what a trigger on one evening would mean, by the calendar's own
// rules.
type Evening struct {
	On       civil.Date
	CycleDay int
	// Chance is the probability that both sizes are reached by then.
	Chance float64
	// Luteal is the first day of progesterone, Transfer the day of the transfer.
	Luteal, Transfer civil.Date
	// Closed says why the laboratory has no room on the day of the transfer, ""
	// where it has; Booked how many others are booked for it.
	Closed string
	Booked int
	// First and Repeat are the blood tests; zero where no open day is found.
	First, Repeat civil.Date
}

// Rescan is a day on which the clinic is open for another scan.
type Rescan struct {
	On       civil.Date
	CycleDay int
	Chance   float64
}

// Options are what a clinician can choose between, besides a cancellation.
type Options struct {
	Rescans  []Rescan
	Evenings []Evening
}

// mostOptions bounds the days that are offered, a week's worth.
const mostOptions = 7

// usualEvening stands for the minute of a trigger that nobody has ordered.
var usualEvening = civil.MustTime("21:30")

// Weigh lays the options side by side. booked is how many transfers of others lie
// on a day; nil for none. There are none once the trigger was given, the cycle
// cancelled or the transfer done; after an LH surge the transfer counts from it,
// and no evening moves it.
func Weigh(p plan.Policy, facts []plan.Fact, r Reading, now time.Time, booked map[civil.Date]int) (Options, error) {
	var o Options
	past := until(facts, r.AsOf)
	for _, f := range past {
		if f.Kind == plan.TriggerGiven || f.Kind == plan.Transferred || f.Kind == plan.Cancelled {
			return o, nil
		}
	}
	if len(r.Looks) == 0 || !r.Surge.IsZero() {
		return o, nil
	}
	pl, err := plan.Build(p, past, now)
	if err != nil {
		return o, err
	}
	days := r.span()
	for n := 1; n <= days; n++ {
		if d := r.AsOf.AddDays(n); p.OpenClinic(d) {
			o.Rescans = append(o.Rescans, Rescan{On: d, CycleDay: pl.CycleDay(d), Chance: r.Readiness.ChanceBy(d)})
		}
	}
	for n := 0; n <= days; n++ {
		e, err := evening(full(p, booked), past, r.AsOf.AddDays(n), now)
		if err != nil {
			return o, err
		}
		e.Chance, e.Booked = r.Readiness.ChanceBy(e.On), booked[e.Transfer]
		o.Evenings = append(o.Evenings, e)
	}
	return o, nil
}

// span is how many days ahead are worth offering: to the day after the likely
// ones, at most a week.
func (r Reading) span() int {
	switch to := r.Readiness.To; {
	case r.Readiness.Met:
		return 3
	case to.IsZero():
		return mostOptions
	default:
		return min(mostOptions, max(3, to.DaysSince(r.AsOf)+1))
	}
}

// full is the policy with the days on which the laboratory has no place left.
func full(p plan.Policy, booked map[civil.Date]int) plan.Policy {
	days := append([]civil.Date(nil), p.Lab.Full...)
	for d, n := range booked {
		if n >= p.Lab.TransfersPerDay {
			days = append(days, d)
		}
	}
	p.Lab.Full = days
	return p
}

// evening asks the calendar what a trigger on d would lead to.
func evening(p plan.Policy, facts []plan.Fact, d civil.Date, now time.Time) (Evening, error) {
	order := plan.Fact{Kind: plan.TriggerOrder, ID: "what_if", At: d.At(usualEvening, p.Location()), Drug: "hCG", Dose: 1, Unit: "dose"}
	pl, err := plan.Build(p, append(movable(facts), order), now)
	if err != nil {
		return Evening{}, err
	}
	e := Evening{On: d, CycleDay: pl.CycleDay(d)}
	for _, s := range pl.Steps {
		switch s.Name {
		case plan.LutealProgesterone:
			if e.Luteal.IsZero() {
				e.Luteal = s.On
			}
		case plan.Transfer:
			e.Transfer, e.Closed = s.From, p.ClosedLab(s.From)
		case plan.HCGFirst:
			e.First = s.On
		case plan.HCGRepeat:
			e.Repeat = s.On
		}
	}
	if e.Closed != "" {
		e.First, e.Repeat = civil.Date{}, civil.Date{}
	}
	return e, nil
}

// movable are the facts without what an evening decides: the trigger's order and
// what was booked after it.
func movable(facts []plan.Fact) []plan.Fact {
	var out []plan.Fact
	for _, f := range facts {
		later := f.Kind == plan.Visit && (f.Step == plan.Transfer || f.Step == plan.HCGFirst || f.Step == plan.HCGRepeat)
		if f.Kind == plan.TriggerOrder || later {
			continue
		}
		out = append(out, f)
	}
	return out
}
