package room

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

var (
	tuesday = civil.MustDate("2026-03-10")
	sunday  = civil.MustDate("2026-03-15")
)

func at(text string) civil.TimeOfDay { return civil.MustTime(text) }

// full are n visits at a minute of a day.
func full(s Sort, d civil.Date, minute string, n int) (all []Taken) {
	for i := range n {
		all = append(all, Taken{ID: int64(1000*d.Day + 10*int(at(minute)) + i), Sort: s, Place: Place{d, at(minute)}})
	}
	return all
}

// everyPlace takes every slot of monitoring on a day.
func everyPlace(d civil.Date, rooms int) (all []Taken) {
	for m := at("07:00"); m < at("09:00"); m += 10 {
		all = append(all, full(Monitoring, d, m.String(), rooms)...)
	}
	return all
}

// The figures are those of the invented clinic: slots 07:00 to 09:00, every 10 minutes,
// two rooms; four transfers a day; no transfer on a Saturday.
func TestAgainst(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		sort  Sort
		place Place
		taken []Taken
		code  string
	}{
		"an empty day":                {Monitoring, Place{tuesday, at("07:00")}, nil, ""},
		"one room is left":            {Monitoring, Place{tuesday, at("07:00")}, full(Monitoring, tuesday, "07:00", 1), ""},
		"both rooms are taken":        {Monitoring, Place{tuesday, at("07:00")}, full(Monitoring, tuesday, "07:00", 2), CodeMinuteFull},
		"the slot after is another":   {Monitoring, Place{tuesday, at("07:10")}, full(Monitoring, tuesday, "07:00", 2), ""},
		"between two that are taken":  {Monitoring, Place{tuesday, at("07:05")}, full(Monitoring, tuesday, "07:00", 2), CodeMinuteFull},
		"one before and one after":    {Monitoring, Place{tuesday, at("07:05")}, slices.Concat(full(Monitoring, tuesday, "07:00", 1), full(Monitoring, tuesday, "07:10", 1)), ""},
		"others' rooms do not matter": {Monitoring, Place{tuesday, at("07:00")}, full(Blood, tuesday, "07:00", 5), ""},
		"a day that is full":          {Monitoring, Place{tuesday, at("08:55")}, everyPlace(tuesday, 2), CodeDayFull},
		"a Sunday":                    {Monitoring, Place{sunday, at("07:00")}, nil, CodeClosed},
		"the fourth transfer":         {Transfer, Place{tuesday, at("11:00")}, full(Transfer, tuesday, "11:00", 3), ""},
		"the fifth transfer":          {Transfer, Place{tuesday, at("11:00")}, full(Transfer, tuesday, "11:00", 4), CodeDayFull},
		"a transfer on a Saturday":    {Transfer, Place{tuesday.AddDays(4), at("11:00")}, nil, CodeClosed},
		"a scan on a Saturday":        {Monitoring, Place{tuesday.AddDays(4), at("07:00")}, nil, ""},
		"blood at one minute":         {Blood, Place{tuesday, at("07:30")}, full(Blood, tuesday, "07:30", 39), ""},
		"too much blood for a day":    {Blood, Place{tuesday, at("09:30")}, full(Blood, tuesday, "07:30", 40), CodeDayFull},
		"a call takes no place":       {Nowhere, Place{sunday, at("23:00")}, nil, ""},
	} {
		got, against := Of(plan.DefaultPolicy()).Against(c.sort, c.place, c.taken)
		if got.Code != c.code || against != (c.code != "") {
			t.Errorf("%s: got %v, want %q", name, got, c.code)
		}
	}
}

func TestFind(t *testing.T) {
	t.Parallel()
	wish := Wish{Sort: Monitoring, From: tuesday.AddDays(-1), Preferred: tuesday, To: tuesday.AddDays(1), At: AnyMinute}
	for name, c := range map[string]struct {
		change func(*Wish)
		taken  []Taken
		closed []plan.ClosedDay
		want   Place
		code   string
		closes string
	}{
		"the preferred day, early":    {nil, nil, nil, Place{tuesday, at("07:00")}, CodeFits, ""},
		"her own minute":              {func(w *Wish) { w.At = at("08:20") }, nil, nil, Place{tuesday, at("08:20")}, CodeFits, ""},
		"near her own minute":         {func(w *Wish) { w.At = at("08:20") }, full(Monitoring, tuesday, "08:20", 2), nil, Place{tuesday, at("08:10")}, CodeFits, ""},
		"the earlier day on a tie":    {nil, everyPlace(tuesday, 2), nil, Place{tuesday.AddDays(-1), at("07:00")}, CodeMoved, "no place left"},
		"the later if that is full":   {nil, slices.Concat(everyPlace(tuesday, 2), everyPlace(tuesday.AddDays(-1), 2)), nil, Place{tuesday.AddDays(1), at("07:00")}, CodeMoved, "no place left"},
		"a closed day":                {nil, nil, []plan.ClosedDay{{On: tuesday, Part: plan.WholeClinic}}, Place{tuesday.AddDays(-1), at("07:00")}, CodeMoved, "closed for the day"},
		"the laboratory does not see": {nil, nil, []plan.ClosedDay{{On: tuesday, Part: plan.LabOnly}}, Place{tuesday, at("07:00")}, CodeFits, ""},
		"later than now":              {func(w *Wish) { w.After = Place{tuesday, at("08:00")} }, nil, nil, Place{tuesday, at("08:10")}, CodeFits, ""},
		"not any more today":          {func(w *Wish) { w.After = Place{tuesday, at("09:00")} }, nil, nil, Place{tuesday.AddDays(1), at("07:00")}, CodeMoved, "too soon"},
	} {
		p := plan.DefaultPolicy().WithClosed(c.closed)
		w := wish
		if c.change != nil {
			c.change(&w)
		}
		got, why, found := Of(p).Find(w, c.taken)
		if !found || got != c.want || why.Code != c.code || why.Args["closed"] != c.closes {
			t.Errorf("%s: got %v (%v), want %v (%s, %s)", name, got, why, c.want, c.code, c.closes)
		}
	}
	w := Wish{Sort: Monitoring, From: sunday, Preferred: sunday, To: sunday, At: AnyMinute}
	if _, why, found := Of(plan.DefaultPolicy()).Find(w, nil); found || why.Code != CodeNone {
		t.Errorf("a window without an open day: got %v", why)
	}
}

// tight is a clinic with little room: one slot or two, one room or two, and a limit of
// the day.
func tight(t *rapid.T) plan.Policy {
	p := plan.DefaultPolicy()
	p.Room.Monitoring = plan.Slots{From: at("07:00"), To: at("07:00") + civil.TimeOfDay(10*rapid.IntRange(1, 3).Draw(t, "slots")), Every: 10 * time.Minute,
		Rooms: rapid.IntRange(1, 2).Draw(t, "rooms"), PerDay: rapid.IntRange(0, 3).Draw(t, "of a day")}
	p.Room.Blood.PerDay = rapid.IntRange(1, 2).Draw(t, "blood of a day")
	return p
}

// TestWhatIsFreeIsFree: a place that is offered can be had, lies in the window and after
// what it must lie after; what is nearest comes first; and a place of the slots that is
// not offered cannot be had.
func TestWhatIsFreeIsFree(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		h := Of(tight(t))
		taken := someTaken(t, Monitoring, tuesday, 6)
		from := tuesday.AddDays(rapid.IntRange(-3, 3).Draw(t, "from"))
		w := Wish{Sort: Monitoring, From: from, To: from.AddDays(rapid.IntRange(0, 5).Draw(t, "days")), Preferred: tuesday, At: at("07:10"),
			After: Place{tuesday.AddDays(rapid.IntRange(-4, 2).Draw(t, "after")), at("07:00")}}
		free := h.Free(w, taken)
		for i, p := range free {
			if _, against := h.Against(Monitoring, p, taken); against || p.On.Before(w.From) || p.On.After(w.To) || p.Compare(w.After) <= 0 {
				t.Fatalf("%v is offered", p)
			}
			if i > 0 && apart(p.On, w.Preferred) < apart(free[i-1].On, w.Preferred) {
				t.Fatalf("%v comes after %v", p, free[i-1])
			}
		}
		for d := w.From; !d.After(w.To); d = d.AddDays(1) {
			for _, m := range h.minutes(Monitoring) {
				p := Place{d, m}
				if _, against := h.Against(Monitoring, p, taken); !against && p.Compare(w.After) > 0 && !slices.Contains(free, p) {
					t.Fatalf("%v is free and not offered", p)
				}
			}
		}
	})
}

// someTaken are places that others have, around a day.
func someTaken(t *rapid.T, s Sort, around civil.Date, most int) (all []Taken) {
	for i := range rapid.IntRange(0, most).Draw(t, "taken by others") {
		all = append(all, Taken{ID: int64(100 + i), Sort: s, Place: Place{around.AddDays(rapid.IntRange(-3, 3).Draw(t, "its day")),
			at("07:00") + civil.TimeOfDay(10*rapid.IntRange(0, 2).Draw(t, "its slot"))}})
	}
	return all
}
