package care

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/room"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// Closing is what somebody closes: the clinic or its laboratory, on the days from one to
// another, and why.
type Closing struct {
	From, To civil.Date
	Part     plan.ClosedPart
	Why      string
}

// longestClosing bounds the days of one closing, longestWhy its reason: common practice,
// no source.
const longestClosing, longestWhy = 14, 200

// Closure is what a closing does, or has done.
type Closure struct {
	Closing
	// Days are those that it closes: not those on which nobody would have come anyway.
	Days []civil.Date
	// Moves are the patients who are moved, and where to.
	Moves []Hit
	// Physician are those whose visit cannot be moved, Left those for whom no place is
	// left. Each of both becomes a case of its own.
	Physician, Left []Held
	// Planned are those of whom nothing is booked on these days and something was planned:
	// their calendars shift by themselves.
	Planned []reminders.Patient
	// Digest stands for all of it: only what was seen is carried out.
	Digest string

	books map[int64]hitCycle
}

// Hit is a patient who is moved.
type Hit struct {
	Patient reminders.Patient
	Move    room.Move
}

// Held is a patient who cannot simply be moved.
type Held struct {
	Patient reminders.Patient
	Stuck   room.Stuck
}

type hitCycle struct {
	patient reminders.Patient
	cycle   reminders.Cycle
	plan    plan.Plan
}

// PreviewClosing lists whom a closing would hit, and how its days would be repaired. It
// changes nothing. The caller puts the look on record.
func (c *Care) PreviewClosing(ctx context.Context, tx *store.Tx, actor triage.Staff, k Closing) (Closure, error) {
	if err := actor.May(triage.CloseDay); err != nil {
		return Closure{}, err
	}
	k.Why = strings.TrimSpace(k.Why)
	if err := c.soundClosing(tx, k); err != nil {
		return Closure{}, err
	}
	out := Closure{Closing: k, books: make(map[int64]hitCycle)}
	now, err := c.Book.PolicyNow(ctx, tx)
	if err != nil {
		return out, err
	}
	for d := k.From; !d.After(k.To); d = d.AddDays(1) {
		if k.Part == plan.WholeClinic && now.ClosedClinic(d) == "" || k.Part == plan.LabOnly && !labShut(now, d) {
			out.Days = append(out.Days, d)
		}
	}
	if len(out.Days) == 0 {
		return out, triage.Refuse("closed_already", phrase.Args{"from": k.From.String(), "to": k.To.String()})
	}
	if err := c.findHit(ctx, tx, actor, &out); err != nil {
		return out, err
	}
	err = c.repair(ctx, tx, now.WithClosed(out.closed()), &out)
	out.Digest = out.digest()
	return out, err
}

// labShut reports whether the laboratory does not work on a day, full or not.
func labShut(p plan.Policy, d civil.Date) bool {
	p.Lab.Full = nil
	return p.ClosedLab(d) != ""
}

func (c *Care) soundClosing(tx *store.Tx, k Closing) error {
	switch today := c.today(tx); {
	case k.Part != plan.WholeClinic && k.Part != plan.LabOnly:
		return triage.Refuse("closing_part", nil)
	case k.From.IsZero() || k.From.Before(today) || k.To.Before(k.From) || k.To.DaysSince(k.From) >= longestClosing || k.To.After(today.AddDays(366)):
		return triage.Refuse("closing_days", phrase.Args{"most": fmt.Sprint(longestClosing)})
	case k.Why == "" || len(k.Why) > longestWhy:
		return triage.Refuse("closing_why", nil)
	}
	return nil
}

func (k Closure) closed() (days []plan.ClosedDay) {
	for _, d := range k.Days {
		days = append(days, plan.ClosedDay{On: d, Part: k.Part})
	}
	return days
}

// hits reports whether a step takes place on a day that closes.
func (k Closure) hits(s plan.Step) bool {
	sort := room.SortOf(s.Name)
	return sort != room.Nowhere && (k.Part == plan.WholeClinic || sort == room.Transfer) && s.Status != plan.Done && s.Status != plan.Dropped && slices.Contains(k.Days, s.On)
}

// findHit walks through the open cycles and keeps those that a closing hits.
func (c *Care) findHit(ctx context.Context, tx *store.Tx, actor triage.Staff, k *Closure) error {
	return c.each(ctx, tx, actor, func(p reminders.Patient, cycle reminders.Cycle, pl plan.Plan) error {
		hit, booked := false, false
		for _, s := range pl.Steps {
			if k.hits(s) {
				hit, booked = true, booked || s.Booked || s.Name == plan.Transfer && s.Settled()
			}
		}
		if hit {
			k.books[cycle.ID] = hitCycle{p, cycle, pl}
		}
		if hit && !booked {
			k.Planned = append(k.Planned, p)
		}
		return nil
	})
}

// reach is how many days around a closing its repair looks at what is booked: more than
// any window is long. Common practice, no source.
const reach = 35

// repair finds new places for whom a closing hits.
func (c *Care) repair(ctx context.Context, tx *store.Tx, pol plan.Policy, k *Closure) error {
	booked, err := c.Book.Bookings(ctx, tx, k.From.AddDays(-reach), k.To.AddDays(reach))
	if err != nil {
		return err
	}
	var visits []room.Visit
	var taken []room.Taken
	for _, b := range booked {
		taken = append(taken, b.Taken)
		if h, hit := k.books[b.Cycle]; hit {
			if v, found := c.visitOf(h, b); found {
				visits = append(visits, v)
			}
		}
	}
	for i, v := range visits {
		visits[i].First = firstOf(v, visits)
		if visits[i].First != 0 {
			visits[i].Gap, _ = c.Book.RepeatGap(k.books[v.Cycle].cycle)
		}
	}
	hit := func(v room.Visit) bool { return k.hits(plan.Step{Name: v.Step, On: v.On}) }
	r := room.Of(pol).Repair(visits, taken, hit, c.today(tx).AddDays(1))
	for _, m := range r.Moves {
		k.Moves = append(k.Moves, Hit{k.books[m.Visit.Cycle].patient, m})
	}
	for _, s := range r.Physician {
		k.Physician = append(k.Physician, Held{k.books[s.Visit.Cycle].patient, s})
	}
	for _, s := range r.Left {
		k.Left = append(k.Left, Held{k.books[s.Visit.Cycle].patient, s})
	}
	return nil
}

// visitOf is a booking with its window, as her plan has it. A scan without a window of
// its own was asked for that very day.
func (c *Care) visitOf(h hitCycle, b reminders.Booking) (room.Visit, bool) {
	zone := c.Book.Policy.Location()
	for _, s := range h.plan.StepsOf(b.Step) {
		if s.On != b.On || !s.At.IsZero() && b.At >= 0 && room.PlaceOf(s.At, zone) != b.Place {
			continue
		}
		v := room.Visit{ID: b.ID, Cycle: b.Cycle, Step: b.Step, Place: b.Place, From: s.From, To: s.To, Exact: s.From == s.To}
		if _, pairs := c.Book.RepeatGap(h.cycle); pairs && b.Step == plan.HCGRepeat {
			v.First = -1
		}
		return v, true
	}
	return room.Visit{}, false
}

// firstOf is the first test that a repeat goes with; 0 for none.
func firstOf(v room.Visit, visits []room.Visit) int64 {
	if v.First == 0 {
		return 0
	}
	i := slices.IndexFunc(visits, func(o room.Visit) bool { return o.Cycle == v.Cycle && o.Step == plan.HCGFirst })
	if i < 0 {
		return 0
	}
	return visits[i].ID
}

// digest stands for whom a closing hits and what becomes of them.
func (k Closure) digest() string {
	h := sha256.New()
	fmt.Fprintln(h, k.From, k.To, k.Part, k.Why, k.Days)
	for _, m := range k.Moves {
		fmt.Fprintln(h, m.Move.Visit.Cycle, m.Move.Visit.Step, m.Move.Visit.Place, m.Move.To)
	}
	for _, s := range slices.Concat(k.Physician, k.Left) {
		fmt.Fprintln(h, s.Stuck.Visit.Cycle, s.Stuck.Visit.Step, s.Stuck.Visit.Place, s.Stuck.Why.Code)
	}
	planned := slices.SortedFunc(slices.Values(k.Planned), func(a, b reminders.Patient) int { return cmp.Compare(a.ID, b.ID) })
	for _, p := range planned {
		fmt.Fprintln(h, p.ID)
	}
	return hex.EncodeToString(h.Sum(nil)[:12])
}
