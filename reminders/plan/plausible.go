package plan

import (
	"fmt"
	"slices"
	"strings"

	"handrail.example/reminders/civil"
)

// The plausible ranges. Outside of them a value is a slip of the pen, not a
// finding: 78 for a lining of 7.8 mm, or 0.8 for one in centimetres. The edges
// are common practice, no source.
const (
	minLiningMM, maxLiningMM     = 1, 30
	minFollicleMM, maxFollicleMM = 1, 60
	maxCystMM                    = 200
	maxEstradiol                 = 20000   // pg/mL
	maxProgesterone              = 200     // ng/mL
	maxHCG                       = 2000000 // IU/L
	maxLH                        = 300     // IU/L
	minEggAge, maxEggAge         = 18, 60  // years
	maxStored                    = 60      // embryos
	maxEmbryos                   = 5
	maxCourse                    = 400 // doses or days of one order
	minYear, maxYear             = 2000, 2099
	maxName                      = 80 // bytes
	maxUnits                     = 2000
	maxPerDose                   = 40
)

// plausible refuses a fact whose own values cannot be right.
func (f Fact) plausible() error {
	if f.Stop.AfterDoses > maxCourse || f.Stop.AfterDays > maxCourse {
		return refuse(f, "the course is too long", fmt.Sprintf("order at most %d doses or days at a time", maxCourse))
	}
	for _, d := range []civil.Date{f.day(), f.From} {
		if !d.IsZero() && (d.Year < minYear || d.Year > maxYear) {
			return refuse(f, fmt.Sprintf("the year %d is not plausible", d.Year), "correct its date")
		}
	}
	if n := f.NightOf; !n.IsZero() && n != civil.DateOf(f.At) && n != civil.DateOf(f.At).AddDays(-1) {
		return refuse(f, fmt.Sprintf("night_of %s does not fit at %s", n, f.At.Format("2006-01-02 15:04")), "name that day or the one before")
	}
	if why, do := f.badWord(); why != "" {
		return refuse(f, why, do)
	}
	if why, do := f.badNumber(); why != "" {
		return refuse(f, why, do)
	}
	if err := f.badBlood(); err != nil {
		return err
	}
	if why, do := f.badFindings(); why != "" {
		return refuse(f, why, do)
	}
	if err := f.badSupply(); err != nil {
		return err
	}
	return f.badOrder()
}

// badSupply refuses a count of pieces that can only be a slip.
func (f Fact) badSupply() error {
	if f.Kind != OnHand && f.Kind != Dispensed && f.Kind != Authorised {
		return nil
	}
	switch {
	case strings.TrimSpace(f.Drug) == "":
		return refuse(f, "drug is empty", "name it as it is ordered")
	case len(f.Drug) > maxName || len(f.Pharmacy) > maxName || len(f.Product) > maxName:
		return refuse(f, "a name is too long", fmt.Sprintf("write at most %d characters", maxName))
	case f.Units != nil && (*f.Units < 0 || *f.Units > maxUnits):
		return refuse(f, fmt.Sprintf("units %v is not plausible", *f.Units), fmt.Sprintf("enter 0 to %d pieces", maxUnits))
	case f.PerDose < 0 || f.PerDose > maxPerDose:
		return refuse(f, fmt.Sprintf("per_dose %v is not plausible", f.PerDose), fmt.Sprintf("enter how many pieces make one dose, at most %d", maxPerDose))
	case f.Kind == Authorised && (f.Until.Before(f.On) || f.Until.DaysSince(f.On) > 800):
		return refuse(f, fmt.Sprintf("until %s does not fit %s, on which it was given", f.Until, f.On), "enter the last day on which it holds")
	}
	return nil
}

func (f Fact) badWord() (why, do string) {
	for _, w := range []struct {
		field, got string
		kinds      []FactKind
		allowed    []string
	}{
		{"decision", string(f.Decision), []FactKind{BaselineFound}, []string{"start", "rescan", "cancel"}},
		{"step", string(f.Step), []FactKind{Visit}, visitSteps},
		{"pattern", string(f.Pattern), nil, []string{"trilaminar", "intermediate", "homogeneous"}},
		{"backup", string(f.Backup), nil, []string{string(ThawNext), string(CallOff), string(AskHerThen)}},
		{"reported", string(f.Reported), nil, []string{string(BelowNumber), string(AboveNumber)}},
		{"rh", string(f.Rh), []FactKind{Rhesus}, []string{string(RhNegative), string(RhPositive)}},
	} {
		required := slices.Contains(w.kinds, f.Kind)
		if (required || w.got != "") && !slices.Contains(w.allowed, w.got) {
			return fmt.Sprintf("%s %q is not known", w.field, w.got), "use one of " + strings.Join(w.allowed, ", ")
		}
	}
	return "", ""
}

// visitSteps are the steps for which she comes to the clinic.
var visitSteps = []string{string(Baseline), string(Monitoring), string(Transfer), string(HCGFirst),
	string(HCGRepeat), string(HCGDay4), string(HCGDay7), string(Call), string(OBUltrasound), string(FollowUp)}

func (f Fact) badNumber() (why, do string) {
	checks := []struct {
		field      string
		got        *float64
		least, top float64
		unit       string
	}{
		{"lining_mm", f.LiningMM, minLiningMM, maxLiningMM, "mm"},
		{"cyst_mm", f.CystMM, 0, maxCystMM, "mm"},
		{"estradiol_pg_ml", f.Estradiol, 0, maxEstradiol, "pg/mL"},
		{"progesterone_ng_ml", f.BloodProgesterone, 0, maxProgesterone, "ng/mL"},
		{"hcg_iu_per_l", f.Beta, 0, maxHCG, "IU/L"},
		{"lh_iu_per_l", f.LH, 0, maxLH, "IU/L"},
		{"iu_per_l", &f.IUPerL, 0, maxHCG, "IU/L"},
	}
	for _, mm := range slices.Concat(f.RightMM, f.LeftMM) {
		checks = append(checks, struct {
			field      string
			got        *float64
			least, top float64
			unit       string
		}{"follicle", &mm, minFollicleMM, maxFollicleMM, "mm"})
	}
	for _, c := range checks {
		if c.got != nil && (*c.got < c.least || *c.got > c.top) {
			return fmt.Sprintf("%s %v is not plausible", c.field, *c.got),
				fmt.Sprintf("enter %v to %v %s", c.least, c.top, c.unit)
		}
	}
	return f.badEmbryos()
}

func (f Fact) badEmbryos() (why, do string) {
	if f.EmbryoDay != 0 && !slices.Contains([]int{3, 5, 6}, f.EmbryoDay) {
		return fmt.Sprintf("embryo_day %d is not known", f.EmbryoDay), "enter 3, 5 or 6"
	}
	if f.Count < 0 || f.Count > maxEmbryos {
		return fmt.Sprintf("embryos %d is not plausible", f.Count), fmt.Sprintf("enter 1 to %d", maxEmbryos)
	}
	if f.EggAge != 0 && (f.EggAge < minEggAge || f.EggAge > maxEggAge) {
		return fmt.Sprintf("egg_age %d is not plausible", f.EggAge), fmt.Sprintf("enter %d to %d years, at retrieval", minEggAge, maxEggAge)
	}
	if f.Stored != nil && (*f.Stored < 0 || *f.Stored > maxStored) {
		return fmt.Sprintf("stored %d is not plausible", *f.Stored), fmt.Sprintf("enter 0 to %d embryos", maxStored)
	}
	if f.Survived != nil && (*f.Survived < 0 || *f.Survived > f.Count) {
		return fmt.Sprintf("survived %d of %d is not plausible", *f.Survived, f.Count), "enter 0 to the number that was thawed"
	}
	return "", ""
}

// badBlood refuses a blood test without a value, and one whose LH, estradiol and
// progesterone are all missing.
func (f Fact) badBlood() error {
	if f.Kind == Bloods && f.LH == nil && f.Estradiol == nil && f.BloodProgesterone == nil {
		return refuse(f, "has no value", "enter lh_iu_per_l, estradiol_pg_ml or progesterone_ng_ml")
	}
	if len(f.Laboratory) > maxName || len(f.Allergen) > maxName {
		return refuse(f, "a name is too long", fmt.Sprintf("write at most %d characters", maxName))
	}
	return nil
}

func (f Fact) badOrder() error {
	if f.Kind != OrderGiven && f.Kind != TriggerOrder {
		return nil
	}
	if strings.TrimSpace(f.Drug) == "" || strings.TrimSpace(f.Unit) == "" {
		return refuse(f, "drug or unit is empty", "name both as they were prescribed")
	}
	if f.Dose <= 0 {
		return refuse(f, fmt.Sprintf("dose %v is not plausible", f.Dose), "enter the prescribed dose, more than 0")
	}
	if f.Kind == TriggerOrder {
		return nil
	}
	if len(f.Times) == 0 || len(f.Times) > 24 {
		return refuse(f, "times lists no time of day or too many", `write them as ["08:00","20:00"]`)
	}
	for i, t := range f.Times[1:] {
		if t == f.Times[i] {
			return refuse(f, "times names "+t.String()+" twice", "list each time of day once")
		}
	}
	return nil
}

// VisitSteps are the steps for which she comes to the clinic, in the order in which they
// are offered.
func VisitSteps() (all []StepName) {
	for _, s := range visitSteps {
		all = append(all, StepName(s))
	}
	return all
}
