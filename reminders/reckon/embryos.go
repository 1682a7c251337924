package reckon

import (
	"fmt"

	"handrail.example/reminders/plan"
)

// Standing is how a number of embryos compares with what is published.
type Standing string

// The standings.
const (
	Within    Standing = "within"
	Above     Standing = "above"
	NoLimit   Standing = "no_limit" // none is published for this age
	NotJudged Standing = "unknown"  // the age is not on record
)

// Embryos is what the published limit depends on.
type Embryos struct {
	Count int
	// Age of whoever gave the egg, in years, when it was retrieved; 0 if not known.
	Age int
	// Day is the embryo's age at transfer: 5 or more is a blastocyst.
	Day int
	// Euploid: tested and euploid. Favourable prognosis; nil if nobody has said,
	// which is read as favourable, the lower limit.
	Euploid    bool
	Favourable *bool
}

// limits by age group (under 35, 35 to 37, 38 to 40, 41 to 42) of the Practice
// Committees of ASRM and SART, Fertil Steril 2021;116:651. The rows of a
// favourable prognosis were seen second hand, the others are from memory.
var limits = map[[2]bool][4]int{ // blastocyst, favourable
	{true, true}:   {1, 1, 2, 3},
	{false, true}:  {1, 1, 3, 4},
	{true, false}:  {2, 2, 3, 3},
	{false, false}: {3, 4, 4, 5},
}

// LimitSource is where the limits come from.
const LimitSource = "ASRM/SART 2021, Fertil Steril 116:651"

// noLimitFrom is the age from which no limit is published, for lack of data.
const noLimitFrom = 43

// Limit is the published number, 0 where there is none to compare with.
func (e Embryos) Limit() (int, Standing) {
	if e.Euploid {
		return 1, e.against(1)
	}
	switch {
	case e.Age == 0:
		return 0, NotJudged
	case e.Age >= noLimitFrom:
		return 0, NoLimit
	}
	group := 0
	for _, from := range []int{35, 38, 41} {
		if e.Age >= from {
			group++
		}
	}
	n := limits[[2]bool{e.Day >= 5, e.Favourable == nil || *e.Favourable}][group]
	return n, e.against(n)
}

func (e Embryos) against(limit int) Standing {
	if e.Count > limit {
		return Above
	}
	return Within
}

// Caution is something that a person weighs before she saves an entry.
type Caution struct {
	Why plan.Reason
	// Ask: a reason is asked for and kept with the entry.
	Ask bool
	// Check: it may be a slip of the pen, and is asked back.
	Check bool
	// Tell: somebody else sees it too.
	Tell bool
	// Source is where it comes from.
	Source string
}

// CautionsOnEmbryos compares a number of embryos with the published limit. What is
// known of the embryos stands in the live fact about them, or in f itself.
func CautionsOnEmbryos(facts []plan.Fact, f plan.Fact) []Caution {
	if f.Kind != plan.Embryos && f.Kind != plan.Transferred {
		return nil
	}
	known := f
	if f.Kind == plan.Transferred {
		for _, o := range plan.Standing(facts) {
			if o.Kind == plan.Embryos {
				known = o
			}
		}
	}
	e := Embryos{Count: f.Count, Age: known.EggAge, Day: or(f.EmbryoDay, known.EmbryoDay), Euploid: known.Euploid != nil && *known.Euploid, Favourable: known.Favourable}
	e.Day = or(e.Day, 5)
	return append(e.cautions(), backup(f)...)
}

func or(a, b int) int {
	if a != 0 {
		return a
	}
	return b
}

func (e Embryos) cautions() []Caution {
	limit, standing := e.Limit()
	count, age := fmt.Sprint(e.Count), fmt.Sprint(e.Age)
	switch {
	case standing == NoLimit && e.Count > 0:
		return []Caution{{Why: because(codeNoLimit, "count", count, "age", age), Source: LimitSource}}
	case standing == NotJudged && e.Count > 1:
		return []Caution{{Why: because(codeNoAge, "count", count), Ask: true, Source: LimitSource}}
	case standing != Above:
		return nil
	}
	out := []Caution{{Why: because(codeAbove, "count", count, "limit", fmt.Sprint(limit), "age", age), Ask: true, Source: LimitSource}}
	if e.Favourable == nil && !e.Euploid {
		out = append(out, Caution{Why: because(codeStrictly), Source: LimitSource})
	}
	return out
}

// backup: about one single thaw in twenty leaves nothing to transfer (95.5 % of
// 4,196 warmed blastocysts were transferred, IVI Madrid 2019 to 2022).
func backup(f plan.Fact) []Caution {
	if f.Kind == plan.Embryos && f.Stored != nil && *f.Stored == 0 && f.Backup == "" {
		return []Caution{{Why: because(codeNoBackup), Source: "IVI Madrid 2019-22: 4,006 of 4,196"}}
	}
	return nil
}
