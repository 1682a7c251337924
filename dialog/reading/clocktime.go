package reading

import (
	"slices"

	"handrail.example/reminders/civil"
)

// clockSpan is a time of day in the text, from token from to token to.
type clockSpan struct {
	from, to int
	clock    civil.TimeOfDay
}

// clocks has every time of day that the message names in so many words ("at
// 9", "10:15 pm", "a las 8 y media").
func (m *message) clocks() []clockSpan {
	if !m.clocked {
		m.times, m.clocked = m.findClocks(), true
	}
	return m.times
}

func (m *message) findClocks() []clockSpan {
	d := m.dater()
	var out []clockSpan
	late := slices.ContainsFunc(d.toks, func(t token) bool { return lateWords[t.norm] })
	for k := 0; k < len(d.toks); k++ {
		if t := &d.toks[k]; !t.isNumber() && !clockWords[t.norm] {
			continue
		}
		t, to, ok := d.clock(k, late && d.lateNear(k))
		if ok && d.toldAsClock(k, to) {
			out = append(out, clockSpan{k, to, t})
			k = to - 1
		}
	}
	return out
}

// readTime gives a message the first time of day that it names, where the day
// one has brought none. A time that belongs to a visit is none of a period.
func (m *message) readTime(r *Reading) {
	if r.HasTime {
		return
	}
	for _, c := range m.clocks() {
		if !m.period || m.toks[c.from].sentence == m.toks[m.periodAnchor().from].sentence && !m.hasWord["visit"] {
			r.Time, r.HasTime = c.clock, true
			return
		}
	}
	for _, e := range m.dates() {
		if e.instant && e.hasTime && !e.future && !m.period {
			r.Time, r.HasTime = e.clock, true
			return
		}
	}
}

// time finds the time of day that stands with a date expression: "last night
// around 11", "hoy a las 7", "at 10pm yesterday".
func (d *dater) time(e *dateExpr) {
	if e.hasTime {
		return
	}
	for k := e.to; k < min(e.to+5, len(d.toks)) && d.joined(k); k++ {
		if t, to, ok := d.clock(k, e.night || d.lateWord(e)); ok {
			e.clock, e.hasTime, e.to = t, true, min(max(e.to, to), len(d.toks))
			return
		}
	}
	for k := max(e.from-5, 0); k < e.from; k++ {
		if t, to, ok := d.clock(k, e.night); ok && to <= e.from+1 {
			e.clock, e.hasTime = t, true
			return
		}
	}
}

// lateWord: the expression ends in "noche" or the like.
func (d *dater) lateWord(e *dateExpr) bool { return lateWords[d.norm(e.to-1)] }

var lateWords = map[string]bool{
	"noche": true, "night": true, "tonight": true, "evening": true, "tarde": true, "afternoon": true, "anoche": true, "dinner": true, "cena": true,
}

// lateNear: a word for the evening stands near token k in its sentence.
func (d *dater) lateNear(k int) bool {
	for i := max(k-6, 0); i < min(k+7, len(d.toks)); i++ {
		if lateWords[d.norm(i)] && d.toks[i].sentence == d.toks[k].sentence {
			return true
		}
	}
	return false
}

// toldAsClock: the words from k to to say that the number is a time of day, and
// what follows does not say that it counts something.
func (d *dater) toldAsClock(k, to int) bool {
	next := d.norm(to)
	days, months, hours := unitDays(next)
	if days+months > 0 || hours > 0 || units[next] != "" && next != "h" || next == "out" || next == "/" || next == "dp" || next == "dpt" || next == "%" {
		return false
	}
	if (next == "of" || next == "de" || next == "sobre") && to+1 < len(d.toks) && d.toks[to+1].isNumber() {
		return false
	}
	for i := k; i < to; i++ {
		switch d.norm(i) {
		case "at", "las", "la", "am", "pm", "a", "p", ":", "noon", "mediodia", "midnight", "medianoche", "oclock", "ish", "punto", "quarter", "cuarto", "past":
			if d.norm(i) != "a" && d.norm(i) != "p" || i > k {
				return true
			}
		}
	}
	return false
}

// clockLead are the small words that may lead in a time of day.
var clockLead = []string{"at", "around", "about", "like", "a", "las", "la", "como", "eso", "de", "tipo", "by", "sobre", "hacia", "casi", "almost", "exactly", "exactamente", "right"}

// clockWords are those with which a time of day can begin, numbers apart.
var clockWords = set(append([]string{"un", "quarter", "cuarto", "half", "noon", "mediodia", "before", "antes", "after", "past", "despues",
	"pasada", "pasadita"}, clockLead...)...)

// clock reads a time of day at token k. Without am or pm, an hour of the
// evening is meant where late is true.
func (d *dater) clock(k int, late bool) (civil.TimeOfDay, int, bool) {
	if t, to, ok := d.namedClock(k); ok {
		return t, to, true
	}
	j := d.skip(k, clockLead...)
	if t, to, ok := d.namedClock(j); ok {
		return t, to, true
	}
	shift, j := d.minutesBefore(j)
	if j >= len(d.toks) || !d.toks[j].isNumber() || decimalsOf(&d.toks[j]) || d.toks[j].num > 24 {
		if j < len(d.toks) && shift != 0 && (d.norm(j) == "midnight" || d.norm(j) == "medianoche") {
			return civil.TimeOfDay((shift + 24*60) % (24 * 60)), j + 1, true
		}
		return 0, 0, false
	}
	led := j > k
	h, min, to := int(d.toks[j].num), shift, j+1
	if d.norm(to) == ":" && d.sign(to) {
		min, to, led = int(d.toks[to+1].num), to+2, true
	}
	if add, end, ok := d.minutesAfter(to); ok {
		min, to = min+add, end
	}
	switch d.norm(to) {
	case "am":
		led, to, late = true, to+1, false
		h %= 12
	case "pm":
		led, to, late = true, to+1, false
		h = h%12 + 12
	case "a", "p":
		if d.toks[to].from == d.toks[to-1].to { // "8p", not "3 a day"
			if d.norm(to) == "p" {
				h += 12
			}
			led, to, late, h = true, to+1, false, h%24
		}
	case "ish", "oclock", "h", "hs", "hrs", "sharp":
		led, to = true, to+1
	case "en":
		if d.norm(to+1) == "punto" {
			led, to = true, to+2
		}
	}
	if d.norm(to) == "de" {
		var half bool
		if half, h, to = d.partOfDay(h, to, led); half {
			led, late = true, late && h >= 12
		}
	}
	days, months, hours := unitDays(d.norm(to))
	if !led || h > 24 || min > 59 || min < -59 || days+months > 0 || hours > 0 { // "like two hours" is no hour
		return 0, 0, false
	}
	switch {
	case late && h >= 5 && h < 12:
		h += 12
	case late && h == 12 && d.lateEnough(k): // half past twelve at night
		h = 0
	}
	return civil.TimeOfDay((h*60 + min + 24*60) % (24 * 60)), to, true
}

// lateEnough: the night is named just before token k ("last night at 12:30").
func (d *dater) lateEnough(k int) bool {
	for i := max(k-4, 0); i < k; i++ {
		switch d.norm(i) {
		case "night", "anoche", "noche":
			return true
		}
	}
	return false
}

// namedClock reads noon, and the minutes on either side of midnight: midnight
// itself leaves the day open and is no time of a day.
func (d *dater) namedClock(k int) (civil.TimeOfDay, int, bool) {
	switch d.norm(k) {
	case "noon", "mediodia":
		return 12 * 60, k + 1, true
	case "before", "antes", "after", "past", "despues", "pasada", "pasadita":
		j := d.skip(k+1, "de", "la")
		if d.norm(j) != "midnight" && d.norm(j) != "medianoche" && !d.words(j, "media", "noche") {
			return 0, 0, false
		}
		if d.norm(j) == "media" {
			j++
		}
		if d.norm(k) == "before" || d.norm(k) == "antes" {
			return 23*60 + 50, j + 1, true
		}
		return 10, j + 1, true
	}
	return 0, 0, false
}

// minutesBefore reads "ten to", "quarter past", "cuarto para las" in front of
// an hour: the minutes that they add or take away.
func (d *dater) minutesBefore(j int) (minutes, to int) {
	n := 0
	k := d.skip(j, "a", "un")
	switch {
	case k >= len(d.toks):
		return 0, j
	case d.norm(k) == "quarter" || d.norm(k) == "cuarto":
		n = 15
	case d.norm(k) == "half" && d.norm(k+1) == "past":
		n = 30
	case d.norm(k) == "half" && k+1 < len(d.toks) && d.toks[k+1].isNumber() && d.toks[k+1].num >= 1 && d.toks[k+1].num <= 12:
		return 30, k + 1 // "half eleven" is half past it
	case d.toks[k].isNumber() && d.toks[k].num >= 1 && d.toks[k].num < 60:
		n = int(d.toks[k].num)
	default:
		return 0, j
	}
	k = d.skip(k+1, "minutes", "min", "mins", "minutos")
	switch d.norm(k) {
	case "past", "after":
		minutes = n
	case "to", "till", "til", "before":
		minutes = -n
	case "para":
		if d.norm(k+1) != "las" && d.norm(k+1) != "la" {
			return 0, j
		}
		minutes = -n
	default:
		return 0, j
	}
	k = d.skip(k+1, "las", "la")
	if k < len(d.toks) && (d.toks[k].isNumber() && d.toks[k].num <= 12 || d.norm(k) == "midnight" || d.norm(k) == "medianoche") {
		return minutes, k
	}
	return 0, j
}

// minutesAfter reads "y media", "y cuarto", "y 20", "menos cuarto", "y pico"
// behind an hour.
func (d *dater) minutesAfter(to int) (minutes, end int, ok bool) {
	sign := 1
	switch d.norm(to) {
	case "y":
	case "menos":
		sign = -1
	default:
		return 0, 0, false
	}
	switch n := d.norm(to + 1); {
	case n == "media":
		return 30, to + 2, true
	case n == "cuarto":
		return 15 * sign, to + 2, true
	case n == "pico" || n == "algo" || n == "pocos":
		return 0, to + 2, true
	case to+1 < len(d.toks) && d.toks[to+1].isNumber() && d.toks[to+1].num >= 5 && d.toks[to+1].num < 60 && !decimalsOf(&d.toks[to+1]):
		return int(d.toks[to+1].num) * sign, d.skip(to+2, "minutos", "min"), true
	}
	return 0, 0, false
}

// partOfDay reads "de la noche", "de la mañana" behind an hour.
func (d *dater) partOfDay(h, to int, led bool) (bool, int, int) {
	j := d.skip(to+1, "la")
	switch d.norm(j) {
	case "noche", "tarde":
		if h < 12 && h >= 1 {
			h += 12
		}
		return true, h % 24, j + 1
	case "manana", "madrugada":
		return true, h % 12, j + 1
	case "mediodia":
		return true, h, j + 1
	}
	return led, h, to
}
