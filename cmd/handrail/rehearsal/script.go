package rehearsal

import (
	"fmt"
	"time"

	"handrail.example/cmd/handrail/audit"
)

// script is what a clinic does with one patient, as her coordinators know it. They
// do not read it off the program: they have the chart, and enter what was decided.
type script struct {
	p        *Patient
	started  bool
	began    time.Time // when the flow began
	dayOne   audit.Day
	trigger  time.Time    // as ordered
	ordered  *audit.Entry // a trigger that waits for its check
	transfer audit.Day
	given    bool
	age      int // of the embryo, in days
	over     bool
	values   []float64
	drugs    []string // that are ordered until they are stopped
}

// period: day one is known; somebody books the first visit.
func (s *script) period(at time.Time) {
	s.dayOne = s.p.w.Clinic.DayOne(at)
	if s.started {
		return
	}
	s.started, s.age = true, 5
	if s.p.r.IntN(6) == 0 {
		s.age = 6
	}
	if !s.p.Ready {
		return // her checklist is a person's to complete; this one stays behind
	}
	s.p.desk(20, 180, func() { s.visit("baseline", s.near(1, 2, 3), s.baseline) })
}

// near is the open day nearest to a day after day one.
func (s *script) near(from, best, to int) audit.Day {
	one := s.dayOne
	return s.nearest(one+audit.Day(from), one+audit.Day(best), one+audit.Day(to))
}

// nearest leaves out what is over.
func (s *script) nearest(from, best, to audit.Day) audit.Day {
	c, today := s.p.w.Clinic, s.p.w.today()
	for ; ; to++ {
		if d, found := audit.Nearest(from, best, to, func(d audit.Day) bool { return c.Works(d) && d > today }); found {
			return d
		}
	}
}

// step words of a visit, as coordinators write them.
var visitWords = map[string]string{"baseline": "baseline", "monitoring": "scan", "transfer": "transfer", "hcg_first": "test",
	"hcg_repeat": "repeat", "ob_ultrasound": "ultrasound"}

// visit books a visit in the morning, and has something follow on its day.
func (s *script) visit(step string, d audit.Day, then func(d audit.Day)) {
	minute := 7*60 + 10*s.p.r.IntN(12)
	if step == "transfer" {
		minute = 11 * 60
	}
	at := s.p.w.on(d, minute)
	s.enter(fmt.Sprintf("visit %s %s %s", visitWords[step], d, clock(minute)), &audit.Entry{Kind: "visit", Step: step, At: at}, func() {
		s.p.w.at(at.Add(between(s.p.r, 40, 150)), func() { then(d) })
		if s.p.r.IntN(20) == 0 && at.Sub(s.p.w.Now()) > 30*time.Hour {
			s.p.desk(30, 90, func() { s.rebook(step, d, minute+10) })
		}
	})
}

// rebook moves a visit to another minute of its day.
func (s *script) rebook(step string, d audit.Day, minute int) {
	s.enter(fmt.Sprintf("visit %s %s %s", visitWords[step], d, clock(minute)), &audit.Entry{Kind: "visit", Step: step, At: s.p.w.on(d, minute)}, nil)
}

// enter has her coordinator enter something, and something follow once it is saved.
func (s *script) enter(line string, e *audit.Entry, then func()) {
	if s.over {
		return
	}
	e.Patient = s.p.Handle
	s.p.nurse.todo(&job{patient: s.p, line: s.p.Handle + " " + line, entry: e, then: then})
}

func (s *script) baseline(d audit.Day) {
	word := "start"
	switch n := s.p.r.IntN(100); {
	case n < 5:
		word = "rescan"
	case n < 7:
		word = "cancel"
	}
	s.enter(fmt.Sprintf("baseline %s %s e2 %d", d, word, 20+s.p.r.IntN(60)), &audit.Entry{Kind: "baseline", On: d, Word: word}, func() {
		switch word {
		case "start":
			s.p.desk(2, 30, s.tablets)
		case "rescan":
			s.p.desk(2, 30, func() { s.visit("baseline", s.nearest(d+1, d+2, d+7), s.baseline) })
		default:
			s.p.desk(10, 60, func() { s.finish("cancelled") })
		}
	})
}

// tablets: five days of letrozole, from this evening or tomorrow.
func (s *script) tablets() {
	from, minute := s.p.w.today()+1, []int{8 * 60, 8 * 60, 20 * 60}[s.p.r.IntN(3)]
	if minute > 12*60 {
		from--
	}
	s.enter(fmt.Sprintf("order letrozole 5 mg oral at %s from %s for 5 days product letrozole 2.5 mg tablets by Ashgrove", clock(minute), from),
		&audit.Entry{Kind: "order", Drug: "letrozole", Class: "tablet", On: from, Times: []int{minute}, Days: 5}, func() {
			s.p.desk(2, 20, func() { s.visit("monitoring", s.near(9, 10, 11), s.scan) })
			if s.age != 5 {
				s.p.desk(25, 60, func() {
					s.enter(fmt.Sprintf("embryos day %d", s.age), &audit.Entry{Kind: "embryos", Age: s.age}, nil)
				})
			}
		})
}

func (s *script) scan(d audit.Day) {
	lead := 15 + s.p.r.IntN(6)
	ready := lead >= 17 || d >= s.dayOne+13
	if ready {
		lead = max(lead, 17)
	}
	s.enter(fmt.Sprintf("scan %s right %d 11 left 10 lining %d.%d trilaminar", d, lead, 7+s.p.r.IntN(4), s.p.r.IntN(10)), &audit.Entry{Kind: "scan", On: d}, func() {
		switch {
		case !ready:
			s.p.desk(2, 20, func() { s.visit("monitoring", s.nearest(d+1, d+2, d+4), s.scan) })
		case s.p.r.IntN(40) == 0:
			s.p.desk(5, 40, func() {
				s.enter("cancel thin lining", &audit.Entry{Kind: "cancelled", On: s.p.w.today()}, func() {
					s.p.desk(60, 240, func() { s.finish("cancelled") })
				})
			})
		default:
			s.p.desk(10, 60, s.orderTrigger)
		}
	})
}

// orderTrigger orders it for an evening whose transfer day the laboratory works.
func (s *script) orderTrigger() {
	c, today := s.p.w.Clinic, s.p.w.today()
	best := max(today, s.dayOne+12)
	d, _ := audit.Nearest(today, best, best+7, func(e audit.Day) bool { return c.Thaws(e + 7) })
	minute := 21*60 + 30
	at := s.p.w.on(d, minute)
	s.enter(fmt.Sprintf("trigger order %s %s choriogonadotropin 250 mcg sc product prefilled pen by Ashgrove", d, clock(minute)),
		&audit.Entry{Kind: "trigger_order", At: at, Drug: "choriogonadotropin", Class: "trigger"}, func() {
			s.trigger = at
			s.p.w.at(at.Add(between(s.p.r, 90, 120)), func() { s.askTrigger(at) })
			s.p.w.at(s.p.w.on(d+1, 9*60), func() { s.p.desk(5, 120, func() { s.luteal(d) }) })
		})
}

// askTrigger: of whom nothing was heard was phoned, and it is written down.
func (s *script) askTrigger(at time.Time) {
	if s.given || s.over {
		return
	}
	s.given = true
	at = at.Add(time.Duration(s.p.r.IntN(20)) * time.Minute).In(s.p.w.Clinic.Zone)
	s.enter("trigger given "+at.Format("2006-01-02 15:04"), &audit.Entry{Kind: "trigger", At: at}, nil)
}

// luteal support from the second day after the trigger, and the transfer.
func (s *script) luteal(d audit.Day) {
	from := d + 2
	times, words := []int{20 * 60}, "at 20:00"
	if s.p.r.IntN(2) == 0 {
		times, words = []int{8 * 60, 20 * 60}, "at 08:00 and 20:00"
	}
	s.enter(fmt.Sprintf("order progesterone 200 mg vaginal %s from %s until stopped product progesterone 200 mg inserts by Ashgrove", words, from),
		&audit.Entry{Kind: "order", Drug: "progesterone", Class: "progesterone", On: from, Times: times}, func() {
			s.drugs = append(s.drugs, "progesterone")
			s.p.desk(2, 20, func() { s.visit("transfer", d+7, s.moved) })
		})
}

func (s *script) moved(d audit.Day) {
	s.transfer = d
	s.enter(fmt.Sprintf("transfer %s day %d 1 embryo", d, s.age), &audit.Entry{Kind: "transfer", On: d, Age: s.age}, func() {
		s.p.desk(2, 40, func() { s.visit("hcg_first", s.firstTest(d), s.drawn) })
	})
}

// firstTest leaves the second day after it open for another.
func (s *script) firstTest(d audit.Day) audit.Day {
	c := s.p.w.Clinic
	if on, found := audit.Nearest(d+9, d+9, d+14, func(x audit.Day) bool { return c.Works(x) && c.Works(x+2) }); found {
		return on
	}
	return s.nearest(d+9, d+9, d+14)
}

// drawn: blood drawn before 10 has a result in the afternoon.
func (s *script) drawn(d audit.Day) {
	s.p.w.at(s.p.w.on(d, 14*60).Add(between(s.p.r, 0, 80)), func() { s.result(d) })
}

func (s *script) result(d audit.Day) {
	value := s.value()
	s.values = append(s.values, value)
	at := s.p.w.on(d, 7*60+25)
	s.enter(fmt.Sprintf("hcg %.1f %s 07:25", value, d), &audit.Entry{Kind: "hcg", At: at, Value: value}, nil)
	s.p.afterTold(func() { s.decided(d, value) })
}

// value of a test: about four in ten first tests are negative; most others double
// in two days (plausible for frozen transfers, Barnhart 2004 for the rise).
func (s *script) value() float64 {
	n := s.p.r.IntN(100)
	if len(s.values) > 0 {
		last := s.values[len(s.values)-1]
		if n < 80 {
			return round(last * (1.7 + s.p.r.Float64()))
		}
		return round(last * (0.4 + 0.9*s.p.r.Float64()))
	}
	switch {
	case n < 40:
		return round(0.5 + 3*s.p.r.Float64())
	case n < 45:
		return round(8 + 12*s.p.r.Float64())
	}
	return round(60 + 200*s.p.r.Float64())
}

func round(f float64) float64 { return float64(int(f*10)) / 10 }

func (s *script) decided(d audit.Day, value float64) {
	n := len(s.values)
	rising := n > 1 && value > s.values[n-2]*1.6
	switch {
	case value < 5:
		s.stop(func() { s.finish("negative") })
	case n >= 2 && rising && value > 25:
		s.visit("ob_ultrasound", s.nearest(s.six(), s.six(), s.six()+7), s.looked)
	case n >= 3:
		s.visit("ob_ultrasound", s.nearest(d+1, d+5, d+8), s.looked)
	default:
		s.visit("hcg_repeat", s.nearest(d+2, d+2, d+4), s.drawn)
	}
}

// six is the day on which she is six weeks along.
func (s *script) six() audit.Day {
	return s.transfer + 42 - audit.Day(14+s.age)
}

func (s *script) looked(d audit.Day) {
	word, line := "viable", "viable"
	n := len(s.values)
	switch good := n > 1 && s.values[n-1] > s.values[n-2]*1.6; {
	case !good || s.p.r.IntN(12) == 0:
		word, line = "not_viable", "not viable"
	case s.p.r.IntN(12) == 0:
		word, line = "uncertain", "uncertain"
	}
	s.enter("ultrasound "+line, &audit.Entry{Kind: "ob_ultrasound", On: d, Word: word}, nil)
	s.p.afterTold(func() {
		switch word {
		case "viable":
			end := s.six() + 14
			s.p.w.at(s.p.w.on(end, 8*60), func() { s.p.desk(10, 200, func() { s.stop(func() { s.finish("discharged") }) }) })
		case "uncertain":
			s.visit("ob_ultrasound", s.nearest(d+7, d+7, d+10), s.looked)
		default:
			s.stop(func() { s.finish("lost") })
		}
	})
}

// stop ends what is ordered until it is stopped, then goes on.
func (s *script) stop(then func()) {
	if len(s.drugs) == 0 {
		then()
		return
	}
	today := s.p.w.today() + 1
	drug := s.drugs[0]
	s.enter(fmt.Sprintf("stop %s %s", drug, today), &audit.Entry{Kind: "stop_order", Drug: drug, On: today}, func() {
		s.drugs = s.drugs[1:]
		s.p.w.at(s.p.w.on(today+1, 8*60), func() { s.p.desk(5, 120, func() { s.stop(then) }) })
	})
}

func (s *script) finish(how string) {
	if s.over {
		return
	}
	s.p.nurse.todo(&job{patient: s.p, line: s.p.Handle + " finish " + how, then: func() { s.over = true }})
}

// desk has something done some minutes from now, when somebody works.
func (p *Patient) desk(from, to int, do func()) {
	p.w.at(p.w.working(p.w.Now().Add(between(p.r, from, to)), p.r), do)
}

// afterTold has something done once a result has been told to her.
func (p *Patient) afterTold(do func()) { p.nurse.whenTold(p, do) }
