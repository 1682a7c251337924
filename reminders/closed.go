package reminders

import (
	"context"
	"fmt"
	"slices"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/room"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// ClosedDay is a day that was closed after the policy had been written, with its record.
type ClosedDay struct {
	plan.ClosedDay
	Why string
	By  seal.Person
	At  time.Time
}

// closedKey is where a transaction keeps the days that are closed in it.
type closedKey struct{}

// shut is a day that is closed, since when.
type shut struct {
	plan.ClosedDay
	since time.Time
}

// closedDays are the days that are closed, past ones too: what was booked on one still
// stands in conflict.
func (b *Book) closedDays(ctx context.Context, tx *store.Tx) ([]shut, error) {
	if known, ok := tx.Kept()[closedKey{}]; ok {
		return known.([]shut), nil
	}
	var rows []struct {
		Day  string          `db:"day"`
		Part plan.ClosedPart `db:"part"`
		At   store.Time      `db:"closed_at"`
	}
	if err := tx.Select(ctx, &rows, `SELECT day, part, closed_at FROM closed_days WHERE reopened_at IS NULL ORDER BY day, part`); err != nil {
		return nil, err
	}
	days := make([]shut, len(rows))
	for i, r := range rows {
		d, err := civil.ParseDate(r.Day)
		if err != nil {
			return nil, fmt.Errorf("a closed day is not a day")
		}
		days[i] = shut{plan.ClosedDay{On: d, Part: r.Part}, r.At.Time}
	}
	tx.Kept()[closedKey{}] = days
	return days, nil
}

// overtaken reports whether a day was closed after a visit on it had been booked. She is
// not reminded of it: she has been moved, or a person is at it.
func (w *wants) overtaken(s plan.Step) bool {
	return slices.ContainsFunc(w.shut, func(d shut) bool {
		if d.On != s.On || d.Part == plan.LabOnly && s.Name != plan.Transfer {
			return false
		}
		return !slices.ContainsFunc(w.cycle.Facts, func(f Recorded) bool {
			return f.Kind == plan.Visit && f.Step == s.Name && f.Fact.At.Equal(s.At) && f.Entered.After(d.since)
		})
	})
}

// PolicyNow is the policy with the days that have been closed since it was written.
func (b *Book) PolicyNow(ctx context.Context, tx *store.Tx) (plan.Policy, error) {
	days, err := b.closedDays(ctx, tx)
	if err != nil || len(days) == 0 {
		return b.Policy, err
	}
	closed := make([]plan.ClosedDay, len(days))
	for i, d := range days {
		closed[i] = d.ClosedDay
	}
	return b.Policy.WithClosed(closed), nil
}

// aheadDays is how far days are looked at on which no transfer has a place any more. No
// transfer of an open cycle is planned for later; common practice, no source.
const aheadDays = 60

// PolicyFor is the policy that one cycle is planned with: that of now, with the days on
// which others have taken every transfer before it. Who holds a place of a day is not
// pushed out of it by who comes later.
func (b *Book) PolicyFor(ctx context.Context, tx *store.Tx, cycle int64) (plan.Policy, error) {
	p, err := b.PolicyNow(ctx, tx)
	if err != nil {
		return p, err
	}
	today := b.civilDay(tx.Now)
	var full []string
	if err := tx.Select(ctx, &full, `SELECT day FROM places p WHERE sort = ? AND day >= ? AND day < ? AND cycle_id <> ?
		AND NOT EXISTS (SELECT 1 FROM places own WHERE own.cycle_id = ? AND own.sort = p.sort AND own.day = p.day AND own.id < p.id)
		GROUP BY day HAVING count(*) >= ?`,
		room.Transfer, today.String(), today.AddDays(aheadDays).String(), cycle, cycle, p.Lab.TransfersPerDay); err != nil || len(full) == 0 {
		return p, err
	}
	p.Lab.Full = append([]civil.Date(nil), p.Lab.Full...)
	for _, text := range full {
		d, err := civil.ParseDate(text)
		if err != nil {
			return p, fmt.Errorf("the day of a place is not a day")
		}
		p.Lab.Full = append(p.Lab.Full, d)
	}
	return p, nil
}

// ClosedDays are the days from one on that are closed, with who closed them and why.
func (b *Book) ClosedDays(ctx context.Context, tx *store.Tx, from civil.Date) ([]ClosedDay, error) {
	var rows []struct {
		Day  string          `db:"day"`
		Part plan.ClosedPart `db:"part"`
		Why  []byte          `db:"why"`
		By   seal.Person     `db:"closed_by"`
		At   store.Time      `db:"closed_at"`
	}
	if err := tx.Select(ctx, &rows, `SELECT day, part, why, closed_by, closed_at FROM closed_days WHERE reopened_at IS NULL AND day >= ? ORDER BY day, part`, from.String()); err != nil {
		return nil, err
	}
	all := make([]ClosedDay, len(rows))
	for i, r := range rows {
		d, err := civil.ParseDate(r.Day)
		if err != nil {
			return nil, fmt.Errorf("a closed day is not a day")
		}
		why, err := b.Vault.Open(ctx, tx, seal.House, "closed day", r.Why)
		if err != nil {
			return nil, fmt.Errorf("why %s is closed: %w", d, err)
		}
		all[i] = ClosedDay{ClosedDay: plan.ClosedDay{On: d, Part: r.Part}, Why: string(why), By: r.By, At: r.At.Time}
	}
	return all, nil
}

// CloseDay closes a day for everything that is planned from now on, and reports whether
// it was open. Who is hit by it is the caller's to move.
func (b *Book) CloseDay(ctx context.Context, tx *store.Tx, d plan.ClosedDay, why string, by seal.Person) (bool, error) {
	sealed, err := b.Vault.Seal(ctx, tx, seal.House, "closed day", []byte(why))
	if err != nil {
		return false, err
	}
	n, err := tx.Exec(ctx, `INSERT INTO closed_days (day, part, why, closed_by, closed_at) VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING`,
		d.On.String(), d.Part, sealed, by, store.At(tx.Now))
	delete(tx.Kept(), closedKey{})
	forgetCycle(tx)
	return n > 0, err
}

// ReopenDay opens a day that was closed, and reports whether it was.
func (b *Book) ReopenDay(ctx context.Context, tx *store.Tx, d plan.ClosedDay, by seal.Person) (bool, error) {
	n, err := tx.Exec(ctx, `UPDATE closed_days SET reopened_by = ?, reopened_at = ? WHERE day = ? AND part = ? AND reopened_at IS NULL`,
		by, store.At(tx.Now), d.On.String(), d.Part)
	delete(tx.Kept(), closedKey{})
	forgetCycle(tx)
	return n > 0, err
}
