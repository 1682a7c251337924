package reading

import "handrail.example/reminders/civil"

// time finds the time of day that stands with a date expression: "last night
// around 11", "hoy a las 7", "at 10pm yesterday".
func (d *dater) time(e *dateExpr) {
	if e.hasTime {
		return
	}
	for k := e.to; k < min(e.to+5, len(d.toks)) && d.joined(k); k++ {
		if t, to, ok := d.clock(k, e.night || d.lateWord(e)); ok {
			e.clock, e.hasTime, e.to = t, true, max(e.to, to)
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
func (d *dater) lateWord(e *dateExpr) bool {
	switch d.norm(e.to - 1) {
	case "noche", "night", "tonight", "evening", "tarde", "afternoon":
		return true
	}
	return false
}

// clock reads a time of day at token k. Without am or pm, an hour of the
// evening is meant where late is true.
func (d *dater) clock(k int, late bool) (civil.TimeOfDay, int, bool) {
	switch d.norm(k) {
	case "noon", "mediodia":
		return 12 * 60, k + 1, true
	}
	j := d.skip(k, "at", "around", "about", "like", "a", "las", "la", "como", "eso", "de", "tipo", "by", "sobre", "hacia")
	if j >= len(d.toks) || !d.toks[j].isNumber() || decimalsOf(&d.toks[j]) {
		return 0, 0, false
	}
	led := j > k
	h, min, to := int(d.toks[j].num), 0, j+1
	if d.norm(to) == ":" && d.sign(to) {
		min, to, led = int(d.toks[to+1].num), to+2, true
	}
	if d.norm(to) == "y" && (d.norm(to+1) == "media" || d.norm(to+1) == "cuarto") {
		min, to = 30, to+2
	}
	switch d.norm(to) {
	case "am", "a":
		led, to, late = true, to+1, false
		h %= 12
	case "pm", "p":
		led, to, late = true, to+1, false
		h = h%12 + 12
	case "ish", "oclock", "h", "hs", "hrs":
		led, to = true, to+1
	case "de":
		led, h, to = d.partOfDay(h, to, led)
		late = false
	}
	if !led || h > 24 || min > 59 {
		return 0, 0, false
	}
	if late && h >= 5 && h < 12 {
		h += 12
	}
	return civil.TimeOfDay((h*60 + min) % (24 * 60)), to, true
}

// partOfDay reads "de la noche", "de la mañana" behind an hour.
func (d *dater) partOfDay(h, to int, led bool) (bool, int, int) {
	switch d.norm(to + 2) {
	case "noche", "tarde":
		if h < 12 && h >= 1 {
			h += 12
		}
		return true, h, to + 3
	case "manana", "madrugada":
		return true, h % 12, to + 3
	}
	return led, h, to
}
