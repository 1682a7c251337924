package reading

import (
	"time"

	"handrail.example/reminders/civil"
)

// Feasts that move: a weekday of a month, or so many days from Easter.
var movables = []struct {
	words []string
	// nth weekday of the month (5 for the last), or with month 0 days from Easter.
	month time.Month
	day   time.Weekday
	nth   int
}{
	{[]string{"thanksgiving"}, time.November, time.Thursday, 4}, {[]string{"black", "friday"}, time.November, time.Friday, 4},
	{[]string{"labor", "day"}, time.September, time.Monday, 1}, {[]string{"memorial", "day"}, time.May, time.Monday, 5},
	{[]string{"mothers", "day"}, time.May, time.Sunday, 2}, {[]string{"fathers", "day"}, time.June, time.Sunday, 3},
	{[]string{"dia", "del", "padre"}, time.June, time.Sunday, 3}, {[]string{"super", "bowl", "sunday"}, time.February, time.Sunday, 2},
	{[]string{"easter", "monday"}, 0, 0, 1}, {[]string{"easter"}, 0, 0, 0}, {[]string{"good", "friday"}, 0, 0, -2},
	{[]string{"ash", "wednesday"}, 0, 0, -46}, {[]string{"palm", "sunday"}, 0, 0, -7}, {[]string{"domingo", "de", "ramos"}, 0, 0, -7},
	{[]string{"viernes", "santo"}, 0, 0, -2}, {[]string{"jueves", "santo"}, 0, 0, -3}, {[]string{"sabado", "de", "gloria"}, 0, 0, -1},
	{[]string{"domingo", "de", "resurreccion"}, 0, 0, 0}, {[]string{"domingo", "de", "pascua"}, 0, 0, 0}, {[]string{"pascua"}, 0, 0, 0},
	{[]string{"martes", "de", "carnaval"}, 0, 0, -47},
}

// movable reads a movable feast: the latest one that is not ahead.
func (d *dater) movable(i int) (dateExpr, bool) {
	j := d.skip(i, "on", "el", "en", "the")
	for _, f := range movables {
		if d.norm(j) != f.words[0] || !d.words(j, f.words...) {
			continue
		}
		for y := d.today.Year; y > d.today.Year-2; y-- {
			day := easter(y).AddDays(f.nth)
			if f.month != 0 {
				day = nthWeekday(y, f.month, f.day, f.nth)
			}
			if !day.After(d.today) {
				return one(day, j+len(f.words))
			}
		}
	}
	return dateExpr{}, false
}

// nthWeekday is the nth such weekday of a month, the last one for 5.
func nthWeekday(y int, m time.Month, w time.Weekday, n int) civil.Date {
	first := civil.Date{Year: y, Month: m, Day: 1}
	day := first.AddDays((int(w)-int(first.Weekday())+7)%7 + 7*(n-1))
	if day.Month != m {
		day = day.AddDays(-7)
	}
	return day
}

// easter is Easter Sunday of the Gregorian calendar (Meeus, Astronomical
// Algorithms, 1991, chapter 8; the anonymous rule of 1876).
func easter(y int) civil.Date {
	a, b, c := y%19, y/100, y%100
	h := (19*a + b - b/4 - (b-(b+8)/25+1)/3 + 15) % 30
	l := (32 + 2*(b%4) + 2*(c/4) - h - c%4) % 7
	m := (a + 11*h + 22*l) / 451
	n := h + l - 7*m + 114
	return civil.Date{Year: y, Month: time.Month(n / 31), Day: n%31 + 1}
}

// weekdaysAgo reads "two Fridays ago", "hace dos viernes", "two Sundays from
// now", "the Friday before last", "el viernes antepasado".
func (d *dater) weekdaysAgo(i int) (dateExpr, bool) {
	j := d.skip(i, "hace", "the", "el")
	if w, ok := weekdays[d.norm(j)]; ok && (d.words(j+1, "before", "last") || d.norm(j+1) == "antepasado") {
		to := j + 2
		if d.norm(j+1) == "before" {
			to++
		}
		return dateExpr{days: []civil.Date{d.last(w, 1).AddDays(-7)}, to: to}, true
	}
	n, to, ok := d.whole(j)
	w, isDay := weekdays[d.norm(to)]
	if !ok || !isDay || n < 2 || n > 8 || !d.joined(to) || d.toks[j].kind == numberToken && to > j+1 {
		return dateExpr{}, false
	}
	switch {
	case d.norm(i) == "hace", d.norm(to+1) == "ago", d.norm(to+1) == "back":
		end := to + 1
		if d.norm(i) != "hace" {
			end++
		}
		return dateExpr{days: []civil.Date{d.last(w, 1).AddDays(-7 * (n - 1))}, to: end}, true
	case d.words(to+1, "from", "now"), d.norm(to+1) == "later":
		return dateExpr{days: []civil.Date{d.ahead(w).AddDays(7 * (n - 1))}, to: to + 2, future: true}, true
	}
	return dateExpr{}, false
}
