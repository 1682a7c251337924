package dialog

import (
	"strings"

	"handrail.example/reminders/plan"
)

// readers reads each kind of fact after its first word.
var readers = map[string]func(*scanner) (plan.Fact, error){
	"protocol": (*scanner).protocol, "period": (*scanner).period, "spotting": (*scanner).spotting, "expects": (*scanner).expects, "progestin": (*scanner).progestin,
	"baseline": (*scanner).baseline, "visit": (*scanner).visit, "scan": (*scanner).scan, "order": (*scanner).order,
	"trigger": (*scanner).trigger, "embryos": (*scanner).embryos, "transfer": (*scanner).transfer, "hcg": (*scanner).hcg,
	"conclude": (*scanner).conclude, "methotrexate": (*scanner).methotrexate, "handover": (*scanner).handover, "called": (*scanner).called,
	"ultrasound": (*scanner).ultrasound, "surge": (*scanner).surge, "cancel": (*scanner).cancel,
	"lh": (*scanner).lh, "bloods": (*scanner).bloods, "ovulation": (*scanner).homeLH, "drawn": (*scanner).drawn, "thaw": (*scanner).thaw,
	"rh": (*scanner).rhesus, "allergy": (*scanner).allergy,
	"home": (*scanner).onHand, "dispensed": (*scanner).dispensed, "authorised": (*scanner).authorised, "antid": (*scanner).antiD,
}

func (s *scanner) fact() (plan.Fact, error) {
	first := s.word()
	read, known := readers[first]
	if !known {
		return plan.Fact{}, s.fail()
	}
	s.example = first
	s.at++
	return read(s)
}

func (s *scanner) protocol() (plan.Fact, error) {
	if s.done() {
		return plan.Fact{}, s.fail()
	}
	s.at++
	f := plan.Fact{Kind: plan.ProtocolChosen, Protocol: protocolOf(s.raw[s.at-1])}
	f.On, _ = s.date()
	return f, nil
}

// protocolOf is a protocol by its name or what a Spanish clinic says for it.
func protocolOf(word string) string {
	word = strings.ToLower(strings.Trim(word, ",."))
	if known, ok := map[string]string{"estimulado": "stimulated", "programado": "programmed", "sustituido": "programmed"}[word]; ok {
		return known
	}
	return word
}

func (s *scanner) period() (plan.Fact, error) {
	at, err := s.minute()
	return plan.Fact{Kind: plan.PeriodStart, At: at}, err
}

func (s *scanner) spotting() (plan.Fact, error) {
	at, err := s.minute()
	return plan.Fact{Kind: plan.Spotting, At: at}, err
}

func (s *scanner) expects() (plan.Fact, error) {
	s.take("period")
	return s.onDay(plan.PeriodDue, true)
}

func (s *scanner) progestin() (plan.Fact, error) {
	if s.take("end") == "" {
		return plan.Fact{}, s.fail()
	}
	return s.onDay(plan.ProgestinEnd, true)
}

func (s *scanner) surge() (plan.Fact, error) {
	none := s.take("not") != ""
	f, err := s.onDay(plan.LHSurge, false)
	if none {
		counts := false
		f.Counts = &counts
	}
	return f, err
}

// onDay is a fact that has a day and nothing else.
func (s *scanner) onDay(k plan.FactKind, must bool) (plan.Fact, error) {
	d, given := s.date()
	if must && !given {
		return plan.Fact{}, s.fail()
	}
	return plan.Fact{Kind: k, On: d}, nil
}

func (s *scanner) baseline() (plan.Fact, error) {
	f := plan.Fact{Kind: plan.BaselineFound}
	f.On, _ = s.date()
	for !s.done() {
		switch w := s.take("start", "rescan", "cancel", "cyst", "e2", "p4", "hcg"); w {
		case "start", "rescan", "cancel":
			if f.Decision != "" {
				s.at--
				return f, s.fail()
			}
			f.Decision = plan.Decision(w)
		case "":
			return f, s.fail()
		default:
			n, ok := s.number("mm", "pg/ml", "ng/ml", "iu/l", "ui/l")
			if !ok {
				return f, s.fail()
			}
			*map[string]**float64{"cyst": &f.CystMM, "e2": &f.Estradiol, "p4": &f.BloodProgesterone, "hcg": &f.Beta}[w] = &n
		}
	}
	if f.Decision == "" {
		return f, s.fail()
	}
	return f, nil
}

// visitWords are the visits by the word that a clinic says for them.
var visitWords = map[string]plan.StepName{
	"baseline": plan.Baseline, "scan": plan.Monitoring, "transfer": plan.Transfer, "test": plan.HCGFirst, "repeat": plan.HCGRepeat,
	"ultrasound": plan.OBUltrasound, "call": plan.Call, "day4": plan.HCGDay4, "day7": plan.HCGDay7, "followup": plan.FollowUp,
}

func (s *scanner) visit() (plan.Fact, error) {
	step, known := visitWords[s.word()]
	if !known {
		return plan.Fact{}, s.fail()
	}
	s.at++
	d, given := s.date()
	t, timed := s.clock()
	if !given || !timed {
		return plan.Fact{}, s.fail()
	}
	return plan.Fact{Kind: plan.Visit, Step: step, At: d.At(t, s.zone)}, nil
}

func (s *scanner) scan() (plan.Fact, error) {
	f := plan.Fact{Kind: plan.Scan}
	f.On, _ = s.date()
	var err error
	for !s.done() && err == nil {
		switch w := s.take("right", "left", "lining", "trilaminar", "intermediate", "homogeneous", "e2", "lh", "p4"); w {
		case "e2", "lh", "p4":
			err = s.blood(&f, w)
		case "right":
			err = s.side(&f.RightMM)
		case "left":
			err = s.side(&f.LeftMM)
		case "lining":
			n, ok := s.length()
			if !ok || f.LiningMM != nil {
				return f, s.fail()
			}
			f.LiningMM = &n
		case "":
			return f, s.fail()
		default:
			if f.Pattern != "" {
				s.at--
				return f, s.fail()
			}
			f.Pattern = plan.Pattern(w)
		}
	}
	if err == nil && f.RightMM == nil && f.LeftMM == nil && f.LiningMM == nil {
		return f, s.fail()
	}
	return f, err
}

func (s *scanner) side(mm *[]float64) error {
	if *mm != nil {
		s.at--
		return s.fail()
	}
	all, err := s.millimetres()
	*mm = all
	return err
}

// orderParts begin the named parts of an order.
var orderParts = []string{"at", "from", "for", "until", "product", "by"}

// medicine reads "letrozole 5 mg oral".
func (s *scanner) medicine(f *plan.Fact) error {
	if s.done() || clockForm.MatchString(s.raw[s.at]) {
		return s.fail()
	}
	s.at++
	f.Drug = strings.ToLower(s.raw[s.at-1])
	n, ok := s.number()
	if !ok || s.done() {
		return s.fail()
	}
	f.Dose = n
	s.at++
	f.Unit = s.raw[s.at-1]
	f.Route = s.textTo()
	return nil
}

func (s *scanner) order() (plan.Fact, error) {
	f := plan.Fact{Kind: plan.OrderGiven}
	if err := s.medicine(&f); err != nil {
		return f, err
	}
	seen := make(map[string]bool)
	for !s.done() {
		w := s.take(orderParts...)
		if w == "until" || w == "for" {
			w = "for"
		}
		if w == "" || seen[w] {
			return f, s.fail()
		}
		seen[w] = true
		if err := s.orderPart(&f, w); err != nil {
			return f, err
		}
	}
	if len(f.Times) == 0 || f.From.IsZero() || f.Stop == (plan.Stop{}) {
		return f, s.fail()
	}
	return f, nil
}

func (s *scanner) orderPart(f *plan.Fact, part string) error {
	switch part {
	case "at":
		for {
			s.take("and")
			t, ok := s.clock()
			if !ok {
				break
			}
			f.Times = append(f.Times, t)
		}
		if len(f.Times) == 0 {
			return s.fail()
		}
	case "from":
		d, given := s.date()
		if !given {
			return s.fail()
		}
		f.From = d
	case "for":
		return s.stopRule(&f.Stop)
	case "product":
		f.Product = s.textTo()
	case "by":
		f.Prescriber = s.textTo()
	}
	return nil
}

// stopRule reads "5 days", "5 doses", "trigger" or "stopped".
func (s *scanner) stopRule(r *plan.Stop) error {
	if n, ok := s.count(); ok {
		switch s.take("days", "day", "doses") {
		case "days", "day":
			r.AfterDays = n
		case "doses":
			r.AfterDoses = n
		default:
			return s.fail()
		}
		return nil
	}
	s.take("el", "the", "que", "se")
	s.take("se")
	switch s.take("trigger", "stopped") {
	case "trigger":
		r.AtTrigger = true
	case "stopped":
		r.UntilOrder = true
	default:
		return s.fail()
	}
	return nil
}

// trigger reads "trigger order …" or "trigger given …".
func (s *scanner) trigger() (plan.Fact, error) {
	if s.take("given") != "" {
		at, err := s.minute()
		f := plan.Fact{Kind: plan.TriggerGiven, At: at}
		if err == nil {
			err = s.night(&f)
		}
		return f, err
	}
	if s.take("order") == "" {
		return plan.Fact{}, s.fail()
	}
	s.example = "trigger_order"
	f := plan.Fact{Kind: plan.TriggerOrder}
	d, given := s.date()
	t, timed := s.clock()
	if !given || !timed {
		return f, s.fail()
	}
	f.At = d.At(t, s.zone)
	if err := s.night(&f); err != nil {
		return f, err
	}
	if err := s.medicine(&f); err != nil {
		return f, err
	}
	for !s.done() {
		part := s.take("product", "by")
		if part == "" || part == "product" && f.Product != "" || part == "by" && f.Prescriber != "" {
			return f, s.fail()
		}
		if err := s.orderPart(&f, part); err != nil {
			return f, err
		}
	}
	return f, nil
}

func (s *scanner) embryos() (plan.Fact, error) {
	f := plan.Fact{Kind: plan.Embryos}
	err := s.embryoWords(&f)
	if err == nil && f.EmbryoDay == 0 {
		err = s.fail()
	}
	return f, err
}

// embryoWords reads "day 5", "1 embryo", in any order.
func (s *scanner) embryoWords(f *plan.Fact) error {
	for !s.done() {
		if f.Kind == plan.Embryos {
			if known, err := s.known(f); err != nil {
				return err
			} else if known {
				continue
			}
		}
		if s.take("day") != "" {
			n, ok := s.count()
			if !ok || f.EmbryoDay != 0 {
				return s.fail()
			}
			f.EmbryoDay = n
			continue
		}
		n, ok := s.count()
		if !ok || f.Count != 0 || s.take("embryos") == "" {
			return s.fail()
		}
		f.Count = n
	}
	return nil
}

func (s *scanner) transfer() (plan.Fact, error) {
	f := plan.Fact{Kind: plan.Transferred}
	f.On, _ = s.date()
	err := s.embryoWords(&f)
	return f, err
}

func (s *scanner) hcg() (plan.Fact, error) {
	f := plan.Fact{Kind: plan.HCG, Reported: s.bound()}
	n, ok := s.number("iu/l", "ui/l", "miu/ml")
	if !ok {
		return plan.Fact{}, s.fail()
	}
	at, err := s.minute()
	f.IUPerL, f.At = n, at
	if err == nil {
		err = s.laboratory(&f)
	}
	return f, err
}

func (s *scanner) ultrasound() (plan.Fact, error) {
	f := plan.Fact{Kind: plan.OBScan}
	f.On, _ = s.date()
	if site := s.site(); site != "" {
		f.Site = site
		return f, s.placed(&f)
	}
	not := s.take("not") != ""
	switch s.take("viable", "uncertain") {
	case "viable":
		viable := !not
		f.Viable = &viable
		return f, nil
	case "uncertain":
		if !not {
			return f, nil
		}
	}
	return f, s.fail()
}

func (s *scanner) cancel() (plan.Fact, error) {
	f := plan.Fact{Kind: plan.Cancelled}
	f.On, _ = s.date()
	if f.Reason = s.text(); f.Reason == "" {
		return f, s.fail()
	}
	return f, nil
}
