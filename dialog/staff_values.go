package dialog

import (
	"math"
	"strings"

	"handrail.example/reminders/plan"
	"handrail.example/reminders/reckon"
)

// What is measured and known, as staff enter it: blood tests, the laboratory, the
// embryos, and what holds for a patient beyond one cycle.

// assays are the blood tests before the trigger: the unit that a value is kept in is
// the first of Units; one in Molar is divided by Factor. Factors from the molecular
// weights of progesterone, 314.46, and estradiol, 272.38.
var assays = map[string]struct {
	Units  []string
	Molar  string
	Factor float64
}{
	"e2": {[]string{"pg/ml", "ng/l"}, "pmol/l", 3.671},
	"lh": {[]string{"iu/l", "ui/l", "miu/ml"}, "", 1},
	"p4": {[]string{"ng/ml", "ug/l"}, "nmol/l", 3.180},
}

// blood reads a value of a blood test after its word. A molar unit is converted; any
// other foreign one is not understood.
func (s *scanner) blood(f *plan.Fact, word string) error {
	into := map[string]**float64{"e2": &f.Estradiol, "lh": &f.LH, "p4": &f.BloodProgesterone}[word]
	a := assays[word]
	molar := a.Molar != "" && s.unitFollows(a.Molar)
	n, ok := s.number(append(a.Units, a.Molar)...)
	if !ok || *into != nil {
		return s.fail()
	}
	if molar {
		n = math.Round(n/a.Factor*1000) / 1000
	}
	*into = &n
	return nil
}

// unitFollows reports whether the next value is in a unit, glued to it or after it.
func (s *scanner) unitFollows(unit string) bool {
	if s.done() {
		return false
	}
	glued := strings.HasSuffix(strings.ToLower(strings.TrimRight(s.raw[s.at], ",;")), unit)
	return glued || s.wordAt(s.at+1) == unit
}

// length reads a length in mm; one in cm is converted.
func (s *scanner) length() (float64, bool) {
	cm := s.unitFollows("cm")
	n, ok := s.number("mm", "cm")
	if cm {
		n = math.Round(n*10*1000) / 1000
	}
	return n, ok
}

// night reads "night 2026-03-13", the night that a trigger after midnight counts
// for, if it is there.
func (s *scanner) night(f *plan.Fact) error {
	if s.take("night") == "" {
		return nil
	}
	d, given := s.date()
	if !given {
		return s.fail()
	}
	f.NightOf = d
	return nil
}

// lh reads "lh 22", a blood test, and "lh 2026-03-13", a surge on that day.
func (s *scanner) lh() (plan.Fact, error) {
	if !s.done() && numberForm.MatchString(strings.TrimRight(s.raw[s.at], ",;")) {
		s.at--
		s.example = "bloods"
		return s.bloods()
	}
	return s.surge()
}

func (s *scanner) bloods() (plan.Fact, error) {
	f := plan.Fact{Kind: plan.Bloods}
	f.On, _ = s.date()
	for !s.done() && s.word() != "lab" {
		w := s.take("e2", "lh", "p4")
		if w == "" {
			return f, s.fail()
		}
		if err := s.blood(&f, w); err != nil {
			return f, err
		}
	}
	if f.Estradiol == nil && f.LH == nil && f.BloodProgesterone == nil {
		return f, s.fail()
	}
	return f, s.laboratory(&f)
}

// laboratory reads "lab" and a name, up to the end, if it is there.
func (s *scanner) laboratory(f *plan.Fact) error {
	if s.take("lab") == "" {
		return nil
	}
	if f.Laboratory = s.text(); f.Laboratory == "" {
		return s.fail()
	}
	return nil
}

// bound reads the sign of a value that the laboratory gave as a bound, glued to it
// or before it.
func (s *scanner) bound() plan.Bound {
	if s.done() {
		return ""
	}
	for sign, b := range map[string]plan.Bound{"<": plan.BelowNumber, ">": plan.AboveNumber} {
		rest, glued := strings.CutPrefix(s.raw[s.at], sign)
		if !glued {
			continue
		}
		if rest == "" {
			s.at++
		} else {
			s.raw[s.at] = rest
		}
		return b
	}
	return ""
}

// homeLH reads "ovulation test", done at home and positive.
func (s *scanner) homeLH() (plan.Fact, error) {
	s.take("home")
	s.take("test")
	s.take("home")
	return s.onDay(plan.HomeLH, false)
}

func (s *scanner) drawn() (plan.Fact, error) {
	at, err := s.minute()
	f := plan.Fact{Kind: plan.HCGDrawn, At: at}
	if err == nil {
		err = s.laboratory(&f)
	}
	return f, err
}

// thaw reads "thaw 1 survived 0 stored 2".
func (s *scanner) thaw() (plan.Fact, error) {
	f := plan.Fact{Kind: plan.Thawed}
	f.On, _ = s.date()
	n, ok := s.count()
	if !ok || s.take("survived") == "" {
		return f, s.fail()
	}
	f.Count = n
	survived, ok := s.count()
	if !ok {
		return f, s.fail()
	}
	f.Survived = &survived
	if s.take("stored") == "" {
		return f, nil
	}
	return f, s.stored(&f)
}

func (s *scanner) stored(f *plan.Fact) error {
	n, ok := s.count()
	if !ok || f.Stored != nil {
		return s.fail()
	}
	f.Stored = &n
	return nil
}

// known reads what is known of the embryos: "egg 34 euploid not favourable stored 2
// backup next", one part at a time; false where none begins.
func (s *scanner) known(f *plan.Fact) (bool, error) {
	not := s.take("not") != ""
	switch w := s.take("egg", "euploid", "favourable", "stored", "backup"); {
	case w == "" || not && w != "euploid" && w != "favourable":
		if not {
			return true, s.fail()
		}
		return false, nil
	case w == "egg":
		s.take("age")
		n, ok := s.count()
		if !ok || f.EggAge != 0 {
			return true, s.fail()
		}
		f.EggAge = n
		s.take("years")
	case w == "stored":
		return true, s.stored(f)
	case w == "backup":
		return true, s.backup(f)
	default:
		yes := !not
		*map[string]**bool{"euploid": &f.Euploid, "favourable": &f.Favourable}[w] = &yes
	}
	return true, nil
}

func (s *scanner) backup(f *plan.Fact) error {
	w := s.take("next", "cancel", "ask")
	if w == "" || f.Backup != "" {
		return s.fail()
	}
	f.Backup = map[string]plan.Backup{"next": plan.ThawNext, "cancel": plan.CallOff, "ask": plan.AskHerThen}[w]
	return nil
}

func (s *scanner) rhesus() (plan.Fact, error) {
	f := plan.Fact{Kind: plan.Rhesus, On: s.today}
	w := s.take("negative", "positive")
	if w == "" {
		return f, s.fail()
	}
	f.Rh = plan.Rh(w)
	return f, nil
}

func (s *scanner) allergy() (plan.Fact, error) {
	f := plan.Fact{Kind: plan.Allergy, On: s.today}
	word := s.text()
	if word == "" {
		return f, s.fail()
	}
	f.Allergen = reckon.Allergen(word)
	return f, nil
}
