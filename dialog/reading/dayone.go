package reading

import (
	"slices"

	"handrail.example/reminders/civil"
	"handrail.example/triage/rules"
)

// dates has the date expressions of the message, found once.
func (m *message) dates() []dateExpr {
	if !m.dated {
		d := m.dater()
		m.exprs, m.dated = d.all(), true
		for i := range m.exprs {
			d.time(&m.exprs[i])
		}
		m.exprs = outermost(m.exprs)
	}
	return m.exprs
}

func (m *message) dater() *dater {
	return &dater{toks: m.toks, sent: m.ctx.Sent, today: m.today(), spanish: m.lang == "es"}
}

// outermost drops what lies within the one before, now that this has its time
// of day: the "midnight" of "last night after midnight".
func outermost(in []dateExpr) []dateExpr {
	out := in[:0]
	for _, e := range in {
		if n := len(out); n == 0 || e.from >= out[n-1].to {
			out = append(out, e)
		}
	}
	return out
}

func (m *message) today() civil.Date { return civil.DateOf(m.ctx.Sent) }

// readDate finds day one: the day that stands with the period, moved where she
// counts cycle days, and moved to the evening before where she writes after
// midnight.
func (m *message) readDate(r *Reading) {
	if r.Intent != rules.PeriodStart && !slices.Contains(r.Also, rules.PeriodStart) && m.ctx.Expecting != ExpectDate {
		return
	}
	best, ok := m.dayExpr()
	if !ok {
		if m.ctx.Expecting != ExpectDate {
			r.Date = m.today()
		}
		return
	}
	if best.hasTime {
		r.Time, r.HasTime = best.clock, true
	}
	r.Candidates = m.candidates(best)
	if best.slip {
		r.Candidates = r.Candidates[:0]
		for _, d := range m.candidates(best) {
			if m.today().DaysSince(d) <= farBack {
				r.Candidates = append(r.Candidates, d)
			}
		}
	}
	if best.asks || best.slip || len(r.Candidates) != 1 {
		r.Ambiguous = true
		return
	}
	r.Date, r.Candidates = r.Candidates[0], nil
}

// candidates are the days that an expression can mean as a day one: none that
// lies ahead.
func (m *message) candidates(e dateExpr) []civil.Date {
	var out []civil.Date
	for _, d := range e.days {
		d = d.AddDays(m.shift(e, d))
		if !d.After(m.today()) {
			out = addOnce(out, d)
		}
	}
	slices.SortFunc(out, func(a, b civil.Date) int { return b.Compare(a) })
	return out
}

// shift: "tonight at 10" written at half past midnight was the evening before;
// "last night at 1" was after midnight, so today.
func (m *message) shift(e dateExpr, d civil.Date) int {
	now := civil.TimeOfDayOf(m.ctx.Sent)
	small := e.hasTime && e.clock < 5*60
	switch {
	case e.instant || e.cycle > 0:
		return 0
	case d == m.today() && e.hasTime && e.clock > now:
		return -1
	case d == m.today() && e.night && !e.hasTime && now < 4*60:
		return -1
	case e.night && small && d.Before(m.today()):
		return 1
	}
	return 0
}

// dayExpr is the expression that tells day one: the nearest to the words for
// the period, in its sentence first; a later correction wins.
func (m *message) dayExpr() (dateExpr, bool) {
	anchor, all := m.periodAnchor(), m.dates()
	best, at := -1, 1<<30
	for i, e := range all {
		if e.future || m.belongsElsewhere(e) || len(all) > 1 && m.deniedDay(e) {
			continue
		}
		d := m.far(anchor, e)
		if d < at || d == at && e.cycle == 0 {
			best, at = i, d
		}
	}
	if best < 0 {
		return dateExpr{}, false
	}
	best = m.closer(all, m.settled(all, m.corrected(all, best)))
	for _, o := range all {
		// "Around midnight last night": which day, nobody knows.
		if o.asks && lateHour[m.toks[o.to-1].norm] && max(o.from-all[best].to, all[best].from-o.to) <= 1 {
			return o, true
		}
	}
	return m.eitherDay(all, best, m.counted(all, best)), true
}

// closer: "it just came, like two hours ago": the moment says more than "just".
func (m *message) closer(all []dateExpr, best int) int {
	if m.toks[all[best].to-1].norm != "de" && m.toks[all[best].to-1].norm != "acaba" && m.toks[all[best].to-1].norm != "now" {
		return best
	}
	if i := best + 1; i < len(all) && all[i].instant && !all[i].future && all[i].from-all[best].to <= 6 {
		return i
	}
	return best
}

// lateHour are words between two days.
var lateHour = set("midnight", "medianoche")

// deniedDay: "not Sunday", "no fue el miércoles".
func (m *message) deniedDay(e dateExpr) bool {
	for k := e.from - 1; k >= max(e.from-3, 0) && m.toks[k+1].brk == noBreak; k-- {
		switch m.toks[k].norm {
		case "not", "no", "wasnt":
			return true
		case "sure", "seguro", "segura", "se", "know", "recuerdo", "remember":
			return false
		}
	}
	return false
}

// settled: "Tuesday, today", "ayer lunes": the day beside a doubtful one says
// which of its days is meant.
func (m *message) settled(all []dateExpr, best int) int {
	if !all[best].asks {
		return best
	}
	for i, o := range all {
		if i != best && !o.asks && len(o.days) == 1 && slices.Contains(all[best].days, o.days[0]) && max(o.from-all[best].to, all[best].from-o.to) <= 3 {
			return i
		}
	}
	return best
}

// eitherDay: "Monday or Tuesday", "between Wednesday night and Thursday": she
// does not know, so she is asked.
func (m *message) eitherDay(all []dateExpr, best int, e dateExpr) dateExpr {
	for _, i := range []int{best - 1, best + 1} {
		if i < 0 || i >= len(all) || len(all[i].days) == 0 || all[i].cycle > 0 || all[i].instant || len(e.days) == 0 {
			continue
		}
		a, b := all[min(i, best)], all[max(i, best)]
		if len(a.days) == 0 || len(b.days) == 0 || b.from-a.to > 3 || a.days[0] == b.days[0] || !m.undecided(a, b) {
			continue
		}
		e.days, e.asks = append(slices.Clone(a.days), b.days...), true
	}
	return e
}

// undecided: "or" stands between two days, or "between" before them, or both
// are asked.
func (m *message) undecided(a, b dateExpr) bool {
	for k := max(a.from-3, 0); k < b.from; k++ {
		switch n := m.toks[k].norm; {
		case (n == "to" || n == "into" || n == "a" || n == "al") && k >= a.to && b.from-a.to <= 2: // "from Sunday to Monday"
			return true
		case (n == "or" || n == "o" && m.toks[min(k+1, len(m.toks)-1)].norm != "sea" || n == "u" || n == "maybe" || n == "quiza" || n == "quizas") && k >= a.to, n == "between" || n == "entre":
			return true
		}
	}
	sa, sb := m.toks[a.from].sentence, m.toks[b.from].sentence
	return sa != sb && m.questions[sa] && m.questions[sb]
}

func (m *message) periodAnchor() match {
	if m.isTold {
		return m.told
	}
	for _, x := range m.found {
		if x.concept.kind == "intent" && x.concept.name == string(rules.PeriodStart) && x.state == Present {
			return x
		}
	}
	for _, x := range m.found {
		if x.concept.kind == "head" && x.concept.name == "bleeding" {
			return x
		}
	}
	return match{}
}

func (m *message) far(a match, e dateExpr) int {
	d := max(e.from-a.to, a.from-e.to, 0)
	if len(m.toks) > 0 && m.toks[a.from].sentence != m.toks[e.from].sentence {
		return d + 20
	}
	lo, hi := min(a.to, e.to), max(a.from, e.from)
	if a.to > 0 && m.brokenBetween(lo-1, hi) {
		d += commaFar
	}
	return d
}

// commaFar is how many words a comma counts for between the words for the period
// and a day: "brown on Monday, proper red since yesterday".
const commaFar = 4

// belongsElsewhere: the day stands closer to a visit, a dose or a transfer.
func (m *message) belongsElsewhere(e dateExpr) bool {
	if len(m.dates()) == 1 && m.hasWord["true_flow"] {
		return false
	}
	own, other := 1<<30, 1<<30
	if m.isTold && m.toks[m.told.from].sentence == m.toks[e.from].sentence {
		own = max(m.told.from-e.to, e.from-m.told.to, 0)
	}
	for _, x := range m.foundNear(e.from-8, e.to+8) {
		if m.toks[x.from].sentence != m.toks[e.from].sentence || m.divided(x, e) {
			continue
		}
		d := max(x.from-e.to, e.from-x.to, 0)
		switch {
		case x.concept.kind == "intent" && x.concept.name == string(rules.PeriodStart), x.concept.kind == "head" && x.concept.name == "bleeding":
			own = min(own, d)
		case x.concept.kind == "word" && x.concept.name == "came":
			own = min(own, d)
		case x.concept.kind == "word" && x.concept.name == "other_event", x.concept.kind == "dose" && len(m.events) > 0:
			other = min(other, d)
		}
	}
	return other < own
}

// divided: a word that ends scopes stands between.
func (m *message) divided(x match, e dateExpr) bool {
	lo, hi := x.to, e.from
	if e.to <= x.from {
		lo, hi = e.to, x.from
	}
	for _, c := range m.cuesNear(lo, hi) {
		if c.concept.name == "end" && c.ends("mod") {
			return true
		}
	}
	return e.from >= x.to && m.ownDayBefore(x, e)
}

// ownDayBefore: x has a day of its own and "and" stands before e: "spotted on
// Sunday and yesterday full flow".
func (m *message) ownDayBefore(x match, e dateExpr) bool {
	joined := false
	for k := x.to; k < e.from; k++ {
		switch m.toks[k].norm {
		case "and", "y", "then", "but", "pero", "luego":
			joined = true
		}
	}
	return joined && slices.ContainsFunc(m.dates(), func(o dateExpr) bool {
		return o.to <= x.from && x.from-o.to <= 3 && m.toks[o.from].sentence == m.toks[x.from].sentence
	})
}

// corrected follows "no wait", "I mean": the day behind it wins.
func (m *message) corrected(all []dateExpr, best int) int {
	for i := best + 1; i < len(all); i++ {
		for _, x := range m.foundNear(all[best].to-1, all[i].from) {
			if x.concept.kind == "word" && x.concept.name == "correction" && x.from >= all[best].to-1 && !all[i].future && !m.opinion(x) && !m.deniedDay(all[i]) {
				return i
			}
		}
	}
	return best
}

// opinion: "digo que" gives an opinion, "digo" alone corrects.
func (m *message) opinion(x match) bool {
	return m.toks[x.to-1].norm == "digo" && x.to < len(m.toks) && m.toks[x.to].norm == "que"
}

// counted joins a cycle day with the day beside it: "day 2 was yesterday".
func (m *message) counted(all []dateExpr, best int) dateExpr {
	e := all[best]
	cycle, day := -1, -1
	for i := max(best-1, 0); i <= min(best+1, len(all)-1); i++ {
		if m.toks[all[i].from].sentence != m.toks[e.from].sentence || i != best && (all[i].from-e.to > 6 || e.from-all[i].to > 6) {
			continue
		}
		if all[i].cycle > 0 {
			cycle = i
		} else if len(all[i].days) > 0 {
			day = i
		}
	}
	switch {
	case cycle < 0:
		return e
	case day < 0:
		c := all[cycle]
		c.days = []civil.Date{m.today().AddDays(1 - c.cycle)}
		return c
	}
	d := all[day]
	if n := all[cycle].cycle; n > 1 && !m.countedFrom(d) {
		d.days = slices.Clone(d.days)
		for i := range d.days {
			d.days[i] = d.days[i].AddDays(1 - n)
		}
		d.cycle = n
	}
	return d
}

// countedFrom: "day 2, so count from yesterday": the day is the first itself.
func (m *message) countedFrom(e dateExpr) bool {
	if e.from == 0 {
		return false
	}
	switch m.toks[e.from-1].norm {
	case "from", "desde", "since":
		return true
	}
	switch m.toks[e.from].norm {
	case "from", "desde", "since":
		return true
	}
	return false
}
