package reading

import (
	"time"

	"handrail.example/reminders/civil"
)

var months = map[string]time.Month{
	"january": 1, "jan": 1, "february": 2, "feb": 2, "march": 3, "mar": 3, "april": 4, "apr": 4, "may": 5,
	"june": 6, "jun": 6, "july": 7, "jul": 7, "august": 8, "aug": 8, "september": 9, "sept": 9, "sep": 9,
	"october": 10, "oct": 10, "november": 11, "nov": 11, "december": 12, "dec": 12,
	"enero": 1, "ene": 1, "febrero": 2, "marzo": 3, "mzo": 3, "abril": 4, "abr": 4, "mayo": 5,
	"junio": 6, "julio": 7, "agosto": 8, "ago": 8, "septiembre": 9, "setiembre": 9, "octubre": 10,
	"noviembre": 11, "diciembre": 12, "dic": 12,
}

var weekdays = map[string]time.Weekday{
	"sunday": 0, "monday": 1, "tuesday": 2, "wednesday": 3, "thursday": 4, "friday": 5, "saturday": 6,
	"sundays": 0, "mondays": 1, "tuesdays": 2, "wednesdays": 3, "thursdays": 4, "fridays": 5, "saturdays": 6,
	"tues": 2, "thur": 4, "thurs": 4, "weds": 3,
	"domingo": 0, "lunes": 1, "martes": 2, "miercoles": 3, "jueves": 4, "viernes": 5, "sabado": 6,
	"domingos": 0, "sabados": 6,
}

// shortDays are weekdays only after a word that makes them one.
var shortDays = map[string]time.Weekday{
	"sun": 0, "mon": 1, "tue": 2, "wed": 3, "thu": 4, "fri": 5, "sat": 6,
	"dom": 0, "lun": 1, "mie": 3, "mier": 3, "jue": 4, "vie": 5, "sab": 6,
}

var ordinals = map[string]int{
	"first": 1, "second": 2, "third": 3, "fourth": 4, "fifth": 5, "sixth": 6, "seventh": 7, "eighth": 8,
	"ninth": 9, "tenth": 10, "eleventh": 11, "twelfth": 12, "thirteenth": 13, "fourteenth": 14,
	"fifteenth": 15, "sixteenth": 16, "seventeenth": 17, "eighteenth": 18, "nineteenth": 19,
	"twentieth": 20, "thirtieth": 30,
	"primero": 1, "primer": 1, "primera": 1, "segundo": 2, "segunda": 2, "tercero": 3, "tercer": 3, "tercera": 3, "cuarto": 4, "quinto": 5,
	"sexto": 6, "septimo": 7, "octavo": 8, "noveno": 9, "decimo": 10, "vigesimo": 20, "trigesimo": 30,
	"veintiuno": 21, "veintidos": 22, "veintitres": 23, "veinticuatro": 24, "veinticinco": 25,
	"veintiseis": 26, "veintisiete": 27, "veintiocho": 28, "veintinueve": 29,
}

// whole is the whole number at token i, in digits or in words, and the token
// behind it.
func (d *dater) whole(i int) (n, to int, ok bool) {
	if i >= len(d.toks) {
		return 0, 0, false
	}
	t := &d.toks[i]
	if t.kind == numberToken {
		if decimalsOf(t) {
			return 0, 0, false
		}
		to = i + 1
		switch d.norm(to) {
		case "st", "nd", "rd", "th", "ro", "er", "do", "ero":
			if d.toks[to].brk == noBreak {
				to++
			}
		}
		return int(t.num), to, true
	}
	if o, ok := ordinals[t.norm]; ok {
		if u, ok := ordinals[d.norm(i+1)]; ok && o%10 == 0 && o >= 20 && u < 10 {
			return o + u, i + 2, true
		}
		return o, i + 1, true
	}
	n = int(t.num)
	if n == 0 {
		return 0, 0, false
	}
	if n%10 == 0 && n >= 20 && i+1 < len(d.toks) {
		if u := int(d.toks[i+1].num); u > 0 && u < 10 && d.toks[i+1].kind == wordToken {
			return n + u, i + 2, true
		}
		if u, ok := ordinals[d.norm(i+1)]; ok && u < 10 {
			return n + u, i + 2, true
		}
	}
	return n, i + 1, true
}

func unitDays(w string) (days int, months int, hours float64) {
	switch w {
	case "day", "days", "dia", "dias":
		return 1, 0, 0
	case "week", "weeks", "semana", "semanas", "semanita", "semanitas":
		return 7, 0, 0
	case "fortnight", "quincena":
		return 14, 0, 0
	case "month", "months", "mes", "meses":
		return 0, 1, 0
	case "year", "years", "ano", "anos":
		return 0, 12, 0
	case "hour", "hours", "hr", "hrs", "hora", "horas", "horita", "horitas", "h":
		return 0, 0, 1
	case "minute", "minutes", "min", "mins", "minuto", "minutos":
		return 0, 0, 1.0 / 60
	}
	return 0, 0, 0
}

// span is a length of time in words: "1 month 21 days", "half an hour".
type span struct {
	days, months, to int
	hours            float64
}

func (d *dater) span(i int) (s span, ok bool) {
	for {
		j := d.skip(i, "and", "y", "about", "around", "like", "almost", "como", "unas", "unos", "casi", "aproximadamente")
		n, to, got := d.whole(j)
		half := d.norm(j) == "half" || d.norm(j) == "media" || d.norm(j) == "medio"
		if half {
			n, to, got = 1, d.skip(j+1, "an", "a"), true
		}
		if k := d.skip(j, "a", "un"); d.norm(k) == "par" || d.norm(k) == "couple" {
			// "A couple of hours" is a time; "a couple of days" leaves the day open.
			k = d.skip(k+1, "of", "de")
			if _, _, hours := unitDays(d.norm(k)); hours > 0 {
				n, to, got = 2, k, true
			}
		}
		if !got && (d.norm(j) == "a" || d.norm(j) == "an" || d.norm(j) == "un" || d.norm(j) == "una") {
			n, to, got = 1, j+1, true
		}
		if !got || !d.joined(to) {
			break
		}
		days, months, hours := unitDays(d.norm(to))
		if days == 0 && months == 0 && hours == 0 {
			break
		}
		if half {
			hours /= 2
		}
		s.days, s.months, s.hours = s.days+n*days, s.months+n*months, s.hours+float64(n)*hours
		i, ok = to+1, true
		if n > 4000 {
			return s, false
		}
	}
	s.to = i
	return s, ok
}

// roughly reads "4 or 5 days ago" and "about a week ago", which leave the day
// open.
func (d *dater) roughly(i int) (dateExpr, bool) {
	about := d.skip(i, "like", "about", "around", "roughly", "maybe", "como", "mas", "menos", "casi", "unos", "unas", "aproximadamente", "tipo", "quiza", "quizas", "ya")
	a, k, ok := d.whole(about)
	if !ok && (d.norm(about) == "a" || d.norm(about) == "una") {
		a, k, ok = 1, about+1, true
	}
	if !ok {
		return dateExpr{}, false
	}
	b := a
	if n := d.norm(k); n == "or" || n == "o" || n == "to" || n == "a" || n == "-" || n == "u" {
		if x, to, ok := d.whole(k + 1); ok && x > a {
			b, k = x, to
		}
	}
	days, _, _ := unitDays(d.norm(k))
	if days == 0 || b == a && !(days == 7 && about > i) {
		return dateExpr{}, false
	}
	to := k + 1
	if n := d.norm(to); n == "ago" || n == "back" || n == "atras" {
		to++
	}
	out := dateExpr{to: to, asks: true, days: []civil.Date{d.today.AddDays(-a * days)}}
	if b > a {
		out.days = append(out.days, d.today.AddDays(-b*days))
	} else {
		out.days = append(out.days, d.today.AddDays(1-a*days), d.today.AddDays(-1-a*days))
	}
	return out, true
}

func (d *dater) minus(from civil.Date, s span, sign int) civil.Date {
	t := time.Date(from.Year, from.Month+time.Month(sign*s.months), from.Day, 0, 0, 0, 0, time.UTC)
	return civil.DateOf(t).AddDays(sign * s.days)
}

// ago reads "two days ago", "hace dos dias", "3 days back", "in 3 weeks",
// "two days from tomorrow".
// running reads "hoy cumplo tres días con la regla", "llevo cinco días con hoy",
// which count today as one of the days.
func (d *dater) running(i int) (dateExpr, bool) {
	n, to, ok := d.whole(d.skip(i+1, "ya"))
	if !ok || n < 1 || n > 15 || d.norm(to) != "dias" && d.norm(to) != "dia" {
		return dateExpr{}, false
	}
	counted := d.norm(i) == "cumplo"
	for k := to + 1; k < min(to+7, len(d.toks)); k++ {
		counted = counted || d.norm(k) == "con" && d.norm(k+1) == "hoy"
	}
	if !counted {
		return dateExpr{}, false
	}
	return dateExpr{cycle: n, to: to + 1}, true
}

func (d *dater) ago(i int) (dateExpr, bool) {
	sign, j := 0, i
	switch d.norm(i) {
	case "hace", "ace", "hara":
		sign, j = -1, d.skip(i+1, "ya", "cosa", "de")
	case "in", "dentro", "en":
		sign, j = 1, d.skip(i+1, "de")
	case "cumplo", "llevo":
		return d.running(i)
	case "for", "since", "desde", "x":
		return dateExpr{}, false
	}
	if d.norm(j) == "rato" || d.norm(j) == "ratito" || d.norm(j+1) == "rato" || d.norm(j+1) == "ratito" {
		if sign == -1 {
			return dateExpr{days: []civil.Date{d.today}, to: j + 1}, true
		}
	}
	s, ok := d.span(j)
	about := sign < 0 && j > i+1 && d.norm(j-1) == "de" // "hace cosa de una semana"
	if e, isOpen := d.roughly(j); isOpen && (sign < 0 || d.norm(e.to-1) == "ago" || d.norm(e.to-1) == "back" || d.norm(e.to-1) == "atras") {
		return e, true
	}
	if !ok {
		if sign != 0 {
			if e, ok := d.open(j); ok && sign < 0 {
				return e, true
			}
		}
		return dateExpr{}, false
	}
	to := s.to
	from := d.today
	if n := d.norm(to); sign == 0 && s.days > 0 && s.hours == 0 && (n == "into" || n == "deep") {
		first := d.minus(d.today, s, -1)
		return dateExpr{days: []civil.Date{first.AddDays(1), first}, asks: true, to: to + 1}, true
	}
	switch d.norm(to) {
	case "ago", "back", "earlier", "atras", "antes":
		sign, to = -1, d.skip(to+1, "today", "exactly", "exactos")
	case "before":
		if e, ok := d.besideMidnight(to); ok {
			return e, true
		}
		sign, to = -1, to+1
		if e, ok := d.relative(to); ok && len(e.days) == 1 {
			from, to = e.days[0], e.to
		}
	case "from", "after", "despues":
		if e, ok := d.relative(d.skip(to+1, "de")); ok && len(e.days) == 1 {
			return dateExpr{days: []civil.Date{d.minus(e.days[0], s, 1)}, to: e.to, future: true}, true
		}
		sign, to = 1, to+1
	case "later":
		sign, to = 1, to+1
	}
	if sign == 0 {
		return dateExpr{}, false
	}
	if s.hours > 0 {
		moment := d.sent.Add(time.Duration(float64(sign) * s.hours * float64(time.Hour)))
		return dateExpr{
			days: []civil.Date{civil.DateOf(moment).AddDays(sign * s.days)}, to: to, instant: true,
			clock: civil.TimeOfDayOf(moment), hasTime: true, future: sign > 0,
		}, true
	}
	return dateExpr{days: []civil.Date{d.minus(from, s, sign)}, to: to, future: sign > 0, asks: about}, true
}
