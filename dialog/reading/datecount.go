package reading

import (
	"time"

	"handrail.example/reminders/civil"
)

// nth reads "the first Friday of July", "third Wednesday of previous month".
func (d *dater) nth(i int) (dateExpr, bool) {
	j := d.skip(i, "the", "el")
	n, ok := ordinals[d.norm(j)]
	if !ok || n > 5 {
		return dateExpr{}, false
	}
	w, ok := weekdays[d.norm(j+1)]
	if !ok {
		return dateExpr{}, false
	}
	k := d.skip(j+2, "of", "in", "de", "del")
	m, to := civil.Date{Year: d.today.Year, Month: d.today.Month, Day: 1}, j+2
	k2 := d.skip(k, "this", "este", "next", "previous", "last", "proximo", "pasado")
	if mm, ok := months[d.norm(k)]; ok {
		m.Month, to = mm, k+1
		if mm > d.today.Month {
			m.Year--
		}
	} else if d.norm(k2) == "month" || d.norm(k2) == "mes" {
		to = k2 + 1
		switch d.norm(k) {
		case "next", "proximo":
			m = valid(m.Year+int(m.Month)/12, int(m.Month)%12+1, 1)
		case "previous", "last", "pasado":
			m = civil.DateOf(time.Date(m.Year, m.Month-1, 1, 0, 0, 0, 0, time.UTC))
		}
	}
	day := m.AddDays((int(w)-int(m.Weekday())+7)%7 + 7*(n-1))
	if day.Month != m.Month {
		return dateExpr{}, false
	}
	return dateExpr{days: []civil.Date{day}, to: to, future: day.After(d.today)}, true
}

// cycleDay reads "day 2", "cd3", "dia 2", "second day", "2nd day".
func (d *dater) cycleDay(i int) (dateExpr, bool) {
	j := d.skip(i, "cycle", "the", "el", "mi", "my")
	switch d.norm(j) {
	case "day", "dia", "cd", "dc":
		if d.norm(j) == "dia" && d.norm(j-1) == "el" && !d.countsToday(j-2) && !d.ofCycle(j+2) {
			return dateExpr{}, false // "el día 15" is a day of the month
		}
		if n, to, ok := d.whole(j + 1); ok && n >= 1 && n <= 40 && d.joined(j+1) && !d.dayOfMonthName(j, to) && !d.otherCount(to) {
			return dateExpr{cycle: n, to: d.skip(to, "of", "de", "del", "my", "mi", "cycle", "ciclo")}, true
		}
		return dateExpr{}, false
	}
	if n, to, ok := d.whole(j); ok && n > 1 && n <= 12 && ordinals[d.norm(j)] > 0 && d.todayIs(j) {
		return dateExpr{cycle: n, to: to}, true
	}
	if n, to, ok := d.whole(j); ok && n >= 1 && n <= 40 && (ordinals[d.norm(j)] > 0 || to > j+1) && (d.norm(to) == "day" || d.norm(to) == "dia") && d.joined(to) {
		return dateExpr{cycle: n, to: to + 1}, true
	}
	return dateExpr{}, false
}

// countsToday: "hoy es el día 2", "voy en el día 3".
func (d *dater) countsToday(i int) bool {
	switch d.norm(i) {
	case "es", "en", "hoy", "por", "seria", "voy", "con", "ya", "al":
		return true
	}
	return false
}

// ofCycle: "el día 2 de la regla", "el día 1 fue ayer".
func (d *dater) ofCycle(i int) bool {
	switch d.norm(d.skip(i, "de", "del", "la", "mi", "el")) {
	case "ciclo", "regla", "periodo", "sangrado", "menstruacion", "flujo", "fue", "era", "es", "hoy":
		return true
	}
	return false
}

// dayOfMonthName: "dia 3 de marzo" is a date, "cd1 march 15" is a cycle day and
// a date.
func (d *dater) dayOfMonthName(j, to int) bool {
	k := d.skip(to, "de", "of")
	if !d.monthAt(k) || d.norm(j) == "cd" || d.norm(j) == "dc" {
		return false
	}
	_, _, ok := d.whole(d.skip(k+1, "the"))
	return !ok || k > to
}

// todayIs: "hoy es el sexto", "today is my third": a count of days.
func (d *dater) todayIs(j int) bool {
	k := j - 1
	for k >= 0 && (d.norm(k) == "el" || d.norm(k) == "mi" || d.norm(k) == "the" || d.norm(k) == "my") {
		k--
	}
	if n := d.norm(k); n != "es" && n != "is" && n != "seria" && n != "en" {
		return false
	}
	return d.norm(k-1) == "hoy" || d.norm(k-1) == "today" || d.norm(k-1) == "ya" || d.norm(k-1) == "voy"
}

// otherCount: the days counted are not of the cycle ("day 9 post transfer",
// "day 3 of clomid").
func (d *dater) otherCount(i int) bool {
	switch d.norm(d.skip(i, "of", "de", "del", "con", "my", "la", "the", "mi", "d")) {
	case "post", "past", "after", "dpt", "dp", "postransferencia", "transferencia", "transfer", "since", "desde", "despues", "tras",
		"letrozole", "letrozol", "clomid", "clomifeno", "clomiphene", "femara", "stims", "stimming", "progesterone", "progesterona", "estimulacion", "gonal", "menopur", "fet", "antibiotics", "meds", "estradiol", "pio":
		return true
	}
	return false
}

// monthDay reads a day of the month alone: "the 3rd", "el 3", "on 15".
func (d *dater) monthDay(i int) (dateExpr, bool) {
	j := d.skip(i, "on", "the", "el", "for", "dia", "since", "desde", "al")
	n, to, ok := d.whole(j)
	if !ok || n < 1 || n > 31 {
		return dateExpr{}, false
	}
	suffixed := to > j+1 && d.toks[j].kind == numberToken
	if j == i && !suffixed {
		return dateExpr{}, false
	}
	if j > i && d.norm(j-1) == "for" || j > i && d.toks[j].kind == wordToken && ordinals[d.norm(j)] == 0 && d.norm(j-1) != "the" && d.norm(j-1) != "el" {
		return dateExpr{}, false
	}
	if !d.aloneAsDay(j, to) || d.otherCount(to) {
		return dateExpr{}, false
	}
	k := d.skip(to, "of", "de", "del", "this", "este", "next", "last", "proximo", "pasado")
	if d.norm(k) == "month" || d.norm(k) == "mes" {
		return d.dayOfNamedMonth(n, to, k)
	}
	return d.dayOfMonth(n, to)
}

// aloneAsDay: the number is not the first part of something else.
func (d *dater) aloneAsDay(j, to int) bool {
	if d.hour(j, to) || d.sign(to) {
		return false
	}
	if to >= len(d.toks) || d.toks[to].brk != noBreak {
		return true
	}
	if _, ok := units[d.norm(to)]; ok {
		return false
	}
	switch d.norm(to) {
	case "real", "proper", "full", "true", "red", "actual":
		return false
	case "time", "times", "pill", "pills", "dose", "one", "day", "vez", "veces", "dosis", "pastilla", "pastillas", "pads", "embryos", "shot", "cycle", "transfer", "of":
		return d.norm(to) == "of" && months[d.norm(to+1)] == 0
	}
	return true
}

func (d *dater) dayOfNamedMonth(n, to, k int) (dateExpr, bool) {
	m := 0
	for x := to; x < k; x++ {
		switch d.norm(x) {
		case "next", "proximo":
			m = 1
		case "last", "pasado":
			m = -1
		}
	}
	if d.norm(k+1) == "pasado" || d.norm(k+1) == "anterior" {
		m, k = -1, k+1
	}
	first := civil.DateOf(time.Date(d.today.Year, d.today.Month+time.Month(m), 1, 0, 0, 0, 0, time.UTC))
	if v := valid(first.Year, int(first.Month), n); !v.IsZero() {
		return dateExpr{days: []civil.Date{v}, to: k + 1, future: v.After(d.today)}, true
	}
	return dateExpr{}, false
}

// dayOfMonth is the most recent such day.
func (d *dater) dayOfMonth(n, to int) (dateExpr, bool) {
	for back := 0; back < 4; back++ {
		m := time.Date(d.today.Year, d.today.Month-time.Month(back), 1, 0, 0, 0, 0, time.UTC)
		if v := valid(m.Year(), int(m.Month()), n); !v.IsZero() && !v.After(d.today) {
			return one(v, to)
		}
	}
	return dateExpr{}, false
}
