package reading

import (
	"time"

	"handrail.example/reminders/civil"
)

// weekday reads a day of the week, with what says which one.
func (d *dater) weekday(i int) (dateExpr, bool) {
	j := d.skip(i, "on", "el", "los", "la", "this", "past", "last", "next", "este", "esta", "pasado", "pasada", "ultimo", "proximo", "del", "de")
	w, ok := weekdays[d.norm(j)]
	if !ok {
		if w, ok = shortDays[d.norm(j)]; !ok || j == i && !d.dayLike(i) {
			return dateExpr{}, false
		}
	}
	for k := i + 1; k <= j; k++ {
		if d.toks[k].brk == hardBreak {
			return dateExpr{}, false
		}
	}
	return d.weekdayAt(i, j, w)
}

// dayLike: a short name stands as a weekday before a part of the day or a
// number.
func (d *dater) dayLike(i int) bool {
	if i+1 >= len(d.toks) || d.toks[i+1].brk == hardBreak || d.norm(i+1) == "or" || d.norm(i+1) == "o" || d.norm(i+1) == "and" {
		return true
	}
	switch d.norm(i - 1) {
	case "or", "o", "and", "y", "between", "entre":
		return true
	}
	switch d.norm(i + 1) {
	case "night", "morning", "evening", "afternoon", "noche", "tarde", "manana":
		return true
	}
	return i+1 < len(d.toks) && d.toks[i+1].kind == numberToken
}

func (d *dater) weekdayAt(i, j int, w time.Weekday) (dateExpr, bool) {
	to := j + 1
	// "Friday the 22nd", "lunes 12 de enero": the number rules.
	k := d.skip(to, "the", "el", "dia")
	if n, end, ok := d.whole(k); ok && d.joined(k) && n >= 1 && n <= 31 && (k > to || d.toks[k].brk == noBreak && !d.hour(k, end)) || d.monthAt(k) {
		if e, ok := d.named(k); ok {
			return e, true
		}
		if !ok || n == 0 {
			return dateExpr{}, false
		}
		return d.dayOfMonth(n, end)
	}
	day := d.last(w, 0)
	e := dateExpr{to: to, days: []civil.Date{day}}
	if day == d.today {
		// Written on that very weekday it may mean a week ago.
		e.days, e.asks = []civil.Date{day, day.AddDays(-7)}, true
	}
	for k := i; k < j; k++ {
		switch d.norm(k) {
		case "next", "proximo":
			e.days, e.asks, e.future = []civil.Date{d.ahead(w).AddDays(d.nextWeek(w))}, false, true
		case "this", "este":
			e.days[0] = d.last(w, 0)
			if ah := d.ahead(w); d.sameWeek(ah) {
				e.days = append(e.days, ah)
			}
		case "last", "past", "pasado", "ultimo":
			e = d.lastWeekday(e, w)
		}
	}
	return d.weekdayTail(e, w)
}

// lastWeekday is "last Friday". Written on the day after, it may mean yesterday
// or a week before that.
func (d *dater) lastWeekday(e dateExpr, w time.Weekday) dateExpr {
	day := d.last(w, 1)
	e.days, e.asks = []civil.Date{day}, false
	if d.today.DaysSince(day) == 1 {
		e.days, e.asks = []civil.Date{day, day.AddDays(-7)}, true
	}
	return e
}

func (d *dater) monthAt(i int) bool { _, ok := months[d.norm(i)]; return ok && d.joined(i) }

// hour: a number that is a time of day ("Sunday 8pm", "domingo 10 am").
func (d *dater) hour(k, end int) bool {
	if d.norm(end) == ":" || d.partFollows(end) {
		return true
	}
	switch d.norm(end) {
	case "a", "p":
		return d.toks[end].from == d.toks[end-1].to // "8p", not "el 15 a las 8"
	case "am", "pm", "h", "hs", "hrs", "oclock", "ish":
		return true
	}
	return false
}

// partFollows: "2 this afternoon", "9 de la noche", "8 in the morning".
func (d *dater) partFollows(end int) bool {
	switch d.norm(end) {
	case "this", "in", "at", "de", "en":
	default:
		return false
	}
	switch d.norm(d.skip(end+1, "the", "la")) {
	case "morning", "afternoon", "evening", "night", "noche", "tarde", "manana", "madrugada":
		return true
	}
	return false
}

// ahead is the next such weekday, today not counted.
func (d *dater) ahead(w time.Weekday) civil.Date {
	f := (int(w) - int(d.today.Weekday()) + 7) % 7
	if f == 0 {
		f = 7
	}
	return d.today.AddDays(f)
}

func (d *dater) sameWeek(x civil.Date) bool {
	monday := d.today.AddDays(-(int(d.today.Weekday()) + 6) % 7)
	n := x.DaysSince(monday)
	return 0 <= n && n < 7
}

// nextWeek: "next Sunday" is the one of the week that begins on Monday next.
func (d *dater) nextWeek(w time.Weekday) int {
	if d.sameWeek(d.ahead(w)) {
		return 7
	}
	return 0
}

// weekdayTail reads what may follow a weekday: a part of the day, "of last
// week", "pasado".
func (d *dater) weekdayTail(e dateExpr, w time.Weekday) (dateExpr, bool) {
	k := d.skip(e.to, "in", "the", "en", "la", "por", "a", "de", "of", "week", "semana", "esta", "on")
	switch d.norm(k) {
	case "night", "evening", "noche":
		if d.joined(k) {
			e.night, e.to = true, k+1
		}
	case "morning", "afternoon", "manana", "tarde", "madrugada":
		if d.joined(k) {
			e.to = k + 1
		}
	case "pasado", "pasada", "ultima", "last":
		if d.joined(k) {
			e = d.lastWeekday(e, w)
			e.to = k + 1
			switch {
			case d.norm(k+1) == "week" || d.norm(k+1) == "semana":
				e.days, e.asks, e.to = []civil.Date{d.inWeek(w, -1)}, false, k+2
			case d.norm(k-1) == "semana" || d.norm(k-1) == "week":
				e.days, e.asks = []civil.Date{d.inWeek(w, -1)}, false
			}
		}
	case "next", "siguiente", "proxima", "que":
		comes := d.norm(k) != "que" || d.norm(k+1) == "viene" || d.norm(k+1) == "entra" || d.norm(k+1) == "sigue"
		if d.joined(k) && comes {
			e.days, e.future, e.to = []civil.Date{d.inWeek(w, 1)}, true, k+1
			if d.norm(k+1) == "week" || d.norm(k+1) == "semana" || d.norm(k+1) == "viene" {
				e.to = k + 2
			}
		}
	}
	if d.norm(k-1) == "semana" && d.norm(k-2) == "esta" || d.norm(k-1) == "week" && d.norm(k-2) == "this" {
		e.days, e.to = []civil.Date{d.inWeek(w, 0)}, k
	}
	e.future = e.future || len(e.days) == 1 && e.days[0].After(d.today)
	return e, true
}

// inWeek is the weekday of the week n weeks from this one, weeks beginning on
// Monday (ISO 8601).
func (d *dater) inWeek(w time.Weekday, n int) civil.Date {
	monday := d.today.AddDays(-((int(d.today.Weekday()) + 6) % 7))
	return monday.AddDays((int(w)+6)%7 + 7*n)
}

// weekdayOfWeek reads "last week Sunday", "next week on Friday".
func (d *dater) weekdayOfWeek(i, to int) (dateExpr, bool) {
	k := d.skip(to, "on", "el", "of")
	w, ok := weekdays[d.norm(k)]
	if !ok || !d.joined(k) {
		return dateExpr{}, false
	}
	n := 0
	switch d.norm(i) {
	case "last":
		n = -1
	case "next":
		n = 1
	}
	day := d.inWeek(w, n)
	return dateExpr{days: []civil.Date{day}, to: k + 1, future: day.After(d.today)}, true
}
