package care

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// toTell is what a fact says that only a person may tell her; false for nothing.
func toTell(v Preview) (triage.Line, bool) {
	switch f := v.Fact; f.Kind {
	case plan.HCG:
		return hcgLine(f, v.after.HCG), true
	case plan.OBScan:
		if f.Site != "" {
			path, _ := plan.PathOf(f)
			return triage.Line{Key: "note.ob_ultrasound.found", Args: phrase.Args{"what": strings.Join(f.Placed(), ", "), "path": string(path)}}, true
		}
		return triage.Line{Key: "note.ob_ultrasound." + viability(f)}, true
	case plan.Thawed:
		return triage.Line{Key: "note.none_survived", Args: phrase.Args{"thawed": fmt.Sprint(f.Count)}}, f.Survived != nil && *f.Survived == 0
	case plan.Concluded:
		return triage.Line{Key: "note.conclusion", Args: phrase.Args{"path": string(f.Path)}}, true
	case plan.Cancelled:
		return triage.Line{Key: "note.cancelled", Args: phrase.Args{"reason": f.Reason}}, true
	}
	return triage.Line{}, false
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

// openResult makes the one who enters a result answer for its being told: she has
// the case, and it comes back to her, then to the lead, until it is closed. It
// returns the case, 0 where there is nothing to tell.
func (c *Care) openResult(ctx context.Context, tx *store.Tx, actor triage.Staff, v Preview, inbox int64) (int64, error) {
	note, some := toTell(v)
	if !some {
		return 0, nil
	}
	cycle, err := c.Book.Cycle(ctx, tx, v.Patient.ID)
	if err != nil {
		return 0, err
	}
	cs, err := c.Desk.Open(ctx, tx, triage.Opening{Key: resultKey(v.Fact, cycle.ID, inbox), Person: v.Patient.Person,
		Reason: triage.ResultToTell, Urgency: rules.SameDay, Notes: append([]triage.Line{note}, seriesLines(v.series)...), Holder: actor,
		RestUntil: callAt(v, tx.Now)})
	return cs.ID, err
}

// callAt is the hour that she chose for the call with her result, if it lies ahead: it
// rings by itself then, as what is due.
func callAt(v Preview, now time.Time) time.Time {
	for _, s := range v.after.StepsOf(plan.Call) {
		if s.Status != plan.Done && s.Status != plan.Dropped && s.At.After(now) && s.At.Before(now.Add(24*time.Hour)) {
			return s.At
		}
	}
	return time.Time{}
}

// resultKey is the cause of a result's case. The calendar asks for a new hCG value
// to be told under a key of its own; the same one makes it one case. A correction
// is told anew.
func resultKey(f plan.Fact, cycle, inbox int64) string {
	if f.Kind == plan.HCG && f.Replaces == "" {
		return fmt.Sprintf("cycle/%d/open/result/%s", cycle, f.At.UTC().Format("200601021504"))
	}
	return fmt.Sprintf("cycle/%d/tell/%s/%s/%d", cycle, f.Kind, f.Replaces, inbox)
}

// tellFirst holds back what would ask her to start or to stop a medicine while a
// result waits to be told: being asked to repeat it would be her first hint.
func (c *Care) tellFirst(ctx context.Context, tx *store.Tx, p reminders.Patient, f plan.Fact) error {
	if f.Kind != plan.OrderGiven && f.Kind != plan.StopOrder {
		return nil
	}
	cs, waits, err := c.ToTell(ctx, tx, p)
	if err != nil || !waits {
		return err
	}
	return triage.Refuse("tell_first", phrase.Args{"case": fmt.Sprint(cs.ID)})
}

// ToTell is the case of a result of hers that waits to be told, the oldest; false
// when there is none.
func (c *Care) ToTell(ctx context.Context, tx *store.Tx, p reminders.Patient) (triage.Case, bool, error) {
	live, err := c.Desk.ForPerson(ctx, tx, p.Person)
	for _, cs := range live {
		if cs.Reason == triage.ResultToTell {
			return cs, true, nil
		}
	}
	return triage.Case{}, false, err
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
	if err := c.called(ctx, tx, actor, p); err != nil {
		return err
	}
	// What could have been the first hint of it may be reminded of now.
	if _, err := c.Book.Replan(ctx, tx, p.ID); err != nil {
		return err
	}
	_, untold, err := c.ToTell(ctx, tx, p)
	if err != nil || untold || p.Quiet() {
		return err
	}
	return c.catchUp(ctx, tx, p, cs.Opened, fmt.Sprintf("case/%d", cs.ID))
}

// called notes that she was called, where she had chosen a time for it.
func (c *Care) called(ctx context.Context, tx *store.Tx, actor triage.Staff, p reminders.Patient) error {
	pl, cycle, err := c.Book.Plan(ctx, tx, p.ID)
	if err != nil || !cycle.Closed.IsZero() || !slices.ContainsFunc(pl.StepsOf(plan.Call), func(s plan.Step) bool { return s.Status != plan.Done && s.Status != plan.Dropped }) {
		return err
	}
	m, err := c.save(ctx, tx, actor, Preview{Patient: p, Fact: plan.Fact{Kind: plan.Called, At: tx.Now.In(c.Book.Policy.Location())}}, 0)
	if err != nil {
		return err
	}
	_, err = c.settle(ctx, tx, actor, p, m)
	return err
}

// catchUp tells her once what was booked since then, while nothing could be said.
func (c *Care) catchUp(ctx context.Context, tx *store.Tx, p reminders.Patient, since time.Time, topic string) error {
	pl, cycle, err := c.Book.Plan(ctx, tx, p.ID)
	if err != nil || !pl.Cancelled.IsZero() {
		return err
	}
	var before []plan.Fact
	for _, f := range cycle.Facts {
		if f.Entered.Before(since) {
			before = append(before, f.Fact)
		}
	}
	pol, err := c.Book.PolicyFor(ctx, tx, cycle.ID)
	if err != nil {
		return err
	}
	old, err := plan.Build(pol, before, tx.Now)
	if err != nil {
		return err
	}
	rows := c.Book.MovedLines(p.Language, old, pl, true)
	if len(rows) == 0 {
		return nil
	}
	m := outbox.Message{Text: c.Book.Say(p.Language, p.Neutral, "moved.head", nil), File: c.Book.Picture(p, pl, tx.Now.In(c.Book.Policy.Location()))}
	if p.Neutral {
		m.Buttons = [][]outbox.Button{{{Label: c.Book.Say(p.Language, false, "show", nil), Action: reminders.ActCalendar}}}
	} else {
		m.Text += "\n" + strings.Join(rows, "\n")
	}
	return c.Desk.Outbox.Put(ctx, tx, outbox.Want{Key: topic + "/moved", Topic: topic + "/answers",
		Kind: outbox.Reply, To: p.Person, Due: c.Book.TellAt(pl, tx.Now), Message: m})
}
