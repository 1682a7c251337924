package reading

import (
	"slices"

	"handrail.example/triage/rules"
)

// numberWords are numbers as words, from one to ninety.
var numberWords = map[string]float64{
	"one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8,
	"nine": 9, "ten": 10, "eleven": 11, "twelve": 12, "thirteen": 13, "fourteen": 14, "fifteen": 15,
	"sixteen": 16, "seventeen": 17, "eighteen": 18, "nineteen": 19, "twenty": 20, "thirty": 30,
	"forty": 40, "fifty": 50, "sixty": 60, "ninety": 90, "half": 0.5, "couple": 2, "both": 2,
	"uno": 1, "una": 1, "un": 1, "dos": 2, "tres": 3, "cuatro": 4, "cinco": 5, "seis": 6, "siete": 7, "ocho": 8,
	"nueve": 9, "diez": 10, "once": 11, "doce": 12, "trece": 13, "catorce": 14, "quince": 15,
	"dieciseis": 16, "diecisiete": 17, "dieciocho": 18, "diecinueve": 19, "veinte": 20, "treinta": 30,
	"cuarenta": 40, "cincuenta": 50, "sesenta": 60, "noventa": 90, "media": 0.5, "medio": 0.5, "par": 2,
}

// Thresholds. Temperature: 38.0 C, 100.4 F. Weight: more than 1 kg or 2 lb a
// day; 2 lb is 0.907 kg, and the stricter of the two holds. Pads: about one in
// an hour is soaking (ACOG Practice Bulletin 200, from memory, with the
// stricter limit of one), more than one in three hours is heavy.
const (
	feverC         = 38.0
	feverF         = 100.4
	gainKgPerDay   = 0.9
	kgPerPound     = 0.4536
	soakPerHour    = 0.7
	heavyPerHour   = 1.0 / 3
	severeOfTen    = 7
	moderateOfTen  = 4
	farFromANumber = 7
)

// measures has the signs that measured numbers give, fever above all.
func (m *message) measures() []seen {
	var out []seen
	for i := range m.toks {
		t := &m.toks[i]
		if !t.isNumber() {
			continue
		}
		if x, ok := m.weightGain(i); ok {
			out = append(out, x)
		} else if x, ok := m.temperature(i); ok {
			out = append(out, x)
		} else if x, ok := m.painScore(i); ok {
			out = append(out, x)
		} else if x, ok := m.risingScore(i); ok {
			out = append(out, x)
		} else if x, ok := m.muchTooMuch(i); ok {
			out = append(out, x)
		}
	}
	return append(out, m.pads()...)
}

// seenAt makes a sign of the tokens from..to, in the state that the cues give.
func (m *message) seenAt(sign rules.Sign, from, to int) seen {
	x := match{concept: &concept{kind: "sign", name: string(sign)}, from: from, to: to}
	return seen{sign, from, to, m.stateOf(x)}
}

// unit is the norm of the token after i when nothing stands between, skipping
// the word for degrees.
func (m *message) unit(i int) string {
	for k := i + 1; k < len(m.toks) && k <= i+2 && m.toks[k].brk != hardBreak; k++ {
		switch n := m.toks[k].norm; n {
		case "degrees", "degree", "grados", "grado", "deg":
			if k+1 < len(m.toks) && m.toks[k+1].brk == noBreak {
				continue
			}
			return "degrees"
		default:
			return n
		}
	}
	if i+1 < len(m.toks) {
		switch m.toks[i+1].norm {
		case "degrees", "grados", "degree", "grado", "deg":
			return "degrees"
		}
	}
	return ""
}

// near reports whether a word concept lies within a few tokens of token i, in
// its sentence or the one before (temperatures are often told on a line of
// their own).
func (m *message) near(i int, names ...string) bool {
	for _, x := range m.foundNear(i-farFromANumber, i+farFromANumber) {
		if m.toks[i].sentence-m.toks[x.from].sentence > 1 || m.toks[x.from].sentence > m.toks[i].sentence {
			continue
		}
		for _, n := range names {
			if x.concept.name == n && isKind(x.concept, "word", "sign") {
				return true
			}
		}
	}
	return false
}

func (m *message) temperature(i int) (seen, bool) {
	t := m.toks[i]
	t.num = m.spelled(i)
	if i > 0 && m.toks[i-1].kind == signToken || i+1 < len(m.toks) && m.toks[i+1].kind == signToken {
		return seen{}, false
	}
	unit, told := m.unit(i), m.near(i, "temperature", "high_temperature", "chills", "rigors")
	celsius := unit == "c" || unit == "celsius" || unit == "centigrados"
	fahrenheit := unit == "f" || unit == "fahrenheit"
	if !told && !celsius && !fahrenheit && unit != "degrees" && !(decimalsOf(&t) && units[unit] == "" && (38 <= t.num && t.num < 42 || feverF <= t.num && t.num < 106) && !m.near(i, "scale", "gain")) {
		return seen{}, false
	}
	if units[unit] != "" {
		return seen{}, false
	}
	high := false
	switch {
	case 35 <= t.num && t.num <= 43 && !fahrenheit:
		high = t.num >= feverC
	case 95 <= t.num && t.num <= 110 && !celsius:
		high = t.num >= feverF
	default:
		return seen{}, false
	}
	if !high {
		return seen{noFever, i, i + 1, Negated}, true
	}
	return m.seenAt("high_temperature", i, i+1), true
}

// spelled is the value of a number that goes on in words: "thirty nine",
// "treinta y ocho y medio", "a hundred and two".
func (m *message) spelled(i int) float64 {
	v, k := m.toks[i].num, i+1
	norm := func(k int) string {
		if k < len(m.toks) {
			return m.toks[k].norm
		}
		return ""
	}
	skipAnd := func(k int) int {
		if n := norm(k); n == "y" || n == "and" || n == "con" || n == "point" || n == "punto" {
			return k + 1
		}
		return k
	}
	if norm(k) == "hundred" && v == 1 {
		v, k = 100, k+1
	}
	if u := skipAnd(k); u < len(m.toks) && m.toks[u].kind == wordToken && m.toks[u].num >= 1 && m.toks[u].num < 10 && (v == 30 || v == 40 || v == 100) {
		v, k = v+m.toks[u].num, u+1
	}
	if u := skipAnd(k); u > k && (norm(u) == "medio" || norm(u) == "media" || norm(u) == "half") {
		v += 0.5
	}
	return v
}

func decimalsOf(t *token) bool {
	for _, c := range t.norm {
		if c == '.' || c == ',' {
			return true
		}
	}
	return false
}

// units that say that a number is no temperature.
var units = map[string]string{
	"kg": "kg", "kgs": "kg", "kilo": "kg", "kilos": "kg", "kilogramos": "kg", "kilograms": "kg", "k": "kg",
	"lb": "lb", "lbs": "lb", "pound": "lb", "pounds": "lb", "libra": "lb", "libras": "lb",
	"mm": "mm", "cm": "cm", "mg": "mg", "ml": "ml", "weeks": "week", "week": "week", "semanas": "week",
	"semana": "week", "years": "year", "anos": "year", "days": "day", "dias": "day", "iu": "iu", "ui": "iu", "%": "%",
	"hours": "hour", "horas": "hour", "minutes": "minute", "minutos": "minute", "min": "minute", "mins": "minute",
}

func (m *message) weightGain(i int) (seen, bool) {
	kg := m.toks[i].num
	if x, ok := m.twoWeights(i); ok {
		return x, true
	}
	switch units[m.unit(i)] {
	case "kg":
	case "lb":
		kg *= kgPerPound
	default:
		return seen{}, false
	}
	if !m.near(i, "gain") || kg > 15 {
		return seen{}, false
	}
	if kg/m.daysNear(i) < gainKgPerDay {
		return seen{}, false
	}
	return m.seenAt("weight_gain", i, i+2), true
}

// twoWeights reads what the scale showed before and now ("61.0 yesterday, 62.4
// today"); token i is the second number. Without a unit a weight from 110 up is
// in pounds.
func (m *message) twoWeights(i int) (seen, bool) {
	now := m.toks[i].num
	if now < 38 || now > 400 || !m.near(i, "scale") && !m.near(i, "gain") && !(m.near(i, "dates", "today") && now > 43 && (decimalsOf(&m.toks[i]) || m.dayFollows(i) && !m.hasWord["result"])) {
		return seen{}, false
	}
	for k := i - 1; k >= max(i-12, 0); k-- {
		t := &m.toks[k]
		if t.kind == numberToken && t.num > now && m.toldBackwards(k, i) {
			return m.weightsAt(i, k, t.num-now)
		}
		if t.kind != numberToken || t.num < 38 || t.num >= now || !m.near(k, "scale") && !m.near(k, "dates", "today") {
			continue
		}
		return m.weightsAt(k, i, now-t.num)
	}
	return seen{}, false
}

// dayFollows: a word for now stands right behind the number: "140 on Monday, 144
// today".
func (m *message) dayFollows(i int) bool {
	return i+1 < len(m.toks) && slices.ContainsFunc(m.foundNear(i+1, i+1), func(x match) bool {
		return x.concept.kind == "word" && x.concept.name == "today"
	})
}

// toldBackwards: of two weights today's is told first ("61.2 this morning,
// yesterday 59.6").
func (m *message) toldBackwards(today, before int) bool {
	for k := before - 1; k > max(before-3, today); k-- {
		if n := m.toks[k].norm; n == "yesterday" || n == "ayer" {
			return true
		}
	}
	return false
}

// weightsAt is the sign of a gain between the weights at two tokens.
func (m *message) weightsAt(before, now int, gain float64) (seen, bool) {
	if units[m.unit(now)] == "lb" || units[m.unit(before)] == "lb" || m.toks[now].num >= 110 {
		gain *= kgPerPound
	}
	if gain < gainKgPerDay || gain > 12 || gain/m.daysNear(now) < gainKgPerDay {
		return seen{}, false
	}
	return m.seenAt("weight_gain", min(before, now), max(before, now)+1), true
}

// daysNear is over how many days something happened, as told near token i; one
// where nothing is told, which is the graver reading.
func (m *message) daysNear(i int) float64 {
	for k := max(i-10, 0); k < min(i+13, len(m.toks)); k++ {
		if m.toks[k].sentence != m.toks[i].sentence {
			continue
		}
		n := 1.0
		if k > 0 && m.toks[k-1].isNumber() {
			n = m.toks[k-1].num
		}
		switch m.toks[k].norm {
		case "days", "dias":
			return max(n, 1)
		case "week", "weeks", "semana", "semanas":
			return max(n, 1) * 7
		case "month", "months", "mes", "meses", "year", "year's", "ano", "anos", "christmas", "summer":
			return max(n, 1) * 30
		}
	}
	if m.near(i, "long_since") {
		return 14
	}
	return 1
}

// muchTooMuch reads "900 instead of 75": several times what was meant is an
// overdose (a factor of four; common practice, no source).
func (m *message) muchTooMuch(i int) (seen, bool) {
	for k := i + 1; k < min(i+4, len(m.toks)); k++ {
		instead := m.toks[k].norm == "instead" || m.toks[k].norm == "vez" || m.toks[k].norm == "lugar"
		if !instead || k+2 >= len(m.toks) || !m.toks[k+2].isNumber() {
			continue
		}
		if meant := m.toks[k+2].num; meant > 0 && m.toks[i].num >= 4*meant {
			return m.seenAt("overdose", i, k+3), true
		}
	}
	return seen{}, false
}

func (m *message) headNear(i int, names ...string) *match {
	for k, x := range m.foundNear(i-12, i+12) {
		for _, n := range names {
			if x.concept.kind == "head" && x.concept.name == n {
				return &m.foundNear(i-12, i+12)[k]
			}
		}
	}
	return nil
}
