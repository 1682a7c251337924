// Package room says whether a day of the clinic still has a place, and which place is
// nearest to the one that is wished for. It knows the slots and limits of a policy,
// the days that are open, and what is taken; it repairs a day that closes by moving
// those whom it hits as little as possible.
//
// It owns no table and asks for no time: what is taken is handed in, and so is the
// first day on which somebody may still be moved. It refuses to move what cannot be
// moved: a transfer, and a visit that stands on its day or on none, go to a physician,
// each by itself.
package room

import (
	"cmp"
	"slices"
	"strconv"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

// Sort is what a visit takes a place of.
type Sort string

// The sorts. Nowhere is for what nobody comes for, as a call.
const (
	Nowhere    Sort = ""
	Monitoring Sort = "monitoring" // baselines and scans
	Blood      Sort = "blood"
	Transfer   Sort = "transfer"
	Other      Sort = "visit" // counted by nothing but the opening days
)

// SortOf is what a visit for a step takes a place of.
func SortOf(step plan.StepName) Sort {
	switch step {
	case plan.Baseline, plan.Monitoring:
		return Monitoring
	case plan.HCGFirst, plan.HCGRepeat, plan.HCGDay4, plan.HCGDay7:
		return Blood
	case plan.Transfer:
		return Transfer
	case plan.OBUltrasound, plan.FollowUp:
		return Other
	}
	return Nowhere
}

// Place is a minute of a day at the clinic, on its wall clock.
type Place struct {
	On civil.Date
	At civil.TimeOfDay
}

// PlaceOf is the place of an instant in the clinic's zone.
func PlaceOf(t time.Time, zone *time.Location) Place {
	t = t.In(zone)
	return Place{civil.DateOf(t), civil.TimeOfDayOf(t)}
}

// Time is the instant of a place.
func (p Place) Time(zone *time.Location) time.Time { return p.On.At(p.At, zone) }

// Compare orders places by time.
func (p Place) Compare(o Place) int { return cmp.Or(p.On.Compare(o.On), cmp.Compare(p.At, o.At)) }

// InOrder sorts places by time.
func InOrder(all []Place) []Place { return slices.SortedFunc(slices.Values(all), Place.Compare) }

// Taken is a place that a visit has.
type Taken struct {
	ID   int64
	Sort Sort
	Place
}

// House is the room of a clinic by one policy. It is for one goroutine.
type House struct {
	pol    plan.Policy
	closed map[dayOf]string
}

type dayOf struct {
	lab bool
	on  civil.Date
}

// Of is the room that a policy gives, with the days that are closed in it.
func Of(p plan.Policy) *House { return &House{pol: p, closed: make(map[dayOf]string)} }

// Closed is "" on a day on which a sort of visit takes place, else what is the matter,
// as a word of the phrasebook.
func (h *House) Closed(s Sort, d civil.Date) string {
	key := dayOf{s == Transfer, d}
	why, known := h.closed[key]
	if !known {
		if why = h.pol.ClosedClinic(d); s == Transfer {
			why = h.pol.ClosedLab(d)
		}
		h.closed[key] = why
	}
	return why
}

// slots is the policy's section for a sort. What is counted by nothing is offered each
// half-hour of the opening hours: common practice, no source.
func (h *House) slots(s Sort) plan.Slots {
	switch s {
	case Monitoring:
		return h.pol.Room.Monitoring
	case Blood:
		return h.pol.Room.Blood
	case Transfer:
		slots := h.pol.Room.Transfer
		slots.PerDay = h.pol.Lab.TransfersPerDay
		return slots
	}
	return plan.Slots{From: h.pol.Opening.From, To: h.pol.Opening.To, Every: 30 * time.Minute}
}

// minutes are those at which a slot begins, within the opening hours.
func (h *House) minutes(s Sort) []civil.TimeOfDay {
	slots := h.slots(s)
	var all []civil.TimeOfDay
	for at := slots.From; at < slots.To; at += stepOf(slots) {
		if at >= h.pol.Opening.From && at < h.pol.Opening.To {
			all = append(all, at)
		}
	}
	return all
}

// Holds is how many visits of a sort an open day takes; 0 where nothing bounds them.
func (h *House) Holds(s Sort) int {
	slots := h.slots(s)
	seats := slots.Rooms * len(h.minutes(s))
	switch {
	case seats == 0:
		return slots.PerDay
	case slots.PerDay == 0:
		return seats
	}
	return min(seats, slots.PerDay)
}

// The reasons of this package; their words stand in the phrasebook under "why.".
const (
	CodeClosed     = "room_closed"      // nobody is seen on that day
	CodeDayFull    = "room_day_full"    // the day has taken as many as it takes
	CodeMinuteFull = "room_minute_full" // every room is taken at that minute
	CodeOutside    = "room_outside"     // the minute lies outside of the slots
	CodeFits       = "room_fits"
	CodeMoved      = "room_moved"
	CodeNone       = "room_none"
	CodeRepaired   = "room_repaired"
	CodeFollows    = "room_follows"
	CodeStuck      = "room_stuck"
	CodeTransfer   = "room_stuck_transfer"
	CodeNear       = "room_near" // what is free near a place that is not
)

// Codes are all of them.
func Codes() []string {
	return []string{CodeClosed, CodeDayFull, CodeMinuteFull, CodeOutside, CodeFits, CodeMoved, CodeNone, CodeRepaired, CodeFollows, CodeStuck, CodeTransfer, CodeNear}
}

func because(code string, args ...string) plan.Reason {
	r := plan.Reason{Code: code, Args: make(map[string]string, len(args)/2)}
	for i := 0; i+1 < len(args); i += 2 {
		r.Args[args[i]] = args[i+1]
	}
	return r
}

// Against says why a place cannot be had beside what is taken, without the visit that
// it would be for; false when it can.
func (h *House) Against(s Sort, p Place, taken []Taken) (plan.Reason, bool) {
	if s == Nowhere {
		return plan.Reason{}, false
	}
	if why := h.Closed(s, p.On); why != "" {
		return because(CodeClosed, "on", p.On.String(), "weekday", p.On.Weekday().String(), "closed", why), true
	}
	return h.Full(s, p, taken)
}

// Full is Against for who comes on a closed day all the same.
func (h *House) Full(s Sort, p Place, taken []Taken) (plan.Reason, bool) {
	slots := h.slots(s)
	if n := onDay(s, p.On, taken); slots.PerDay > 0 && n >= slots.PerDay {
		return because(CodeDayFull, "on", p.On.String(), "weekday", p.On.Weekday().String(), "taken", strconv.Itoa(n), "limit", strconv.Itoa(slots.PerDay)), true
	}
	if slots.Rooms > 0 && peak(s, p, stepOf(slots), taken) >= slots.Rooms {
		return because(CodeMinuteFull, "on", p.On.String(), "at", p.At.String(), "rooms", strconv.Itoa(slots.Rooms)), true
	}
	return plan.Reason{}, false
}

// Outside says that a minute lies outside of the slots of its sort; false when it does
// not. It is unusual, and takes no place from anybody.
func (h *House) Outside(s Sort, p Place) (plan.Reason, bool) {
	slots := h.slots(s)
	if s == Nowhere || s == Other || p.At >= slots.From && p.At < slots.To {
		return plan.Reason{}, false
	}
	return because(CodeOutside, "at", p.At.String(), "from", slots.From.String(), "to", slots.To.String()), true
}

func onDay(s Sort, d civil.Date, taken []Taken) (n int) {
	for _, t := range taken {
		if t.Sort == s && t.On == d {
			n++
		}
	}
	return n
}

func stepOf(s plan.Slots) civil.TimeOfDay {
	return civil.TimeOfDay(max(time.Minute, s.Every) / time.Minute)
}

// peak is how many rooms are in use at once at some minute of a visit that begins at p,
// each visit lasting one step of the slots.
func peak(s Sort, p Place, step civil.TimeOfDay, taken []Taken) (most int) {
	var beside []civil.TimeOfDay
	for _, t := range taken {
		if t.Sort == s && t.On == p.On && t.At > p.At-step && t.At < p.At+step {
			beside = append(beside, t.At)
		}
	}
	for _, from := range append(slices.Clone(beside), p.At) {
		from = max(from, p.At)
		n := 0
		for _, at := range beside {
			if at <= from && from < at+step {
				n++
			}
		}
		most = max(most, n)
	}
	return most
}

// Wish is what is looked for: a place for a visit of a sort, on a day from From to To,
// as near as can be to Preferred.
type Wish struct {
	Sort                Sort
	From, Preferred, To civil.Date
	// At is the minute that she would like, negative for none.
	At civil.TimeOfDay
	// After: only places later than it count; the zero Place for any.
	After Place
}

// AnyMinute is a Wish's At where no minute is wished for.
const AnyMinute civil.TimeOfDay = -1

// Free are the places that a wish can have, the nearest first: by days from the
// preferred one, the earlier on a tie, then by minutes from the one that she would like,
// the earlier on a tie.
func (h *House) Free(w Wish, taken []Taken) []Place {
	var free []Place
	for _, d := range w.days() {
		if h.Closed(w.Sort, d) != "" {
			continue
		}
		for _, at := range h.minutesFor(w) {
			p := Place{d, at}
			if _, against := h.Against(w.Sort, p, taken); !against && p.Compare(w.After) > 0 {
				free = append(free, p)
			}
		}
	}
	return free
}

// days are those of a wish, the nearest to the preferred first.
func (w Wish) days() []civil.Date {
	var all []civil.Date
	for d := w.From; !d.After(w.To); d = d.AddDays(1) {
		all = append(all, d)
	}
	slices.SortStableFunc(all, func(a, b civil.Date) int {
		return cmp.Compare(apart(a, w.Preferred), apart(b, w.Preferred))
	})
	return all
}

func apart(a, b civil.Date) int { return max(a.DaysSince(b), b.DaysSince(a)) }

// minutesFor are the minutes of a wish's sort, the nearest to its own first. Where only
// the day is counted, her own minute is one of them.
func (h *House) minutesFor(w Wish) []civil.TimeOfDay {
	all := h.minutes(w.Sort)
	if w.At < 0 {
		return all
	}
	if slots := h.slots(w.Sort); slots.Rooms == 0 && w.At >= h.pol.Opening.From && w.At < h.pol.Opening.To && !slices.Contains(all, w.At) {
		all = append(all, w.At)
		slices.Sort(all)
	}
	slices.SortStableFunc(all, func(a, b civil.TimeOfDay) int { return cmp.Compare(max(a-w.At, w.At-a), max(b-w.At, w.At-b)) })
	return all
}

// Find is the nearest place that a wish can have, with the reason why it is that one;
// false, with the reason, when there is none.
func (h *House) Find(w Wish, taken []Taken) (Place, plan.Reason, bool) {
	free := h.Free(w, taken)
	if len(free) == 0 {
		return Place{}, because(CodeNone, "from", w.From.String(), "to", w.To.String()), false
	}
	p := free[0]
	if p.On == w.Preferred {
		return p, because(CodeFits, "on", p.On.String(), "at", p.At.String()), true
	}
	return p, because(CodeMoved, "on", p.On.String(), "at", p.At.String(), "wanted", w.Preferred.String(), "weekday", w.Preferred.Weekday().String(),
		"closed", h.whyNot(w)), true
}

// whyNot is what is the matter with a wish's preferred day, as a word of the phrasebook.
func (h *House) whyNot(w Wish) string {
	switch why := h.Closed(w.Sort, w.Preferred); {
	case why != "":
		return why
	case w.Preferred.Before(w.After.On) || w.Preferred == w.After.On:
		return "too soon"
	case w.Preferred.Before(w.From) || w.Preferred.After(w.To):
		return "outside of the window"
	}
	return "no place left"
}
