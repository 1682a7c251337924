package room

import (
	"maps"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

// storm closes a Tuesday.
func storm(p plan.Policy) plan.Policy {
	return p.WithClosed([]plan.ClosedDay{{On: tuesday, Part: plan.WholeClinic}})
}

func onTuesday(v Visit) bool { return v.On == tuesday }

func asTaken(visits []Visit) (all []Taken) {
	for _, v := range visits {
		all = append(all, Taken{v.ID, SortOf(v.Step), v.Place})
	}
	return all
}

func scan(id int64, minute string, from, to int) Visit {
	return Visit{ID: id, Cycle: id, Step: plan.Monitoring, Place: Place{tuesday, at(minute)}, From: tuesday.AddDays(from), To: tuesday.AddDays(to)}
}

// A repair that can be checked by eye: two scans share the one minute that is left on
// Monday and the next best on Wednesday, a transfer and a scan without a window go to
// the physician, the pair of hCG goes on together.
func TestRepairOfAStorm(t *testing.T) {
	t.Parallel()
	monday, wednesday := tuesday.AddDays(-1), tuesday.AddDays(1)
	first := Visit{ID: 5, Cycle: 5, Step: plan.HCGFirst, Place: Place{tuesday, at("07:30")}, From: tuesday, To: tuesday.AddDays(5)}
	repeat := Visit{ID: 6, Cycle: 5, Step: plan.HCGRepeat, Place: Place{tuesday.AddDays(2), at("07:30")}, From: tuesday.AddDays(2), To: tuesday.AddDays(4),
		First: 5, Gap: plan.Window{From: 2, Preferred: 2, To: 4}}
	visits := []Visit{scan(1, "07:40", -1, 1), scan(2, "07:40", -1, 1), scan(3, "08:00", 0, 0),
		{ID: 4, Cycle: 4, Step: plan.Transfer, Place: Place{tuesday, at("11:00")}, From: tuesday, To: tuesday}, first, repeat,
		{ID: 7, Cycle: 7, Step: plan.Monitoring, Place: Place{wednesday, at("07:10")}, From: monday, To: wednesday}}
	visits[2].Exact = true
	taken := asTaken(visits)
	for _, x := range everyPlace(monday, 2) {
		if x.Place != (Place{monday, at("07:40")}) || x.ID%10 == 1 {
			taken = append(taken, x)
		}
	}
	r := Of(storm(plan.DefaultPolicy())).Repair(visits, taken, onTuesday, monday)
	want := map[int64]Place{1: {monday, at("07:40")}, 2: {wednesday, at("07:40")}, 5: {wednesday, at("07:30")}, 6: {tuesday.AddDays(3), at("07:30")}}
	got := make(map[int64]Place)
	for _, m := range r.Moves {
		got[m.Visit.ID] = m.To
	}
	if one, two := got[1], got[2]; one.Compare(two) > 0 {
		got[1], got[2] = two, one // which of the two does not matter
	}
	if !maps.Equal(got, want) {
		t.Errorf("moves: got %v, want %v", got, want)
	}
	var stuck []int64
	for _, s := range r.Physician {
		stuck = append(stuck, s.Visit.ID)
	}
	if slices.Sort(stuck); !slices.Equal(stuck, []int64{3, 4}) || len(r.Left) != 0 {
		t.Errorf("to the physician: got %v and %v left", stuck, r.Left)
	}
	if r.Days() != 3 {
		t.Errorf("got %d days in all, want 3: one for each of the scans and the pair", r.Days())
	}
}

func TestWhatHasNoPlaceIsLeftToAPerson(t *testing.T) {
	t.Parallel()
	r := Of(storm(plan.DefaultPolicy())).Repair([]Visit{scan(1, "07:40", -1, 0)}, nil, onTuesday, tuesday)
	if len(r.Moves) != 0 || len(r.Left) != 1 || r.Left[0].Why.Code != CodeNone {
		t.Errorf("got %+v: Monday is over", r)
	}
}

// TestTheRepairOfScansIsMinimal compares the flow with every possible assignment, for up
// to five scans that share up to nine days of a clinic with little room.
func TestTheRepairOfScansIsMinimal(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := storm(tight(t))
		var visits []Visit
		for i := range rapid.IntRange(1, 5).Draw(t, "scans") {
			v := scan(int64(i+1), "07:00", -rapid.IntRange(0, 2).Draw(t, "before"), rapid.IntRange(0, 2).Draw(t, "after"))
			v.At += civil.TimeOfDay(10 * rapid.IntRange(0, 2).Draw(t, "slot"))
			visits = append(visits, v)
		}
		others := someTaken(t, Monitoring, tuesday, 5)
		h := Of(p)
		got := h.Repair(visits, slices.Concat(asTaken(visits), others), onTuesday, tuesday.AddDays(-1))
		checkRepair(t, h, visits, others, got)
		left, cost := everyScan(h, visits, slices.DeleteFunc(slices.Clone(others), func(x Taken) bool { return x.On == tuesday }))
		if len(got.Left) != left || got.minutes != cost {
			t.Fatalf("got %d left and %d minutes, the best is %d left and %d", len(got.Left), got.minutes, left, cost)
		}
	})
}

// everyScan tries every assignment: how many are left without a place, and how far the
// others go.
func everyScan(h *House, visits []Visit, taken []Taken) (left, cost int) {
	if len(visits) == 0 {
		return 0, 0
	}
	v := visits[0]
	left, cost = everyScan(h, visits[1:], taken)
	left++
	for d := v.From; !d.After(v.To); d = d.AddDays(1) {
		for _, m := range h.minutes(Monitoring) {
			p := Place{d, m}
			if _, against := h.Against(Monitoring, p, taken); against || d.Before(tuesday.AddDays(-1)) {
				continue
			}
			l, c := everyScan(h, visits[1:], append(slices.Clone(taken), Taken{v.ID, Monitoring, p}))
			if c += distance(v.Place, p); l < left || l == left && c < cost {
				left, cost = l, c
			}
		}
	}
	return left, cost
}

// checkRepair: only whom the day hits is moved, to a place in her window that is open and
// has room for all of them; a repeat only with its first, and the two at a distance that
// its window allows.
func checkRepair(t *rapid.T, h *House, visits []Visit, others []Taken, r Repair) {
	now := make(map[int64]Place)
	was := make(map[int64]Visit)
	for _, v := range visits {
		now[v.ID], was[v.ID] = v.Place, v
	}
	moved := make(map[int64]bool)
	for _, m := range r.Moves {
		now[m.Visit.ID], moved[m.Visit.ID] = m.To, true
	}
	for _, m := range r.Moves {
		v := m.Visit
		if follows := v.First != 0 && moved[v.First]; v.On != tuesday && !follows {
			t.Fatalf("%d stood on %s and was moved", v.ID, v.On)
		}
		if v.First == 0 && (m.To.On.Before(v.From) || m.To.On.After(v.To)) {
			t.Fatalf("%d was moved to %s, outside of %s to %s", v.ID, m.To.On, v.From, v.To)
		}
		taken := slices.Clone(others)
		for id, p := range now {
			if id != v.ID && p.On != tuesday {
				taken = append(taken, Taken{id, SortOf(was[id].Step), p})
			}
		}
		if why, against := h.Against(SortOf(v.Step), m.To, taken); against {
			t.Fatalf("%d was moved to %v: %v", v.ID, m.To, why)
		}
	}
	for _, v := range visits {
		if first, pair := now[v.First]; pair && (moved[v.First] || moved[v.ID]) {
			if n := now[v.ID].On.DaysSince(first.On); n < v.Gap.From || n > v.Gap.To {
				t.Fatalf("the pair %d and %d lies %d days apart", v.First, v.ID, n)
			}
		}
	}
}

// TestTheRepairOfPairsIsMinimal does the same for pairs of hCG with little room for
// blood.
func TestTheRepairOfPairsIsMinimal(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := storm(tight(t))
		var visits []Visit
		for i := range rapid.IntRange(1, 4).Draw(t, "pairs") {
			visits = append(visits, somePair(t, int64(10*(i+1)))...)
		}
		others := someTaken(t, Blood, tuesday.AddDays(2), 3)
		h := Of(p)
		got := h.Repair(visits, slices.Concat(asTaken(visits), others), onTuesday, tuesday.AddDays(-1))
		checkRepair(t, h, visits, others, got)
		all := units(visits, onTuesday)
		stays := slices.DeleteFunc(slices.Concat(asTaken(visits), others), func(x Taken) bool {
			return slices.ContainsFunc(all, func(u unit) bool { return u.visit.ID == x.ID })
		})
		left, cost := everyPair(h, all, stays)
		if n := unplaced(all, got); n != left || got.minutes != cost*24*60 {
			t.Fatalf("got %d left and %d minutes, the best is %d left and %d days", n, got.minutes, left, cost)
		}
	})
}

// somePair is a first and a repeat, of which the first, the repeat or neither stands on
// the day of the storm.
func somePair(t *rapid.T, id int64) []Visit {
	on := tuesday.AddDays(rapid.SampledFrom([]int{0, 0, -2, 1}).Draw(t, "first"))
	gap := plan.Window{From: 2, Preferred: 2, To: 4}
	first := Visit{ID: id, Cycle: id, Step: plan.HCGFirst, Place: Place{on, at("07:30")}, From: on.AddDays(-rapid.IntRange(0, 2).Draw(t, "before")), To: on.AddDays(rapid.IntRange(0, 2).Draw(t, "after"))}
	repeat := Visit{ID: id + 1, Cycle: id, Step: plan.HCGRepeat, Place: Place{on.AddDays(2), at("07:30")}, From: on.AddDays(2), To: on.AddDays(4), First: id, Gap: gap}
	return []Visit{first, repeat}
}

func unplaced(all []unit, r Repair) (n int) {
	for _, u := range all {
		if slices.ContainsFunc(r.Left, func(s Stuck) bool { return s.Visit.ID == u.visit.ID }) {
			n++
		}
	}
	return n
}

// everyPair tries every way to place units of blood.
func everyPair(h *House, all []unit, taken []Taken) (left, cost int) {
	if len(all) == 0 {
		return 0, 0
	}
	u := all[0]
	left, cost = everyPair(h, all[1:], taken)
	left++
	for d := u.visit.From; !d.After(u.visit.To); d = d.AddDays(1) {
		if _, against := h.Against(Blood, Place{d, u.visit.At}, taken); against || d.Before(tuesday.AddDays(-1)) {
			continue
		}
		more := append(slices.Clone(taken), Taken{u.visit.ID, Blood, Place{d, u.visit.At}})
		for n := 2; n <= 4; n++ {
			again, then, far := d.AddDays(n), more, 0
			if u.repeat != nil {
				far = n - 2
				if _, against := h.Against(Blood, Place{again, u.repeat.At}, more); h.Closed(Blood, again) != "" || against && again != u.repeat.On {
					continue
				}
				if again != u.repeat.On {
					then = append(slices.Clone(more), Taken{0, Blood, Place{again, u.repeat.At}})
				}
			}
			l, c := everyPair(h, all[1:], then)
			if c += apart(d, u.visit.On) + far; l < left || l == left && c < cost {
				left, cost = l, c
			}
		}
	}
	return left, cost
}
