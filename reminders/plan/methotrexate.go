package plan

import (
	"fmt"
	"strings"

	"handrail.example/reminders/civil"
)

// The follow-up of methotrexate counts its first day as day 1: hCG on days 4 and 7,
// and when it fell by 15 per cent between them, weekly to under 5 IU/L; else a second
// dose or surgery is weighed (review in Fertil Res Pract 2015 1, table 2; 216 women in
// PLoS One 2022, PMC9129037). One source wants 15 per cent, the other more than that:
// at exactly 15 a person is asked.
const (
	enoughFall = 0.15
	day4, day7 = 3, 6 // after the first day
)

// drawnOn are the values that stand for day 4 and day 7: those drawn within a day of
// them, day 7 one day more.
func (b *builder) treatedValue(from, to int) (Fact, bool) {
	if b.mtx.On.IsZero() {
		return Fact{}, false
	}
	for _, f := range b.values {
		if n := civil.DateOf(f.At).DaysSince(b.mtx.On); n >= from && n <= to {
			return f, true
		}
	}
	return Fact{}, false
}

func (b *builder) day4Value() (Fact, bool) { return b.treatedValue(day4-1, day4+1) }
func (b *builder) day7Value() (Fact, bool) { return b.treatedValue(day7-1, day7+2) }

// FellEnough reports whether hCG fell by more than 15 per cent from day 4 to day 7 of
// methotrexate, and by how much in per cent; a rise is negative. day4 must be more
// than 0.
func FellEnough(day4, day7 float64) (bool, float64) {
	fall := 1 - day7/day4
	return fall > enoughFall+1e-9, 100 * fall
}

// openMethotrexate: too small a fall by day 7, and folic acid that works against it.
func (b *builder) openMethotrexate(add addOpen) {
	if b.mtx.On.IsZero() {
		return
	}
	first, drawn := b.day4Value()
	last, again := b.day7Value()
	if drawn && again && first.IUPerL > 0 {
		if enough, fall := FellEnough(first.IUPerL, last.IUPerL); !enough {
			add("methotrexate/"+b.mtx.On.String(), HCGDay7, last.At, because("open_methotrexate", "fall", fmt.Sprintf("%.1f", fall), "on", b.mtx.On.String()))
		}
	}
	for _, c := range b.orders {
		if b.withdrawn(c, b.mtx.On) && c.stopped.IsZero() && (c.last.IsZero() || !c.last.Before(b.mtx.On)) {
			add("stop/"+c.key, "", b.morning(b.mtx.On), because("open_folate", "drug", c.fact.Drug, "on", b.mtx.On.String()))
		}
	}
}

// folates are words in the names of what works against methotrexate.
var folates = []string{"folic", "folate", "folat", "folico", "levomefol", "prenatal"}

// withdrawn reports whether a dose on a day is no longer asked about since it is of
// folic acid and methotrexate was given. The order itself is ended by a person.
func (b *builder) withdrawn(c course, day civil.Date) bool {
	if b.mtx.On.IsZero() || day.Before(b.mtx.On) {
		return false
	}
	name := plainLetters.Replace(strings.ToLower(c.fact.Drug + " " + c.fact.Product))
	for _, f := range folates {
		if strings.Contains(name, f) {
			return true
		}
	}
	return false
}
