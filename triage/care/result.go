package care

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// news is something about her that a person must tell her.
type news struct {
	key  string // the case's cause
	note triage.Line
}

// toTell is what a fact says that only a person may tell her; nil for nothing.
func (c *Care) toTell(f plan.Fact, m reminders.Moved, cycle int64) *news {
	n := &news{key: factKey(m.Fact.Number) + "/tell"}
	switch f.Kind {
	case plan.HCG:
		n.note = hcgLine(f, m.New.HCG)
		// The calendar asks for the same thing under this key: one case is enough.
		for _, o := range m.New.Open {
			if strings.HasPrefix(o.Key, "result/") {
				n.key = fmt.Sprintf("cycle/%d/open/%s", cycle, o.Key)
			}
		}
	case plan.OBScan:
		n.note = triage.Line{Key: "note.ob_ultrasound." + viability(f)}
	case plan.Cancelled:
		n.note = triage.Line{Key: "note.cancelled", Args: phrase.Args{"reason": f.Reason}}
	default:
		return nil
	}
	return n
}

// hcgLine is a value and how it reads beside the one before, for staff.
func hcgLine(f plan.Fact, r *plan.Rise) triage.Line {
	args := phrase.Args{"value": fmt.Sprint(f.IUPerL)}
	if r == nil {
		return triage.Line{Key: "note.hcg.positive", Args: args}
	}
	args["rise"], args["minimum"], args["hours"] = "-", "-", "-"
	if !math.IsNaN(r.Rise48hPct) {
		args["rise"], args["minimum"], args["hours"] = fmt.Sprintf("%+.1f", r.Rise48hPct), fmt.Sprint(r.MinimumPct), fmt.Sprintf("%.4g", r.IntervalH)
	}
	return triage.Line{Key: "note.hcg." + string(r.Verdict), Args: args}
}

func viability(f plan.Fact) string {
	switch {
	case f.Viable == nil:
		return "uncertain"
	case *f.Viable:
		return "viable"
	}
	return "not_viable"
}

// openResult makes the one who entered a result answer for its being told: she
// has the case, and it comes back to her, then to the lead, until it is closed.
func (c *Care) openResult(ctx context.Context, tx *store.Tx, actor triage.Staff, p reminders.Patient, n news) error {
	cs, err := c.Desk.Open(ctx, tx, triage.Opening{Key: n.key, Person: p.Person, Reason: triage.ResultToTell, Urgency: rules.SameDay, Notes: []triage.Line{n.note}})
	if err != nil || cs.State != triage.Open {
		return err
	}
	_, err = c.Desk.Take(ctx, tx, actor, cs.ID)
	return err
}

// untold reports whether a result of hers waits to be told.
func (c *Care) untold(ctx context.Context, tx *store.Tx, p reminders.Patient) (bool, error) {
	live, err := c.Desk.ForPerson(ctx, tx, p.Person)
	for _, cs := range live {
		if cs.Reason == triage.ResultToTell {
			return true, nil
		}
	}
	return false, err
}

// Told records that a person has told her what a case says, by phone or in the
// room, and closes the case. When nothing else waits to be told, she is told what
// her calendar has become since.
func (c *Care) Told(ctx context.Context, tx *store.Tx, actor triage.Staff, caseID int64, how triage.Outcome) error {
	if err := actor.May(triage.TellResult); err != nil {
		return err
	}
	cs, err := c.Desk.Case(ctx, tx, caseID)
	if err != nil {
		return err
	}
	if cs.Reason != triage.ResultToTell || how != triage.Phoned && how != triage.Seen {
		return triage.Refuse("not_told", nil)
	}
	p, err := c.Book.Patient(ctx, tx, cs.Patient)
	if err != nil {
		return err
	}
	if _, err := c.Desk.Close(ctx, tx, actor, caseID, how); err != nil {
		return err
	}
	if err := c.did(ctx, tx, actor, triage.TellResult, p, 0, string(how)); err != nil {
		return err
	}
	untold, err := c.untold(ctx, tx, p)
	if err != nil || untold || c.Moved == nil {
		return err
	}
	m, err := c.since(ctx, tx, p, cs.Opened)
	if err != nil {
		return err
	}
	return c.Moved(ctx, tx, p, fmt.Sprintf("case/%d/moved", caseID), m)
}

// since is what has moved in her calendar through the facts recorded at or after
// an instant.
func (c *Care) since(ctx context.Context, tx *store.Tx, p reminders.Patient, at time.Time) (reminders.Moved, error) {
	pl, cycle, err := c.Book.Plan(ctx, tx, p.ID)
	if err != nil {
		return reminders.Moved{}, err
	}
	var before []plan.Fact
	for _, f := range cycle.Facts {
		if f.At.Before(at) { // recorded
			before = append(before, f.Fact)
		}
	}
	old, err := plan.Build(c.Book.Policy, before, tx.Now)
	return reminders.Moved{Old: old, New: pl}, err
}
