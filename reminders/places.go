package reminders

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/room"
	"handrail.example/reminders/store"
)

// holding is a place that a cycle takes.
type holding struct {
	step plan.StepName
	room.Place
}

// noMinute stands for the minute of a place of which only the day is settled.
const noMinute = room.AnyMinute

func (h holding) sort() room.Sort { return room.SortOf(h.step) }

// placesOf are the places that a cycle takes by its plan, past ones too: those of visits
// that are booked and not dropped, and that of a transfer whose day is settled. A closed
// cycle takes none.
func (b *Book) placesOf(c Cycle, pl plan.Plan) (all []holding) {
	if !c.Closed.IsZero() {
		return nil
	}
	for _, s := range pl.Steps {
		h := holding{step: s.Name}
		switch {
		case h.sort() == room.Nowhere || s.Status == plan.Dropped:
			continue
		case !s.At.IsZero() && booked(c, s):
			h.Place = room.PlaceOf(s.At, b.zone())
		case s.Name == plan.Transfer && s.Settled() && !s.On.IsZero() && s.Status != plan.Done:
			h.Place = room.Place{On: s.On, At: noMinute}
		default:
			continue
		}
		all = append(all, h)
	}
	return all
}

// booked reports whether a visit stands behind a step at its minute.
func booked(c Cycle, s plan.Step) bool {
	return slices.ContainsFunc(c.Facts, func(f Recorded) bool {
		return f.Kind == plan.Visit && f.Step == s.Name && f.Fact.At.Equal(s.At) && !c.replaced(f)
	})
}

// ahead reports whether a place is still to come at t: what is over stays as it was.
func (b *Book) ahead(p room.Place, t time.Time) bool {
	now := room.PlaceOf(t, b.zone())
	if p.At == noMinute {
		return !p.On.Before(now.On)
	}
	return p.Compare(now) > 0
}

type placeRow struct {
	ID     int64         `db:"id"`
	Cycle  int64         `db:"cycle_id"`
	Step   plan.StepName `db:"step"`
	Day    string        `db:"day"`
	Minute sql.NullInt64 `db:"minute"`
}

const placeColumns = `SELECT id, cycle_id, step, day, minute FROM places`

func (r placeRow) holding() (holding, error) {
	d, err := civil.ParseDate(r.Day)
	if err != nil {
		return holding{}, fmt.Errorf("place %d: its day is not one", r.ID)
	}
	h := holding{r.Step, room.Place{On: d, At: noMinute}}
	if r.Minute.Valid {
		h.At = civil.TimeOfDay(r.Minute.Int64)
	}
	return h, nil
}

// keepPlaces makes the places that a cycle has ahead those that are wanted.
func (b *Book) keepPlaces(ctx context.Context, tx *store.Tx, cycle int64, want []holding) error {
	var rows []placeRow
	if err := tx.Select(ctx, &rows, placeColumns+` WHERE cycle_id = ?`, cycle); err != nil {
		return err
	}
	want = slices.DeleteFunc(want, func(h holding) bool { return !b.ahead(h.Place, tx.Now) })
	for _, r := range rows {
		h, err := r.holding()
		if err != nil {
			return err
		}
		if i := slices.Index(want, h); i >= 0 {
			want = slices.Delete(want, i, i+1)
			continue
		}
		if i := slices.IndexFunc(want, func(w holding) bool { return w.step == h.step && w.On == h.On }); i >= 0 {
			// Another minute of the same day keeps its turn among those of the day.
			if err := b.shiftPlace(ctx, tx, r.ID, want[i]); err != nil {
				return err
			}
			want = slices.Delete(want, i, i+1)
			continue
		}
		if !b.ahead(h.Place, tx.Now) {
			continue // what is over stays
		}
		if _, err := tx.Exec(ctx, `DELETE FROM places WHERE id = ?`, r.ID); err != nil {
			return err
		}
	}
	for _, h := range want {
		seat, err := b.freeSeat(ctx, tx, h)
		if err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `INSERT INTO places (cycle_id, step, sort, day, minute, seat) VALUES (?, ?, ?, ?, ?, ?)`,
			cycle, h.step, h.sort(), h.On.String(), h.minute(), seat); err != nil {
			return fmt.Errorf("take a place on %s: %w", h.On, err)
		}
	}
	return nil
}

func (b *Book) shiftPlace(ctx context.Context, tx *store.Tx, id int64, h holding) error {
	seat, err := b.freeSeat(ctx, tx, h)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `UPDATE places SET minute = ?, seat = ? WHERE id = ?`, h.minute(), seat, id)
	return err
}

// minute is how the database has a place's minute.
func (h holding) minute() sql.NullInt64 {
	return sql.NullInt64{Int64: int64(h.At), Valid: h.At != noMinute}
}

// freeSeat is the first seat of a minute that nobody has.
func (b *Book) freeSeat(ctx context.Context, tx *store.Tx, h holding) (int, error) {
	var seats []int
	if err := tx.Select(ctx, &seats, `SELECT seat FROM places WHERE sort = ? AND day = ? AND coalesce(minute, -1) = ? ORDER BY seat`, h.sort(), h.On.String(), int(h.At)); err != nil {
		return 0, err
	}
	seat := 1
	for _, s := range seats {
		if s == seat {
			seat++
		}
	}
	return seat, nil
}

// Taken are the places of a sort that are taken on the days from one to another, without
// the one that a cycle has for a step on a day; the zero Own for the places of everybody.
func (b *Book) Taken(ctx context.Context, tx *store.Tx, s room.Sort, from, to civil.Date, but Own) ([]room.Taken, error) {
	return b.taken(ctx, tx, s, ` WHERE sort = ? AND day >= ? AND day <= ? AND NOT (cycle_id = ? AND step = ? AND day = ?)`,
		s, from.String(), to.String(), but.Cycle, but.Step, but.On.String())
}

func (b *Book) taken(ctx context.Context, tx *store.Tx, s room.Sort, where string, args ...any) ([]room.Taken, error) {
	var rows []placeRow
	if err := tx.Select(ctx, &rows, placeColumns+where, args...); err != nil {
		return nil, err
	}
	all := make([]room.Taken, len(rows))
	for i, r := range rows {
		h, err := r.holding()
		if err != nil {
			return nil, err
		}
		all[i] = room.Taken{ID: r.ID, Sort: s, Place: h.Place}
	}
	return all, nil
}

// Others are the places of a sort that other cycles have taken on the days from one to
// another.
func (b *Book) Others(ctx context.Context, tx *store.Tx, s room.Sort, from, to civil.Date, but int64) ([]room.Taken, error) {
	return b.taken(ctx, tx, s, ` WHERE sort = ? AND day >= ? AND day <= ? AND cycle_id <> ?`, s, from.String(), to.String(), but)
}

// Own is a place of a cycle's own.
type Own struct {
	Cycle int64
	Step  plan.StepName
	On    civil.Date
}

// PlacesAmiss compares the places that lie ahead with the facts that they follow from,
// and names what differs by cycle, step and day. A transfer that nobody has booked yet is
// not among them: its day also follows from what others have taken since, and is renewed
// with her plan.
func (b *Book) PlacesAmiss(ctx context.Context, tx *store.Tx) (amiss []string, err error) {
	var rows []placeRow
	if err := tx.Select(ctx, &rows, placeColumns+` WHERE day >= ? ORDER BY cycle_id, step, day`, b.civilDay(tx.Now).String()); err != nil {
		return nil, err
	}
	have := make(map[int64][]holding)
	for _, r := range rows {
		h, err := r.holding()
		if err != nil {
			return nil, err
		}
		if b.ahead(h.Place, tx.Now) && h.At != noMinute {
			have[r.Cycle] = append(have[r.Cycle], h)
		}
	}
	err = b.eachCycle(ctx, tx, func(c Cycle, pl plan.Plan) error {
		for _, h := range b.placesOf(c, pl) {
			if !b.ahead(h.Place, tx.Now) || h.At == noMinute {
				continue
			}
			if i := slices.Index(have[c.ID], h); i >= 0 {
				have[c.ID] = slices.Delete(have[c.ID], i, i+1)
			} else {
				amiss = append(amiss, fmt.Sprintf("cycle %d has no place for its %s of %s", c.ID, h.step, h.On))
			}
		}
		return nil
	})
	for cycle, all := range have {
		for _, h := range all {
			amiss = append(amiss, fmt.Sprintf("cycle %d has a place for a %s of %s that it has not booked", cycle, h.step, h.On))
		}
	}
	slices.Sort(amiss)
	return amiss, err
}

// RebuildPlaces makes the places that lie ahead follow from the facts again. What is right
// keeps its turn.
func (b *Book) RebuildPlaces(ctx context.Context, tx *store.Tx) error {
	var closed []int64
	if err := tx.Select(ctx, &closed, `SELECT DISTINCT p.cycle_id FROM places p JOIN cycles c ON c.id = p.cycle_id WHERE c.closed_at IS NOT NULL ORDER BY p.cycle_id`); err != nil {
		return err
	}
	for _, cycle := range closed {
		if err := b.keepPlaces(ctx, tx, cycle, nil); err != nil {
			return err
		}
	}
	return b.eachCycle(ctx, tx, func(c Cycle, pl plan.Plan) error { return b.keepPlaces(ctx, tx, c.ID, b.placesOf(c, pl)) })
}

// ReadyPlaces fills the places once, in a database from before there were any.
func (b *Book) ReadyPlaces(ctx context.Context, tx *store.Tx) error {
	var some int
	if err := tx.Get(ctx, &some, `SELECT EXISTS (SELECT 1 FROM places)`); err != nil || some == 1 {
		return err
	}
	return b.RebuildPlaces(ctx, tx)
}

// eachCycle goes through the open cycles with their plans. A cycle whose facts make no
// plan is left to whoever mends it.
func (b *Book) eachCycle(ctx context.Context, tx *store.Tx, f func(Cycle, plan.Plan) error) error {
	var patients []int64
	if err := tx.Select(ctx, &patients, `SELECT patient_id FROM cycles WHERE closed_at IS NULL ORDER BY id`); err != nil {
		return err
	}
	for _, p := range patients {
		c, err := b.Cycle(ctx, tx, p)
		if err != nil {
			return err
		}
		pl, err := b.planNow(ctx, tx, c)
		if err != nil {
			continue
		}
		if err := f(c, pl); err != nil {
			return err
		}
	}
	return nil
}

// Booking is a place with the visit that has it.
type Booking struct {
	Cycle int64
	Step  plan.StepName
	room.Taken
}

// Bookings are the places that are taken on the days from one to another.
func (b *Book) Bookings(ctx context.Context, tx *store.Tx, from, to civil.Date) ([]Booking, error) {
	var rows []placeRow
	if err := tx.Select(ctx, &rows, placeColumns+` WHERE day >= ? AND day <= ? ORDER BY id`, from.String(), to.String()); err != nil {
		return nil, err
	}
	all := make([]Booking, len(rows))
	for i, r := range rows {
		h, err := r.holding()
		if err != nil {
			return nil, err
		}
		all[i] = Booking{Cycle: r.Cycle, Step: r.Step, Taken: room.Taken{ID: r.ID, Sort: h.sort(), Place: h.Place}}
	}
	return all, nil
}

// RepeatGap is how many days after the first test of a cycle its repeat lies; false where
// the first was drawn, so that the repeat stands by itself, or the protocol knows none.
func (b *Book) RepeatGap(c Cycle) (plan.Window, bool) {
	if _, drawn := c.Live(plan.HCG); drawn {
		return plan.Window{}, false
	}
	protocol := b.Policy.Calendar.Protocol
	if f, chosen := c.Live(plan.ProtocolChosen); chosen {
		protocol = f.Protocol
	}
	return b.Policy.RepeatAfter(protocol)
}
