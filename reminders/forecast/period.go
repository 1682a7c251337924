package forecast

import (
	"math"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
)

// CycleSD is the spread of the length of a cycle in days, all women and cycles of
// the study together, which is rather too wide for one woman about her own expected
// day: mean 28.9, standard deviation 3.4, 95 % of 1,060 cycles between 22 and 36
// (Fehring 2006, J Obstet Gynecol Neonatal Nurs 35:376).
const CycleSD = 3.4

// periodReach is how far from its expected day a period is looked for, in days. One
// that is later is in front of a person, and nothing is expected of it.
const periodReach = 14

// A withdrawal bleed comes so many days after the last progestin, each as likely:
// common practice, no source.
const bleedFrom, bleedTo = 2, 7

// chance is a day and its probability.
type chance struct {
	on civil.Date
	p  float64
}

// periodDays are the days on which a period may come that has not come by today, by
// the rounded normal distribution about the day it is expected.
func periodDays(expected, today civil.Date) []chance {
	var all []chance
	for n := -periodReach; n <= periodReach; n++ {
		p := normal((float64(n)+0.5)/CycleSD) - normal((float64(n)-0.5)/CycleSD)
		all = append(all, chance{expected.AddDays(n), p})
	}
	return notYet(all, today)
}

// bleedDays are the days on which the bleed after a progestin may come.
func bleedDays(last, today civil.Date) []chance {
	var all []chance
	for n := bleedFrom; n <= bleedTo; n++ {
		all = append(all, chance{last.AddDays(n), 1})
	}
	return notYet(all, today)
}

// notYet leaves the days from today on, given that it did not happen before; none
// where it should have happened long ago.
func notYet(all []chance, today civil.Date) []chance {
	var left []chance
	sum := 0.0
	for _, c := range all {
		if !c.on.Before(today) {
			left = append(left, c)
			sum += c.p
		}
	}
	for i := range left {
		left[i].p /= sum
	}
	return left
}

func normal(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

// Expected is the day on which the period or the bleed of a cycle without a day one
// is expected; zero where nothing says so.
func Expected(facts []plan.Fact) civil.Date {
	due, _ := awaited(facts)
	return due
}

// awaited is the day from the latest fact that says so, and whether it is the bleed
// after a progestin.
func awaited(facts []plan.Fact) (due civil.Date, bleed bool) {
	for _, f := range plan.Standing(facts) {
		switch f.Kind {
		case plan.PeriodDue:
			due, bleed = f.On, false
		case plan.ProgestinEnd:
			due, bleed = f.On.AddDays(bleedTo), true
		}
	}
	return due, bleed
}
