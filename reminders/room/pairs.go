package room

import (
	"cmp"
	"slices"
	"strconv"

	"handrail.example/reminders/civil"
)

// option is one way to place a unit: its day, the day of its repeat, and how far that
// is from where it was.
type option struct {
	on, repeat civil.Date // repeat is zero for a visit without one
	days       int
	off        int  // how far the two are from the distance that suits best, in days
	stays      bool // the repeat keeps the place that it has
}

// takes are the days on which an option takes a place anew.
func (o option) takes() []civil.Date {
	if o.repeat.IsZero() || o.stays {
		return []civil.Date{o.on}
	}
	return []civil.Date{o.on, o.repeat}
}

// options are the ways to place a unit, the nearest first.
func (h *House) options(u unit, notBefore civil.Date) []option {
	var all []option
	for _, d := range h.within(u.visit, notBefore) {
		if u.repeat == nil {
			all = append(all, option{on: d, days: apart(d, u.visit.On)})
			continue
		}
		gap := u.repeat.Gap
		for n := gap.From; n <= gap.To; n++ {
			again := d.AddDays(n)
			if h.Closed(Blood, again) == "" && !again.Before(notBefore) {
				off := apart(again, d.AddDays(gap.Preferred))
				all = append(all, option{d, again, apart(d, u.visit.On) + off, off, again == u.repeat.On})
			}
		}
	}
	// Of two that are equally far, the one that keeps the pair at its distance.
	slices.SortStableFunc(all, func(a, b option) int { return cmp.Or(cmp.Compare(a.days, b.days), cmp.Compare(a.off, b.off)) })
	return all
}

// hunt is the search for the best way to place all units of blood.
type hunt struct {
	options [][]option
	left    map[civil.Date]int // places of a day; a day that is not in it has as many as are wanted
	now     []int              // option of each unit so far, -1 for none
	best    []int
	least   int
	steps   int
}

// tooLong bounds a search: where blood is so scarce that it is reached, the best way
// that was found by then is proposed, and a person looks at it anyway.
const tooLong = 200_000

// search places first and repeat hCG, each with the other where both are to come, and
// the other draws.
func (h *House) search(r *Repair, all []unit, stays []Taken, notBefore civil.Date) {
	if len(all) == 0 {
		return
	}
	s := hunt{left: make(map[civil.Date]int), least: far}
	for _, u := range all {
		options := h.options(u, notBefore)
		for _, o := range options {
			for _, d := range o.takes() {
				h.open(s.left, d, stays)
			}
		}
		s.options = append(s.options, options)
	}
	s.now = slices.Repeat([]int{-1}, len(all))
	s.best = slices.Clone(s.now)
	s.place(0, 0)
	for i, u := range all {
		h.moveUnit(r, u, s.options[i], s.best[i])
	}
}

// open notes how many places a day has.
func (h *House) open(left map[civil.Date]int, d civil.Date, stays []Taken) {
	limit := h.slots(Blood).PerDay
	if _, known := left[d]; !known && limit > 0 {
		left[d] = max(0, limit-onDay(Blood, d, stays))
	}
}

func (s *hunt) fits(o option) bool {
	for _, d := range o.takes() {
		if n, counted := s.left[d]; counted && n < 1 {
			return false
		}
	}
	return true
}

func (s *hunt) take(o option, n int) {
	for _, d := range o.takes() {
		if _, counted := s.left[d]; counted {
			s.left[d] -= n
		}
	}
}

// place puts the units from the ith on; cost is what those before it came to.
func (s *hunt) place(i, cost int) {
	if s.steps++; s.steps > tooLong && s.least < far || cost+s.bound(i) >= s.least {
		return
	}
	if i == len(s.options) {
		s.least = cost
		copy(s.best, s.now)
		return
	}
	for k, o := range s.options[i] {
		if s.fits(o) {
			s.take(o, 1)
			s.now[i] = k
			s.place(i+1, cost+o.days)
			s.take(o, -1)
		}
	}
	s.now[i] = -1
	s.place(i+1, cost+without)
}

// bound is the least that the units from the ith on can come to: what each would have if
// it were alone with what is left.
func (s *hunt) bound(i int) (least int) {
	for _, options := range s.options[i:] {
		k := slices.IndexFunc(options, s.fits)
		if k < 0 {
			least += without
		} else {
			least += options[k].days
		}
	}
	return least
}

func (h *House) moveUnit(r *Repair, u unit, options []option, chosen int) {
	if chosen < 0 {
		h.move(r, u.visit, Place{}, false)
		if u.repeat != nil && h.Closed(Blood, u.repeat.On) != "" {
			h.move(r, *u.repeat, Place{}, false)
		}
		return
	}
	o := options[chosen]
	h.move(r, u.visit, Place{o.on, u.visit.At}, true)
	if u.repeat == nil {
		return
	}
	r.minutes += 24 * 60 * apart(o.repeat, o.on.AddDays(u.repeat.Gap.Preferred))
	if o.stays {
		return
	}
	r.Moves = append(r.Moves, Move{*u.repeat, Place{o.repeat, u.repeat.At}, because(CodeFollows, "was", u.repeat.On.String(), "on", o.repeat.String(),
		"hours", strconv.Itoa(24*o.repeat.DaysSince(o.on)))})
}
