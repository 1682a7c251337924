package triage

import (
	"context"
	"time"

	"handrail.example/reminders/store"
	"handrail.example/triage/rules"
)

// Tally counts the cases that are not closed.
type Tally struct {
	All, Emergencies, Open int
	// Newest is the number of the latest case, Last that of the latest event of any
	// case: something has happened since when it is another.
	Newest, Last int64
}

// Tally counts the queue without opening a case.
func (d *Desk) Tally(ctx context.Context, tx *store.Tx) (Tally, error) {
	var n struct {
		All         int   `db:"n"`
		Emergencies int   `db:"emergencies"`
		Open        int   `db:"waiting"`
		Newest      int64 `db:"newest"`
		Last        int64 `db:"last"`
	}
	err := tx.Get(ctx, &n, `SELECT count(*) AS n, coalesce(sum(urgency = 'emergency'), 0) AS emergencies, coalesce(sum(state = 'open'), 0) AS waiting,
		coalesce(max(id), 0) AS newest, (SELECT coalesce(max(id), 0) FROM case_events) AS last FROM cases WHERE state <> 'closed'`)
	return Tally(n), err
}

// Queue is a stretch of Live: n cases after the first skip.
func (d *Desk) Queue(ctx context.Context, tx *store.Tx, skip, n int) ([]Case, error) {
	return d.cases(ctx, tx, `state <> 'closed'
		ORDER BY CASE urgency WHEN 'emergency' THEN 0 WHEN 'same_day' THEN 1 ELSE 2 END, opened_at, id LIMIT ? OFFSET ?`, n, skip)
}

// LiveFor are the cases of one reason that are not closed, the oldest first.
func (d *Desk) LiveFor(ctx context.Context, tx *store.Tx, r Reason) ([]Case, error) {
	return d.cases(ctx, tx, `state <> 'closed' AND reason = ? ORDER BY opened_at, id`, r)
}

// Target is when a case must be in somebody's hands: the time that the policy gives
// its urgency, from when it was first put before somebody. For one that somebody
// has, it is when it comes back to her.
func (d *Desk) Target(c Case) time.Time {
	if c.State == Taken {
		return d.Policy.nextHeld(c.stake(), holding{}, c.TakenAt)
	}
	return d.Policy.nextRing(c.stake(), 1, d.Policy.firstRing(c.stake(), c.Opened))
}

// Rung is a step of the ladder that lies ahead of a case.
type Rung struct {
	At  time.Time
	Who []Staff
}

// Ahead is who hears next of an open case if nobody takes it, rung by rung, up to
// the one that rings everybody. c comes from Show.
func (d *Desk) Ahead(ctx context.Context, tx *store.Tx, c Case) ([]Rung, error) {
	if c.State != Open {
		return nil, nil
	}
	crew, told, err := d.crewFor(ctx, tx, c)
	if err != nil {
		return nil, err
	}
	at := d.Policy.firstRing(c.stake(), c.Opened)
	for _, e := range c.Events {
		if e.What == Alerted || e.What == AlertFailed {
			at = e.At
		}
	}
	var all []Rung
	for n := c.Rung; n <= max(rungs-1, c.Rung); n++ {
		if n > 0 {
			at = d.Policy.nextRing(c.stake(), n, at)
		}
		who := crew.rung(n, c.Urgency == rules.Emergency, told)
		for _, s := range who {
			told = append(told, s.ID)
		}
		all = append(all, Rung{at, who})
	}
	return all, nil
}

// Waiting counts the cases of one urgency and state that are not closed.
type Waiting struct {
	Urgency string `db:"urgency"`
	State   State  `db:"state"`
	N       int    `db:"n"`
	// Unanswered is when the oldest was opened in which nobody has written to her
	// yet; zero when there is none.
	Unanswered store.Time `db:"unanswered"`
}

// Waiting counts the queue by urgency and state, without opening a case.
func (d *Desk) Waiting(ctx context.Context, tx *store.Tx) (all []Waiting, err error) {
	err = tx.Select(ctx, &all, `SELECT urgency, state, count(*) AS n,
		min(CASE WHEN NOT EXISTS (SELECT 1 FROM case_events e WHERE e.case_id = c.id AND e.what = 'answered') THEN opened_at END) AS unanswered
		FROM cases c WHERE state <> 'closed' GROUP BY urgency, state ORDER BY urgency, state`)
	return all, err
}
