package care

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/room"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// CloseDays closes days as they were previewed: it moves whom they hit, each of whom is
// told, and puts each who cannot be moved before a person, all in this transaction. What
// is not as it was when it was seen is refused, and nothing is done.
func (c *Care) CloseDays(ctx context.Context, tx *store.Tx, actor triage.Staff, k Closing, digest string, inbox int64) (Closure, error) {
	out, err := c.PreviewClosing(ctx, tx, actor, k)
	if err != nil {
		return out, err
	}
	if out.Digest != digest {
		return out, triage.Refuse("closing_changed", nil)
	}
	for _, d := range out.closed() {
		if _, err := c.Book.CloseDay(ctx, tx, d, out.Why, actor.Person); err != nil {
			return out, err
		}
	}
	note := fmt.Sprintf("%s %s to %s: %s", out.Part, out.From, out.To, out.Why)
	if err := c.Desk.Did(ctx, tx, actor, triage.CloseDay, triage.Ref{}, note); err != nil {
		return out, err
	}
	if err := c.moveAll(ctx, tx, actor, out, inbox); err != nil {
		return out, err
	}
	if err := c.holdAll(ctx, tx, actor, out); err != nil {
		return out, err
	}
	return out, c.shiftPlanned(ctx, tx, out)
}

// moveAll books each visit anew that the repair moves, the two tests of a pair as one.
func (c *Care) moveAll(ctx context.Context, tx *store.Tx, actor triage.Staff, k Closure, inbox int64) error {
	zone := c.Book.Policy.Location()
	var cycles []int64
	moves := make(map[int64][]plan.Fact)
	for _, m := range k.Moves {
		id := m.Move.Visit.Cycle
		if moves[id] == nil {
			cycles = append(cycles, id)
		}
		moves[id] = append(moves[id], plan.Fact{Kind: plan.Visit, Step: m.Move.Visit.Step, At: m.Move.To.Time(zone), Reason: k.Why,
			Replaces: bookedAs(k.books[id].cycle, m.Move.Visit, zone)})
	}
	for _, id := range cycles {
		if err := c.moveOne(ctx, tx, actor, k, k.books[id], moves[id], inbox); err != nil {
			return err
		}
	}
	return nil
}

// bookedAs is the ID of the fact by which a visit is booked.
func bookedAs(cycle reminders.Cycle, v room.Visit, zone *time.Location) string {
	for _, f := range standing(cycle) {
		if f.Kind == plan.Visit && f.Step == v.Step && room.PlaceOf(f.Fact.At, zone) == v.Place {
			return f.ID
		}
	}
	return ""
}

func (c *Care) moveOne(ctx context.Context, tx *store.Tx, actor triage.Staff, k Closure, h hitCycle, facts []plan.Fact, inbox int64) error {
	// Under the policy of now the day is closed in both plans; what moves is what was booked.
	v := Preview{Patient: h.patient, Fact: facts[0], Also: facts[1:]}
	m, err := c.save(ctx, tx, actor, v, inbox)
	if err != nil {
		return fmt.Errorf("move a visit of cycle %d off a closed day: %w", h.cycle.ID, err)
	}
	v = previewOf(h.patient, m.Fact.Fact, m)
	if err := c.follow(ctx, tx, actor, &v, m); err != nil {
		return err
	}
	untold, err := c.Book.Untold(ctx, tx, h.patient)
	if err != nil || !h.patient.Quiet() && !untold {
		return err
	}
	// She cannot be told here: somebody phones her.
	_, err = c.Desk.Open(ctx, tx, triage.Opening{Key: factKey(m.Fact.Number) + "/to_tell", Person: h.patient.Person, Reason: triage.DayClosed,
		Urgency: rules.SameDay, Notes: append(k.notes(), triage.Line{Key: "note.moved_untold", Args: phrase.Args{"to": facts[0].At.In(c.Book.Policy.Location()).Format("2006-01-02 15:04")}})})
	return err
}

// notes say on a case which days were closed, and why.
func (k Closure) notes() []triage.Line {
	return []triage.Line{{Key: "note.closed_" + string(k.Part), Args: phrase.Args{"from": k.From.String(), "to": k.To.String(), "why": k.Why}}}
}

// holdAll opens a case for each who cannot be moved: a physician's where the visit stands
// on its day, and one for whoever is free where no place is left.
func (c *Care) holdAll(ctx context.Context, tx *store.Tx, actor triage.Staff, k Closure) error {
	for _, h := range k.Physician {
		cs, err := c.hold(ctx, tx, k, h)
		if err != nil {
			return err
		}
		if err := c.toPhysician(ctx, tx, actor, cs); err != nil {
			return err
		}
	}
	for _, h := range k.Left {
		if _, err := c.hold(ctx, tx, k, h); err != nil {
			return err
		}
	}
	return nil
}

func (c *Care) hold(ctx context.Context, tx *store.Tx, k Closure, h Held) (triage.Case, error) {
	v := h.Stuck.Visit
	key := fmt.Sprintf("cycle/%d/closed/%s/%s/%s", v.Cycle, v.Step, v.On, tx.Now.UTC().Format("20060102T150405.000"))
	notes := append(k.notes(), cautionOf(h.Stuck.Why))
	notes = append(notes, Consequence(v.Step)...)
	if days := c.otherEvenings(ctx, tx, k, v); days != "" {
		notes = append(notes, triage.Line{Key: "note.evenings", Args: phrase.Args{"days": days}})
	}
	return c.Desk.Open(ctx, tx, triage.Opening{Key: key, Person: h.Patient.Person, Reason: triage.DayClosed, Urgency: rules.SameDay,
		Notes: notes})
}

func cautionOf(why plan.Reason) triage.Line {
	args := phrase.Args{}
	for name, value := range why.Args {
		args[name] = value
	}
	return triage.Line{Key: "why." + why.Code, Args: args}
}

// Consequence says what it would lead to if a visit were simply left out or put off;
// nothing for a visit that can wait.
func Consequence(step plan.StepName) []triage.Line {
	switch step {
	case plan.Transfer, plan.Monitoring, plan.Baseline, plan.HCGFirst, plan.HCGRepeat, plan.HCGDay4, plan.HCGDay7:
		return []triage.Line{{Key: "note.consequence." + string(step)}}
	}
	return nil
}

// otherEvenings are the evenings of the trigger that would lead to another transfer day, while
// it has not been given.
func (c *Care) otherEvenings(ctx context.Context, tx *store.Tx, k Closure, v room.Visit) string {
	h := k.books[v.Cycle]
	trigger, known := h.plan.Step("trigger/1")
	if v.Step != plan.Transfer || !known || trigger.Status == plan.Done {
		return ""
	}
	pol, err := c.Book.PolicyFor(ctx, tx, h.cycle.ID)
	if err != nil {
		return ""
	}
	days, err := plan.TriggerEvenings(pol, h.cycle.PlanFacts(), trigger.On, h.plan.AsOf)
	if err != nil {
		return ""
	}
	var all []string
	for _, d := range days {
		all = append(all, d.String())
	}
	return joined(all)
}

// toPhysician puts a case before a physician, where one is there who is not the one who
// opened it. It climbs like any other if she does not take it.
func (c *Care) toPhysician(ctx context.Context, tx *store.Tx, actor triage.Staff, cs triage.Case) error {
	team, err := c.Desk.Team(ctx, tx)
	if err != nil || cs.State != triage.Open {
		return err
	}
	i := slices.IndexFunc(team, func(s triage.Staff) bool {
		return s.Role == triage.Physician && s.ID != actor.ID && s.May(triage.TakeCase) == nil
	})
	if i < 0 {
		return nil
	}
	_, err = c.Desk.HandOver(ctx, tx, actor, cs.ID, team[i])
	return err
}

// shiftPlanned renews the plans of those of whom something was planned on the closed
// days and nothing booked, and puts before a person what finds no other day.
func (c *Care) shiftPlanned(ctx context.Context, tx *store.Tx, k Closure) error {
	for _, id := range slices.Sorted(maps.Keys(k.books)) {
		h := k.books[id]
		pl, err := c.Book.Replan(ctx, tx, h.patient.ID)
		if err != nil {
			return err
		}
		if !slices.ContainsFunc(k.Planned, func(p reminders.Patient) bool { return p.ID == h.patient.ID }) {
			continue // she has been moved, or has a case
		}
		v := previewOf(h.patient, plan.Fact{}, reminders.Moved{Old: h.plan, New: pl})
		if err := c.unplaceable(ctx, tx, k, v, id); err != nil {
			return err
		}
	}
	return nil
}

// unplaceable puts before a person what finds no other day.
func (c *Care) unplaceable(ctx context.Context, tx *store.Tx, k Closure, v Preview, cycle int64) error {
	for _, n := range v.Conflicts {
		if !slices.Contains(closedCodes, n.Why.Code) && !strings.HasPrefix(n.Why.Code, "lab_closed") {
			continue
		}
		key := fmt.Sprintf("cycle/%d/closed/%s/%s", cycle, n.Key, tx.Now.UTC().Format("20060102T150405.000"))
		if _, err := c.Desk.Open(ctx, tx, triage.Opening{Key: key, Person: v.Patient.Person, Reason: triage.DayClosed, Urgency: rules.SameDay,
			Notes: append(k.notes(), cautionOf(n.Why))}); err != nil {
			return err
		}
	}
	return nil
}

// ClosedDays are the days from today on that are closed, with who closed them.
func (c *Care) ClosedDays(ctx context.Context, tx *store.Tx, actor triage.Staff) ([]Closed, error) {
	if err := actor.May(triage.SeePatients); err != nil {
		return nil, err
	}
	days, err := c.Book.ClosedDays(ctx, tx, c.today(tx))
	if err != nil {
		return nil, err
	}
	all := make([]Closed, len(days))
	for i, d := range days {
		all[i].ClosedDay = d
		by, known, err := c.Desk.StaffByPerson(ctx, tx, d.By)
		if err != nil {
			return nil, err
		}
		if known {
			all[i].By = by.Name
		}
	}
	return all, nil
}

// Closed is a closed day with the name of who closed it.
type Closed struct {
	reminders.ClosedDay
	By string
}

// Reopen opens a day that was closed. Who was moved off it stays where she is; what is
// planned and not booked may lie on it again.
func (c *Care) Reopen(ctx context.Context, tx *store.Tx, actor triage.Staff, on civil.Date, part plan.ClosedPart) error {
	if err := actor.May(triage.CloseDay); err != nil {
		return err
	}
	was, err := c.Book.ReopenDay(ctx, tx, plan.ClosedDay{On: on, Part: part}, actor.Person)
	if err != nil {
		return err
	}
	if !was {
		return triage.Refuse("not_closed", phrase.Args{"on": on.String()})
	}
	if err := c.Desk.Did(ctx, tx, actor, triage.CloseDay, triage.Ref{}, fmt.Sprintf("open again: %s %s", part, on)); err != nil {
		return err
	}
	return c.each(ctx, tx, actor, func(p reminders.Patient, _ reminders.Cycle, pl plan.Plan) error {
		around := slices.ContainsFunc(pl.Steps, func(s plan.Step) bool {
			return !s.Booked && (s.Status == plan.Projected || s.Status == plan.Due) && !s.From.After(on) && !s.To.Before(on)
		})
		if !around {
			return nil
		}
		_, err := c.Book.Replan(ctx, tx, p.ID)
		return err
	})
}
