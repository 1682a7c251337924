package triage

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"handrail.example/reminders/outbox"
	"handrail.example/reminders/store"
	"handrail.example/triage/rules"
)

// turn is the payload of a task: which case, and after which of its events the
// task was promised. Keys are made of both, so that no promise is ever confused
// with an older one.
type turn struct {
	Case int64 `json:"case"`
	Turn int64 `json:"turn"`
	// Times is how often a taken case has come back to its holder; Once, that it
	// need not again.
	Times int  `json:"times,omitempty"`
	Once  bool `json:"once,omitempty"`
	// First is who hears of it first, beside those on call with Others.
	First  int64 `json:"first,omitempty"`
	Others bool  `json:"others,omitempty"`
}

// opener says that the first rung is somebody in particular.
type opener struct {
	staff  int64
	others bool
}

// The rows of a case that are taken back when somebody takes it: what it says to
// staff, and when it rings.
func cardTopic(id int64) string { return fmt.Sprintf("case/%d/cards", id) }
func taskTopic(id int64) string { return fmt.Sprintf("case/%d/tasks", id) }

// quiet takes back everything that a case has promised to say or do.
func (d *Desk) quiet(ctx context.Context, tx *store.Tx, c Case) error {
	if err := d.Outbox.Withdraw(ctx, tx, cardTopic(c.ID)); err != nil {
		return err
	}
	return d.Outbox.Withdraw(ctx, tx, taskTopic(c.ID))
}

// climbFrom starts a case on the ladder: at once where its urgency says so, else
// by a task.
func (d *Desk) climbFrom(ctx context.Context, tx *store.Tx, c *Case, after int64, o *opener) error {
	t := turn{Case: c.ID, Turn: after}
	if o != nil {
		t.First, t.Others = o.staff, o.others
	}
	at := d.Policy.firstRing(c.stake(), tx.Now)
	if o != nil && !o.others {
		// A colleague was named by hand; she hears of it now.
		at = tx.Now
	}
	if at.After(tx.Now) {
		return d.promise(ctx, tx, "climb", taskClimb, t, at)
	}
	return d.ring(ctx, tx, c, t)
}

func (d *Desk) promise(ctx context.Context, tx *store.Tx, word, run string, t turn, at time.Time) error {
	return d.Outbox.Put(ctx, tx, outbox.Want{Key: fmt.Sprintf("case/%d/%s/%d", t.Case, word, t.Turn), Topic: taskTopic(t.Case),
		Kind: outbox.Task, Due: at, Run: run, Payload: t})
}

// climb is the task that rings the next rung of a case that nobody has taken.
func (d *Desk) climb(ctx context.Context, tx *store.Tx, payload []byte) error {
	t, c, err := d.turnOf(ctx, tx, payload)
	if err != nil || c.State != Open {
		return err
	}
	return d.ring(ctx, tx, &c, t)
}

func (d *Desk) turnOf(ctx context.Context, tx *store.Tx, payload []byte) (turn, Case, error) {
	var t turn
	if err := json.Unmarshal(payload, &t); err != nil {
		return t, Case{}, errors.New("the payload of a case's task is none")
	}
	c, err := d.Case(ctx, tx, t.Case)
	return t, c, err
}

// ring puts a case before the people of its next rung and promises the one
// after. Where nobody at all can be reached it only promises, so that whoever
// joins next hears of it.
func (d *Desk) ring(ctx context.Context, tx *store.Tx, c *Case, t turn) error {
	who, err := d.rungOf(ctx, tx, *c, t)
	if err != nil {
		return err
	}
	last := t.Turn
	for _, s := range who {
		if last, err = d.note(ctx, tx, *c, event{what: Alerted, to: s.ID}); err != nil {
			return err
		}
		if err := d.send(ctx, tx, *c, s, card{key: fmt.Sprintf("case/%d/alert/%d", c.ID, last), title: alertTitle(c.Rung), kind: alertKind(*c),
			buttons: []string{PressTake, PressShow}}); err != nil {
			return err
		}
	}
	if len(who) == 0 {
		if last, err = d.note(ctx, tx, *c, event{what: AlertFailed}); err != nil {
			return err
		}
	}
	c.Rung++
	if _, err := tx.Exec(ctx, `UPDATE cases SET rung = ? WHERE id = ?`, c.Rung, c.ID); err != nil {
		return err
	}
	return d.promise(ctx, tx, "climb", taskClimb, turn{Case: c.ID, Turn: last}, d.Policy.nextRing(c.stake(), c.Rung, tx.Now))
}

func alertTitle(rung int) string {
	if rung == 0 {
		return "staff.alert"
	}
	return "staff.alert_again"
}

func alertKind(c Case) outbox.Kind {
	if c.Urgency == rules.Emergency {
		return outbox.Alert
	}
	return outbox.Escalation
}

// crewFor is who can be told of a case, and who has been. Whoever set it off is
// told only where there is nobody else.
func (d *Desk) crewFor(ctx context.Context, tx *store.Tx, c Case) (crew, []int64, error) {
	all, err := d.crew(ctx, tx)
	if err != nil {
		return all, nil, err
	}
	if others := all.but(c.Body.By); len(others.team) > 0 {
		all = others
	}
	told, err := d.told(ctx, tx, c.ID)
	return all, told, err
}

func (d *Desk) rungOf(ctx context.Context, tx *store.Tx, c Case, t turn) ([]Staff, error) {
	crew, told, err := d.crewFor(ctx, tx, c)
	if err != nil {
		return nil, err
	}
	who := crew.rung(c.Rung, c.Urgency == rules.Emergency, told)
	if !crew.has(t.First) {
		if c.Rung > 0 {
			return who, nil
		}
		first, some, err := d.looksAfter(ctx, tx, c, crew)
		if err != nil || !some {
			return who, err
		}
		return append([]Staff{first}, slices.DeleteFunc(slices.Clone(who), is(first.ID))...), nil
	}
	first := crew.team[slices.IndexFunc(crew.team, is(t.First))]
	if !t.Others {
		return []Staff{first}, nil
	}
	return append([]Staff{first}, slices.DeleteFunc(slices.Clone(who), is(first.ID))...), nil
}

// told lists who has been alerted since the case was last put on the ladder.
func (d *Desk) told(ctx context.Context, tx *store.Tx, id int64) ([]int64, error) {
	var told []int64
	err := tx.Select(ctx, &told, `SELECT DISTINCT to_staff FROM case_events WHERE case_id = ? AND what = 'alerted' AND id >
		(SELECT max(id) FROM case_events WHERE case_id = ? AND what IN ('opened', 'raised', 'released', 'handed_over')) ORDER BY to_staff`, id, id)
	return told, err
}

// hold promises that a taken case comes back to its holder, in place of what was
// promised about it before.
func (d *Desk) hold(ctx context.Context, tx *store.Tx, c Case, after int64) error {
	if err := d.quiet(ctx, tx, c); err != nil {
		return err
	}
	return d.holdOn(ctx, tx, c, after)
}

// holdOn promises that a taken case comes back to its holder.
func (d *Desk) holdOn(ctx context.Context, tx *store.Tx, c Case, after int64) error {
	c, err := d.Show(ctx, tx, c.ID)
	if err != nil {
		return err
	}
	h := holding{answered: c.answered(after)}
	return d.promise(ctx, tx, "held", taskHeld, turn{Case: c.ID, Turn: after}, d.Policy.nextHeld(c.stake(), h, tx.Now))
}

// answered reports whether, up to an event, somebody has written to the patient
// since the last thing that was as grave as the case: her thanks do not ask for
// another answer. What she has not written in is no conversation yet: a question
// to somebody who missed a dose waits for hers. c comes from Show.
func (c Case) answered(until int64) bool {
	hers, replied := c.Body.Words != "", false
	for _, e := range c.Events {
		switch {
		case e.ID > until:
		case e.What == Replied:
			replied = true
		case e.What == Wrote && e.Body.Urgency >= c.Urgency, e.What == Raised:
			replied = false
		}
		hers = hers || e.ID <= until && e.What == Wrote && e.Body.Words != ""
	}
	return hers && replied
}

// held is the task that brings a case back to its holder, and in time to the leads
// too.
func (d *Desk) held(ctx context.Context, tx *store.Tx, payload []byte) error {
	t, c, err := d.turnOf(ctx, tx, payload)
	if err != nil || c.State != Taken {
		return err
	}
	if just, err := d.cameJust(ctx, tx, c.ID); err != nil || t.Once && just {
		return err // several messages of hers bring it back once
	}
	holder, err := d.StaffMember(ctx, tx, c.Holder)
	if err != nil {
		return err
	}
	if c, err = d.Show(ctx, tx, c.ID); err != nil {
		return err
	}
	h := holding{times: t.Times, answered: c.answered(math.MaxInt64)}
	who := []Staff{holder}
	if d.Policy.leadsHear(h) {
		crew, err := d.crew(ctx, tx)
		if err != nil {
			return err
		}
		who = append(who, crew.but(holder.ID).with(Lead)...)
	}
	var last int64
	for _, s := range who {
		if last, err = d.note(ctx, tx, c, event{what: Came, to: s.ID}); err != nil {
			return err
		}
		if err := d.send(ctx, tx, c, s, card{key: fmt.Sprintf("case/%d/back/%d", c.ID, last), title: backTitle(s, holder), kind: alertKind(c),
			holder: holder.Name, buttons: working}); err != nil {
			return err
		}
	}
	if t.Once {
		return nil
	}
	h.times++
	return d.promise(ctx, tx, "held", taskHeld, turn{Case: c.ID, Turn: last, Times: h.times}, d.Policy.nextHeld(c.stake(), h, tx.Now))
}

// cameJust reports whether a case has come back to its holder within the last
// minutes.
func (d *Desk) cameJust(ctx context.Context, tx *store.Tx, id int64) (bool, error) {
	var n int
	err := tx.Get(ctx, &n, `SELECT count(*) FROM case_events WHERE case_id = ? AND what = 'came_back' AND at > ?`, id, store.At(tx.Now.Add(-d.Policy.Again)))
	return n > 0, err
}

func backTitle(s, holder Staff) string {
	if s.ID == holder.ID {
		return "staff.still_yours"
	}
	return "staff.still_with"
}
