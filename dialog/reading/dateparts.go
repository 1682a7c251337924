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
	case "week", "weeks", "semana", "semanas":
		return 7, 0, 0
	case "month", "months", "mes", "meses":
		return 0, 1, 0
	case "year", "years", "ano", "anos":
		return 0, 12, 0
	case "hour", "hours", "hr", "hrs", "hora", "horas", "h":
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
func (d *dater) ago(i int) (dateExpr, bool) {
	sign, j := 0, i
	switch d.norm(i) {
	case "hace", "ace":
		sign, j = -1, i+1
	case "in", "dentro", "en":
		sign, j = 1, d.skip(i+1, "de")
	case "for", "llevo", "since", "desde", "x":
		return dateExpr{}, false
	}
	if d.norm(j) == "rato" || d.norm(j) == "ratito" || d.norm(j+1) == "rato" || d.norm(j+1) == "ratito" {
		if sign == -1 {
			return dateExpr{days: []civil.Date{d.today}, to: j + 1}, true
		}
	}
	s, ok := d.span(j)
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
		sign, to = -1, to+1
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
	return dateExpr{days: []civil.Date{d.minus(from, s, sign)}, to: to, future: sign > 0}, true
}

// valid makes a date, or the zero Date where there is no such day.
func valid(y int, m, day int) civil.Date {
	t := time.Date(y, time.Month(m), day, 0, 0, 0, 0, time.UTC)
	if y < 1 || y > 9999 || m < 1 || m > 12 || t.Day() != day {
		return civil.Date{}
	}
	return civil.DateOf(t)
}

// pastDay is the most recent such day of the year that is not after today;
// 29 February may lie some years back.
func (d *dater) pastDay(m, day int) civil.Date {
	for y := d.today.Year; y > d.today.Year-9; y-- {
		if v := valid(y, m, day); !v.IsZero() && !v.After(d.today) {
			return v
		}
	}
	return civil.Date{}
}

func year4(y int) int {
	switch {
	case y >= 100:
		return y
	case y < 50:
		return 2000 + y
	}
	return 1900 + y
}

// numeric reads 2026-03-02, 3/2/2026, 03/04, 4.22, 17 del 11.
func (d *dater) numeric(i int) (dateExpr, bool) {
	i = d.skip(i, "on", "the", "el", "dia")
	if i >= len(d.toks) || d.toks[i].kind != numberToken {
		return dateExpr{}, false
	}
	t := &d.toks[i]
	if decimalsOf(t) {
		return d.dotted(i)
	}
	a := int(t.num)
	if d.words(i+1, "del") && i+2 < len(d.toks) && d.toks[i+2].kind == numberToken {
		return d.dayMonth(int(d.toks[i+2].num), a, i+3)
	}
	if !d.sign(i + 1) {
		return dateExpr{}, false
	}
	sep := d.norm(i + 1)
	b := int(d.toks[i+2].num)
	if decimalsOf(&d.toks[i+2]) && sep == "." { // 2015.5.13 and 13.5.2015 are cut in other places
		return dateExpr{}, false
	}
	if d.sign(i + 3) {
		return d.withYear(a, b, int(d.toks[i+4].num), i+5)
	}
	if sep == ":" || sep == "," {
		return dateExpr{}, false
	}
	if sep == "-" && !d.dateish(i) {
		return dateExpr{}, false
	}
	// "1/2", "8/10": a fraction or a score where a unit or "pain" follows.
	switch d.norm(i + 3) {
	case "tablet", "tablets", "pill", "pills", "dose", "pastilla", "tableta", "dosis", "pain", "dolor", "of", "mg", "pad", "cup":
		return dateExpr{}, false
	}
	return d.either(a, b, i+3)
}

// dateish: "3-4" is a date only after a word that leads one in; else it is a
// range ("3-4 pads").
func (d *dater) dateish(i int) bool {
	switch d.norm(i - 1) {
	case "on", "el", "since", "desde", "dia", "date", "fecha", "the", "back", "was", "fue":
		return true
	}
	return i+3 >= len(d.toks) || d.toks[i+3].brk == hardBreak
}

func (d *dater) sign(i int) bool {
	return i+1 < len(d.toks) && d.toks[i].kind == signToken && d.toks[i+1].kind == numberToken
}

func (d *dater) dotted(i int) (dateExpr, bool) {
	n := d.toks[i].norm
	if len(n) < 3 || d.sign(i+1) || !d.leads(i) {
		return dateExpr{}, false
	}
	k := 1
	if !isDigit(n[1]) {
		k = 1
	} else {
		k = 2
	}
	a, b := int(decimal(n[:k])), int(decimal(n[k+1:]))
	if len(n)-k-1 != 2 && len(n)-k-1 != 1 {
		return dateExpr{}, false
	}
	return d.either(a, b, i+1)
}

// leads: a decimal number is a date only after a word that leads one in.
func (d *dater) leads(i int) bool {
	switch d.norm(i - 1) {
	case "on", "el", "since", "desde", "fecha":
		return true
	case "in":
		return true
	}
	return false
}

// withYear reads three numbers, with the year first or last. Where month and
// day may be exchanged the language decides for text with a year only if one
// of them lies ahead; otherwise she is asked.
func (d *dater) withYear(a, b, c, to int) (dateExpr, bool) {
	if a > 31 {
		if v := valid(year4(a), b, c); !v.IsZero() {
			return one(v, to)
		}
		return dateExpr{}, false
	}
	y := year4(c)
	md, dm := valid(y, a, b), valid(y, b, a)
	if d.spanish {
		md, dm = dm, md
	}
	return d.choose(md, dm, to)
}

// either reads two numbers as month and day in either order.
func (d *dater) either(a, b, to int) (dateExpr, bool) {
	md, dm := d.pastDay(a, b), d.pastDay(b, a)
	if d.spanish {
		md, dm = dm, md
	}
	return d.choose(md, dm, to)
}

// choose settles a date that may be read in two ways: a day that does not exist
// or lies too far back is out; if both remain she is asked.
func (d *dater) choose(first, other civil.Date, to int) (dateExpr, bool) {
	ok := func(x civil.Date) bool { return !x.IsZero() }
	recent := func(x civil.Date) bool {
		return ok(x) && !x.After(d.today) && d.today.DaysSince(x) <= farBack
	}
	switch {
	case !ok(first) && !ok(other):
		return dateExpr{}, false
	case first == other || !ok(other):
		return one(first, to)
	case !ok(first):
		return one(other, to)
	case recent(first) && !recent(other):
		return one(first, to)
	case recent(other) && !recent(first):
		return one(other, to)
	}
	return dateExpr{days: []civil.Date{first, other}, asks: recent(first), to: to}, true
}

// farBack is how many days ago the first day of a period is still believed
// where a date may be read in two ways: two months and some days.
const farBack = 70

func (d *dater) dayMonth(m, day, to int) (dateExpr, bool) {
	if v := d.pastDay(m, day); !v.IsZero() {
		return one(v, to)
	}
	return dateExpr{}, false
}

// named reads a month's name with a day, either order, with or without a year.
func (d *dater) named(i int) (dateExpr, bool) {
	i = d.skip(i, "on", "the", "el", "dia")
	if i >= len(d.toks) {
		return dateExpr{}, false
	}
	j := i
	if n, to, ok := d.whole(i); ok && n <= 31 {
		k := d.skip(to, "of", "de", "del", "mes", "/", "-")
		if d.norm(to) == "." {
			k = to + 1
		}
		if m, ok := months[d.norm(k)]; ok && d.joined(k) {
			return d.monthWithDay(int(m), n, k+1)
		}
		if n > 31 {
			return dateExpr{}, false
		}
		if m, ok := months[d.norm(to)]; ok {
			return d.monthWithDay(int(m), n, to+1)
		}
	}
	if d.toks[i].kind == numberToken && d.toks[i].num > 1000 {
		if m, ok := months[d.norm(i+1)]; ok {
			if n, to, ok := d.whole(i + 2); ok {
				if v := valid(int(d.toks[i].num), int(m), n); !v.IsZero() {
					return one(v, to)
				}
			}
		}
	}
	m, ok := months[d.norm(j)]
	if !ok {
		return dateExpr{}, false
	}
	k := d.skip(j+1, "the", "el", "dia", "/", "-")
	n, to, ok := d.whole(k)
	if !ok || n > 31 || k < len(d.toks) && d.toks[k].brk == hardBreak && d.norm(j) != "sept" && len(d.norm(j)) > 4 {
		return dateExpr{}, false
	}
	return d.monthWithDay(int(m), n, to)
}

// monthWithDay looks for a year behind a month and a day.
func (d *dater) monthWithDay(m, day, to int) (dateExpr, bool) {
	k := d.skip(to, "of", "de", "del")
	if k < len(d.toks) && d.toks[k].kind == numberToken && d.toks[k].num >= 1000 && d.toks[k].num < 3000 && d.toks[k].brk != hardBreak {
		if v := valid(int(d.toks[k].num), m, day); !v.IsZero() {
			return one(v, k+1)
		}
	}
	return d.dayMonth(m, day, to)
}

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
	case "am", "pm", "a", "p", "h", "hs", "hrs", "oclock", "ish":
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
			if d.norm(k+1) == "week" || d.norm(k+1) == "semana" || d.norm(k-1) == "semana" {
				e.days, e.asks, e.to = []civil.Date{d.inWeek(w, -1)}, false, k+2
			}
		}
	case "next", "siguiente", "proxima", "que":
		if d.joined(k) {
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
