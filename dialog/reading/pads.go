package reading

import (
	"math"

	"handrail.example/triage/rules"
)

// pads reads how many pads in how much time.
func (m *message) pads() []seen {
	var out []seen
	for _, x := range m.found {
		if x.concept.kind != "word" || x.concept.name != "pad" {
			continue
		}
		rate, from, to := m.padRate(x)
		switch {
		case rate >= soakPerHour:
			out = append(out, m.seenAt("soaking", from, to))
		case rate >= heavyPerHour:
			out = append(out, m.seenAt("heavy_flow", from, to), seen{slowPads, from, to, Negated})
		case rate > 0:
			out = append(out, seen{slowPads, from, to, Negated})
		}
	}
	return out
}

// slowPads is a count of pads that is no soaking, whatever the words around it.
const slowPads = rules.Sign("slow_pads")

// padRate is pads per hour near a word for a pad, 0 where no time is told.
func (m *message) padRate(pad match) (rate float64, from, to int) {
	count, i := 1.0, pad.from
	from = i
	for k := i - 1; k >= max(i-3, 0) && m.toks[k].sentence == m.toks[i].sentence; k-- {
		if m.toks[k].isNumber() {
			count, from = max(m.toks[k].num, 1), k
			break
		}
	}
	if n, ok := m.ordinal(pad); ok {
		count = n
	}
	if hours, to := m.hoursSince(pad); hours > 0 && count >= 2 {
		return count / hours, from, to
	}
	for k := pad.to; k < min(pad.to+9, len(m.toks)) && (m.toks[k].sentence == m.toks[i].sentence || k < pad.to+4); k++ {
		n := 1.0
		for b := k - 1; b > max(k-3, pad.to-1); b-- {
			if m.toks[b].isNumber() {
				n = m.toks[b].num
				break
			}
		}
		switch m.toks[k].norm {
		case "times", "veces":
			count = max(n, 1)
		case "hour", "hours", "hr", "hrs", "hora", "horas", "h":
			return count / max(n, 0.25), from, k + 1
		case "minutes", "minute", "min", "mins", "minutos", "minuto":
			if n >= 2 {
				return count * 60 / n, from, k + 1
			}
		}
	}
	return 0, 0, 0
}

// ordinal reads which pad it is: "pad number six", "the sixth pad".
func (m *message) ordinal(pad match) (float64, bool) {
	for k := pad.to; k < min(pad.to+3, len(m.toks)); k++ {
		switch m.toks[k].norm {
		case "number", "numero", "no", "num", "nr":
			if k+1 < len(m.toks) && m.toks[k+1].isNumber() {
				return m.toks[k+1].num, true
			}
		}
	}
	for k := pad.from - 1; k >= max(pad.from-2, 0); k-- {
		if n := padOrdinals[m.toks[k].norm]; n > 0 {
			return n, true
		}
	}
	return 0, false
}

var padOrdinals = map[string]float64{
	"third": 3, "fourth": 4, "fifth": 5, "sixth": 6, "seventh": 7, "eighth": 8,
	"tercera": 3, "cuarta": 4, "quinta": 5, "sexta": 6, "septima": 7, "octava": 8,
}

// meals are the times of day that are told without a clock, in hours.
var meals = map[string]float64{
	"breakfast": 8, "desayuno": 8, "desayune": 8, "noon": 12, "mediodia": 12, "lunch": 13, "lunchtime": 13, "almuerzo": 13,
	"comida": 14, "dinner": 19, "supper": 19, "cena": 20, "cene": 20, "midnight": 0, "medianoche": 0,
}

// hoursSince reads "since four o'clock", "desde la comida" behind a word for a
// pad, as hours before the message was sent; without am or pm the latest such
// time of day. At least half an hour, so that a slip gives no wild rate.
func (m *message) hoursSince(pad match) (hours float64, to int) {
	d := m.dater()
	sent := float64(m.ctx.Sent.Hour()) + float64(m.ctx.Sent.Minute())/60
	for k := pad.to; k+1 < min(pad.to+9, len(m.toks)) && m.toks[k].sentence == m.toks[pad.from].sentence; k++ {
		if n := m.toks[k].norm; n != "since" && n != "desde" {
			continue
		}
		for j := k + 1; j < min(k+4, len(m.toks)); j++ {
			if h, ok := meals[m.toks[j].norm]; ok {
				return max(math.Mod(sent-h+24, 24), 0.5), j + 1
			}
		}
		if t, end, ok := d.clock(k+1, false); ok {
			return max(math.Mod(sent-float64(t)/60+24, 12), 0.5), end
		}
		if h := m.toks[k+1].num; h >= 1 && h <= 12 && units[m.unit(k+1)] == "" {
			return max(math.Mod(sent-h+24, 12), 0.5), k + 2
		}
	}
	return 0, 0
}
