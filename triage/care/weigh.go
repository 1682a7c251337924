package care

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/reckon"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// weigh gathers what stands against an entry: what the published limits, her
// allergies and her own values say. It forbids nothing.
func (c *Care) weigh(ctx context.Context, tx *store.Tx, v *Preview, m reminders.Moved) error {
	cycle, err := c.Book.Cycle(ctx, tx, v.Patient.ID)
	if err != nil {
		return err
	}
	about, facts, f := cycle.About(), cycle.PlanFacts(), v.Fact
	v.Cautions = append(v.Cautions, reckon.CautionsOnEmbryos(facts, f)...)
	v.Cautions = append(v.Cautions, reckon.CautionsOnOrder(f, about.Allergies)...)
	if f.Kind == plan.Allergy {
		v.Cautions = append(v.Cautions, reckon.CautionsOnAllergy(facts, f.Allergen)...)
	}
	// As of the plan: a clock that was set back does not make what happened untrue.
	now := m.New.AsOf
	for _, why := range reckon.AskBack(c.Book.Policy, facts, f, now) {
		v.Cautions = append(v.Cautions, reckon.Caution{Why: why, Check: true})
	}
	seen, err := c.scanCautions(facts, f, now)
	if err != nil {
		return err
	}
	v.Cautions = append(v.Cautions, seen...)
	if err := c.roomCautions(ctx, tx, cycle, v); err != nil {
		return err
	}
	lapses, err := c.lapses(ctx, tx, v.Patient.ID, f, m.New)
	v.Cautions = append(v.Cautions, lapses...)
	v.series = c.seriesWith(facts, f, now)
	return err
}

// withNew are the facts with one more, under a name of its own.
func withNew(facts []plan.Fact, f plan.Fact) []plan.Fact {
	f.ID = "new"
	return append(slices.Clone(facts), f)
}

// seriesWith is her hCG series with a value that is being entered.
func (c *Care) seriesWith(facts []plan.Fact, f plan.Fact, now time.Time) reckon.Series {
	if f.Kind != plan.HCG {
		return reckon.Series{}
	}
	return reckon.HCG(c.Book.Policy, withNew(facts, f), now)
}

// scanCautions are those that a scan or a blood test brings about. A surge has its
// own place in the calendar.
func (c *Care) scanCautions(facts []plan.Fact, f plan.Fact, now time.Time) ([]reckon.Caution, error) {
	if f.Kind != plan.Scan && f.Kind != plan.Bloods && f.Kind != plan.HomeLH {
		return nil, nil
	}
	before, err := reckon.Read(c.Book.Policy, facts, now)
	if err != nil {
		return nil, err
	}
	after, err := reckon.Read(c.Book.Policy, withNew(facts, f), now)
	if err != nil {
		return nil, err
	}
	var out []reckon.Caution
	for _, r := range after.Cautions {
		known := slices.ContainsFunc(before.Cautions, func(o plan.Reason) bool { return o.Code == r.Code })
		if !known && r.Code != reckon.SurgeCode {
			out = append(out, reckon.Caution{Why: r, Tell: slices.Contains(reckon.ForClinician, r.Code)})
		}
	}
	return out, nil
}

// lapses are the items of her checklist that will not hold any more on the day of
// the transfer, once an entry has set or moved it.
func (c *Care) lapses(ctx context.Context, tx *store.Tx, patient int64, f plan.Fact, after plan.Plan) ([]reckon.Caution, error) {
	if f.Kind != plan.PeriodStart && f.Kind != plan.TriggerOrder && !(f.Kind == plan.Visit && f.Step == plan.Transfer) {
		return nil, nil
	}
	list, err := c.Book.Checklist(ctx, tx, patient)
	return reckon.Lapses(Checked(list), c.today(tx), TransferDay(after)), err
}

// Checked are the items of a checklist that have been done.
func Checked(list []reminders.Check) []reckon.Checked {
	var items []reckon.Checked
	for _, k := range list {
		if !k.On.IsZero() {
			items = append(items, reckon.Checked{Item: k.Item, Until: k.Until})
		}
	}
	return items
}

// TransferDay is the day on which a plan has the transfer, done or to come; the
// zero Date for none.
func TransferDay(p plan.Plan) civil.Date {
	for _, s := range p.StepsOf(plan.Transfer) {
		if s.Status != plan.Done && s.Status != plan.Dropped {
			if s.On.IsZero() {
				return s.From
			}
			return s.On
		}
	}
	return civil.Date{}
}

// Asks reports whether a reason is asked for before an entry is saved and has not
// been given.
func (v Preview) Asks() bool {
	return v.Fact.Reason == "" && slices.ContainsFunc(v.Cautions, func(c reckon.Caution) bool { return c.Ask })
}

// tellOthers puts a caution that somebody else must see too before a person.
func (c *Care) tellOthers(ctx context.Context, tx *store.Tx, v Preview, fact int64) error {
	var notes []triage.Line
	for _, k := range v.Cautions {
		if k.Tell {
			notes = append(notes, cautionLine(k))
		}
	}
	if len(notes) == 0 {
		return nil
	}
	if v.Fact.Reason != "" {
		notes = append(notes, triage.Line{Key: "note.saved_because", Args: phrase.Args{"reason": v.Fact.Reason}})
	}
	_, err := c.Desk.Open(ctx, tx, triage.Opening{Key: factKey(fact) + "/caution", Person: v.Patient.Person, Reason: triage.CautionRaised,
		Urgency: rules.SameDay, Notes: notes})
	return err
}

func cautionLine(k reckon.Caution) triage.Line {
	args := phrase.Args{}
	for name, value := range k.Why.Args {
		args[name] = value
	}
	return triage.Line{Key: "why." + k.Why.Code, Args: args}
}

// seriesLines say how the value that is being entered runs beside the others, for
// whoever tells it.
func seriesLines(s reckon.Series) []triage.Line {
	var out []triage.Line
	for _, r := range s.Cautions {
		out = append(out, cautionLine(reckon.Caution{Why: r}))
	}
	if len(s.Pairs) == 0 {
		return out
	}
	p := s.Pairs[len(s.Pairs)-1]
	if p.Reckoned {
		out = append(out, triage.Line{Key: "note.hcg_pair", Args: PairArgs(p)})
	}
	for _, r := range p.Cautions {
		if r.Code != reckon.NICEShortCode {
			out = append(out, cautionLine(reckon.Caution{Why: r}))
		}
	}
	return out
}

// PairArgs are the figures of two values side by side, for a sentence.
func PairArgs(p reckon.Pair) phrase.Args {
	doubling := "-"
	if !math.IsInf(p.DoublingH, 0) {
		doubling = fmt.Sprintf("%.0f", math.Abs(p.DoublingH))
	}
	args := phrase.Args{"from": p.From.Words(), "to": p.To.Words(), "hours": fmt.Sprintf("%.4g", p.Hours), "rise": fmt.Sprintf("%+.1f", p.Rise48Pct),
		"minimum": fmt.Sprint(p.MinimumPct), "doubling": doubling, "course": "course_" + string(p.Course), "nice": "nice_" + string(p.NICE), "place": "place_" + string(p.Place)}
	args["time"] = "doubling_time"
	if p.DoublingH < 0 {
		args["time"] = "half_life"
	}
	return args
}
