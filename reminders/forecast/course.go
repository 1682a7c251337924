package forecast

import (
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

// looksAgain is after how many days a scan is repeated that did not show readiness:
// common practice, no source.
const looksAgain = 2

// mostLooks bounds how many scans of one cycle are looked ahead.
const mostLooks = 8

// sort is what somebody comes for.
type sort int

const (
	baseline sort = iota
	scan
	transfer
	blood
	sorts
)

// course is the chance of each sort of visit on each day of one patient.
type course [sorts]map[civil.Date]float64

func newCourse() course {
	var c course
	for i := range c {
		c[i] = make(map[civil.Date]float64)
	}
	return c
}

// add adds a chance; that of one day never passes 1.
func (c course) add(s sort, d civil.Date, p float64) {
	if p > 0 && !d.IsZero() {
		c[s][d] = min(1, c[s][d]+p)
	}
}

// mix adds another course, which happens with the probability p.
func (c course) mix(o course, p float64) {
	for s := range o {
		for d, q := range o[s] {
			c.add(sort(s), d, p*q)
		}
	}
}

// ahead is what her plan says that is still to come.
type ahead struct {
	decision, transfer, hcg plan.Step
	// settled: the transfer counts from what took place, was ordered or is booked.
	settled bool
	done    bool // the transfer took place
}

// fixed puts what the plan has from today on into the course, and finds what the
// transfer hangs on. last is the last scan that is planned.
func fixed(pl plan.Plan, today civil.Date, c course) (a ahead, last civil.Date) {
	for _, s := range pl.Steps {
		if s.Status == plan.Dropped {
			continue
		}
		switch s.Name {
		case plan.Trigger, plan.Surge, plan.LutealProgesterone:
			a.hang(s)
		case plan.Transfer:
			a.transfer = s
			a.done, a.settled = s.Status == plan.Done, a.settled || s.Booked || s.Status == plan.Done
		case plan.HCGFirst:
			a.hcg = s
		}
		if s.Status == plan.Done || s.On.IsZero() || s.On.Before(today) {
			continue
		}
		switch s.Name {
		case plan.Baseline:
			c.add(baseline, s.On, 1)
		case plan.Monitoring:
			c.add(scan, s.On, 1)
			if s.On.After(last) || last.IsZero() {
				last = s.On
			}
		}
	}
	return a, last
}

// hang notes a step that the transfer may count from: a trigger before a surge, and
// progesterone only where there is neither.
func (a *ahead) hang(s plan.Step) {
	firm := s.Booked || s.Status == plan.Done
	switch {
	case s.Name == plan.LutealProgesterone && a.decision.Name != "" && a.decision.Name != plan.LutealProgesterone:
		return
	case s.Name == plan.Surge && a.decision.Name == plan.Trigger && !firm:
		return
	}
	a.decision = s
	a.settled = a.settled || firm
}

// follow is the course of a cycle with a day one. by is the probability that the
// criteria are met by a day, seen the day of the last scan that took place.
func (m *Maker) follow(pl plan.Plan, today civil.Date, by func(civil.Date) float64, seen civil.Date) course {
	c := newCourse()
	if !pl.Cancelled.IsZero() {
		return c
	}
	a, last := fixed(pl, today, c)
	switch {
	case a.settled || a.decision.Name == plan.LutealProgesterone:
		// The first day of progesterone is the clinic's choice and not her
		// body's: the planner's day is taken.
		m.settle(c, a, today)
	case by == nil && today.After(a.decision.To):
		// Nothing was seen and her days are over: that is before a person.
		m.Unplaced++
	case a.decision.Name != "":
		if by == nil {
			by = window(a.decision)
		}
		m.await(c, pl, a, looks{today, last, seen, by})
	}
	return c
}

// settle puts a transfer and its blood test on the days of the plan.
func (m *Maker) settle(c course, a ahead, today civil.Date) {
	if !a.done && !a.transfer.On.Before(today) {
		c.add(transfer, a.transfer.On, 1)
	}
	if a.hcg.Status != plan.Done && !a.hcg.On.Before(today) {
		c.add(blood, a.hcg.On, 1)
	}
}

// looks is what is known about scans: the last that is planned, the last that took
// place, and the probability of being ready by a day.
type looks struct {
	today, last, seen civil.Date
	by                func(civil.Date) float64
}

// await goes from scan to scan until the criteria are met. She is scanned again for
// as long as they are not; on the evening of the scan that meets them comes the
// trigger, and the transfer counts from it.
func (m *Maker) await(c course, pl plan.Plan, a ahead, l looks) {
	known, look := 0.0, l.last
	if !l.seen.IsZero() {
		known = l.by(l.seen)
		m.decide(c, pl, a, l.today, l.today, known)
	}
	if look.IsZero() {
		if look = l.today.AddDays(1); !l.seen.IsZero() && l.seen.AddDays(looksAgain).After(look) {
			look = l.seen.AddDays(looksAgain)
		}
		look = m.opens(look)
		c.add(scan, look, 1-known)
	}
	for n := 0; n < mostLooks && known < 1-1e-9; n++ {
		ready := max(known, l.by(look))
		m.decide(c, pl, a, l.today, look, ready-known)
		known, look = ready, m.opens(look.AddDays(looksAgain))
		c.add(scan, look, 1-known)
	}
}

// decide puts the transfer and the first blood test where they fall when the
// trigger is due, or the surge comes, on a day. As in the plan the evening is moved
// to the nearest one that leads to a day with room; after a surge the transfer is.
func (m *Maker) decide(c course, pl plan.Plan, a ahead, today, d civil.Date, p float64) {
	if p <= 0 {
		return
	}
	rule := "transfer"
	if a.decision.Name == plan.Surge {
		rule = "transfer_awaited"
	}
	on := d.AddDays(m.policy.Windows[rule].ByEmbryoDay[pl.EmbryoDay])
	// No evening lies before today, nor before the window of the trigger.
	earliest := today
	if a.decision.From.After(earliest) {
		earliest = a.decision.From
	}
	back := min(m.policy.Calendar.EveningsEitherSide, max(0, d.DaysSince(earliest)))
	on = nearest(on, back, m.policy.Calendar.EveningsEitherSide, m.lab)
	if on.IsZero() {
		return
	}
	c.add(transfer, on, p)
	c.add(blood, m.bloodDay(on), p)
}

// bloodDay is the day of the first blood test after a transfer. As in the plan the
// best day lets the repeat fall right, the second best lets it fall in its window.
func (m *Maker) bloodDay(transferred civil.Date) civil.Date {
	w, again := m.policy.Windows["hcg_first"], m.policy.Windows["hcg_repeat"]
	exact := func(d civil.Date) bool { return m.clinic(d) && m.clinic(d.AddDays(again.Preferred)) }
	loose := func(d civil.Date) bool {
		return m.clinic(d) && !nearest(d.AddDays(again.Preferred), again.Preferred-again.From, again.To-again.Preferred, m.clinic).IsZero()
	}
	for _, fits := range []func(civil.Date) bool{exact, loose, m.clinic} {
		if d := nearest(transferred.AddDays(w.Preferred), w.Preferred-w.From, w.To-w.Preferred, fits); !d.IsZero() {
			return d
		}
	}
	return civil.Date{}
}

// window is the probability of being ready by a day before anything was seen: the
// triangular distribution over the step's window with its peak at the planned day
// (common practice, no source).
func window(s plan.Step) func(civil.Date) float64 {
	from, peak, to := s.From, s.On, s.To
	if peak.IsZero() {
		peak = from
	}
	weight := func(d civil.Date) float64 {
		if d.Before(peak) {
			return float64(d.DaysSince(from)+1) / float64(peak.DaysSince(from)+1)
		}
		return float64(to.DaysSince(d)+1) / float64(to.DaysSince(peak)+1)
	}
	return func(d civil.Date) float64 {
		upTo, all := 0.0, 0.0
		for day := from; !day.After(to); day = day.AddDays(1) {
			w := weight(day)
			if all += w; !day.After(d) {
				upTo += w
			}
		}
		if all == 0 {
			return 1
		}
		return upTo / all
	}
}

// nearest is the day nearest to d, no more than back before and ahead after it, that
// suits; the earlier on a tie, zero for none.
func nearest(d civil.Date, back, ahead int, suits func(civil.Date) bool) civil.Date {
	for n := 0; n <= max(back, ahead); n++ {
		if n <= back && suits(d.AddDays(-n)) {
			return d.AddDays(-n)
		}
		if n <= ahead && suits(d.AddDays(n)) {
			return d.AddDays(n)
		}
	}
	return civil.Date{}
}
