package room

import (
	"cmp"
	"slices"
	"strconv"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

// Visit is a booked visit as a repair sees it.
type Visit struct {
	ID, Cycle int64
	Step      plan.StepName
	Place
	// From and To are the earliest and the latest day that its step has.
	From, To civil.Date
	// Exact: it stands on its day or on none.
	Exact bool
	// First is the ID of the first hCG that this visit repeats, and Gap how many days
	// after it the repeat may lie; 0 for any other visit, and once the first was drawn.
	First int64
	Gap   plan.Window
}

// Move is a visit with the place that it is moved to.
type Move struct {
	Visit Visit
	To    Place
	Why   plan.Reason
}

// Stuck is a visit for which there is no place.
type Stuck struct {
	Visit Visit
	Why   plan.Reason
}

// Repair is what becomes of the visits of days that close.
type Repair struct {
	// Moves are by the old place, then by ID.
	Moves []Move
	// Physician are those that cannot be moved at all, Left those for which the window
	// has no place any more. Each of both is for a person by itself.
	Physician, Left []Stuck

	minutes int
}

// Days is how far all moves go together, in days. A repeat that goes with its first
// counts by how far it then lies from where it would best be after it.
func (r Repair) Days() int { return r.minutes / (24 * 60) }

// distance is how far two places lie apart: a day counts as its 1,440 minutes.
func distance(a, b Place) int {
	return 24*60*apart(a.On, b.On) + int(max(a.At-b.At, b.At-a.At))
}

// Repair moves the visits that hit names, all of which stand on a day that the house has
// closed, as little as possible: first as many as can be, then with the smallest sum of
// distances. Nobody else is moved but the repeat of an hCG that is moved, which follows
// it. taken is everything that is booked; nothing is moved to a day before notBefore.
//
// Baselines and scans are assigned by the flow of least cost from visits through minutes
// to days, which is exact. Pairs of hCG take places on two days at once, for which no
// flow exists: they are searched through, with the sum of what each would like best as
// bound. Where days have room for blood, that search ends at its first leaf.
func (h *House) Repair(visits []Visit, taken []Taken, hit func(Visit) bool, notBefore civil.Date) Repair {
	var r Repair
	var single, pairs []unit
	stays := slices.Clone(taken)
	for _, u := range units(visits, hit) {
		switch {
		case SortOf(u.visit.Step) == Transfer:
			r.Physician = append(r.Physician, Stuck{u.visit, h.stuck(CodeTransfer, u.visit)})
			continue
		case u.visit.Exact:
			r.Physician = append(r.Physician, Stuck{u.visit, h.stuck(CodeStuck, u.visit)})
			continue
		case SortOf(u.visit.Step) == Blood:
			pairs = append(pairs, u)
		default:
			single = append(single, u)
		}
		// The place of a repeat that moves is not given away in the same repair, so that
		// moves can be carried out in any order.
		stays = slices.DeleteFunc(stays, func(t Taken) bool { return t.ID == u.visit.ID })
	}
	h.assign(&r, single, stays, notBefore)
	h.search(&r, pairs, stays, notBefore)
	slices.SortFunc(r.Moves, func(a, b Move) int {
		return cmp.Or(a.Visit.Place.Compare(b.Visit.Place), cmp.Compare(a.Visit.ID, b.Visit.ID))
	})
	return r
}

func (h *House) stuck(code string, v Visit) plan.Reason {
	return because(code, "on", v.On.String(), "weekday", v.On.Weekday().String(), "closed", h.Closed(SortOf(v.Step), v.On), "from", v.From.String(), "to", v.To.String())
}

// unit is what moves together: a visit, and the repeat that follows it.
type unit struct {
	visit  Visit
	repeat *Visit
}

// units are those that a closed day hits, in a fixed order.
func units(visits []Visit, hit func(Visit) bool) []unit {
	visits = slices.SortedFunc(slices.Values(visits), func(a, b Visit) int { return cmp.Or(a.Place.Compare(b.Place), cmp.Compare(a.ID, b.ID)) })
	repeats := make(map[int64]*Visit)
	for i, v := range visits {
		if v.First != 0 {
			repeats[v.First] = &visits[i]
		}
	}
	var all []unit
	goes := make(map[int64]bool)
	for _, v := range visits {
		if !hit(v) || v.First != 0 {
			continue
		}
		u := unit{visit: v}
		if SortOf(v.Step) == Blood && !v.Exact {
			u.repeat = repeats[v.ID]
		}
		goes[v.ID] = u.repeat != nil
		all = append(all, u)
	}
	for _, v := range visits {
		if hit(v) && v.First != 0 && !goes[v.First] {
			all = append(all, unit{visit: v})
		}
	}
	return all
}

// within are the days on which a visit may lie.
func (h *House) within(v Visit, notBefore civil.Date) (days []civil.Date) {
	from := v.From
	if from.Before(notBefore) {
		from = notBefore
	}
	for d := from; !d.After(v.To); d = d.AddDays(1) {
		if h.Closed(SortOf(v.Step), d) == "" {
			days = append(days, d)
		}
	}
	return days
}

// move is a visit's move, or that it is left without a place.
func (h *House) move(r *Repair, v Visit, to Place, found bool) {
	if !found {
		r.Left = append(r.Left, Stuck{v, because(CodeNone, "from", v.From.String(), "to", v.To.String())})
		return
	}
	why := because(CodeRepaired, "was", v.On.String(), "weekday", v.On.Weekday().String(), "closed", h.Closed(SortOf(v.Step), v.On), "on", to.On.String(),
		"days", strconv.Itoa(to.On.DaysSince(v.On)))
	r.Moves = append(r.Moves, Move{v, to, why})
	r.minutes += distance(v.Place, to)
}

// assign gives baselines, scans and other visits their places.
func (h *House) assign(r *Repair, all []unit, stays []Taken, notBefore civil.Date) {
	var counted []Visit
	for _, u := range all {
		v := u.visit
		if SortOf(v.Step) == Monitoring {
			counted = append(counted, v)
			continue
		}
		w := Wish{Sort: SortOf(v.Step), From: v.From, Preferred: v.On, To: v.To, At: v.At, After: Place{notBefore.AddDays(-1), 24 * 60}}
		to, _, found := h.Find(w, stays)
		h.move(r, v, to, found)
	}
	for i, to := range h.flow(counted, stays, notBefore) {
		h.move(r, counted[i], to, to != Place{})
	}
}
