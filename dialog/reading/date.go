package reading

import (
	"slices"
	"time"

	"handrail.example/reminders/civil"
)

// A dateExpr is words that name a day, resolved against when they were sent.
// Where only a past day can be meant (day one of a period), the past one is in
// days.
type dateExpr struct {
	from, to int
	// days are the possible days, the likeliest first; none means that the
	// words leave the day open ("a few days ago").
	days []civil.Date
	// asks: more than one day is possible.
	asks bool
	// tonight: the words mean the evening or night of the day.
	night bool
	// cycle is a cycle day ("day 2"): the day itself comes from what stands
	// beside it, else from today.
	cycle int
	// instant: the words name a moment, not a day ("two hours ago").
	instant bool
	clock   civil.TimeOfDay
	hasTime bool
	// future: what was meant lies ahead.
	future bool
	// slip: the day as written lies just ahead, which no day one can.
	slip bool
}

// dater finds date expressions in tokens.
type dater struct {
	toks  []token
	sent  time.Time
	today civil.Date
	// spanish orders 3/7 with a year as 3 July.
	spanish bool
}

// Dates on their own, for a question that awaits one, and for day one.
func (d *dater) all() []dateExpr {
	var out []dateExpr
	for i := 0; i < len(d.toks); {
		if t := &d.toks[i]; !t.isNumber() && !dateWords[t.norm] {
			i++
			continue
		}
		e, ok := d.at(i)
		if !ok {
			i++
			continue
		}
		e.from, e.to = i, min(e.to, len(d.toks))
		out = append(out, e)
		i = max(e.to, i+1)
	}
	return out
}

// dateWords are the words with which an expression can begin, numbers apart.
var dateWords = func() map[string]bool {
	m := map[string]bool{}
	for _, w := range []string{
		"last", "next", "this", "past", "the", "on", "el", "los", "la", "este", "esta", "pasado", "ultimo", "proximo",
		"del", "de", "anoche", "manana", "hace", "ace", "hara", "cumplo", "llevo", "in", "dentro", "en", "a", "an", "un", "una", "half", "media",
		"day", "dia", "cd", "dc", "cycle", "my", "mi", "for", "since", "desde", "al", "and", "y", "about", "around",
		"like", "almost", "como", "unas", "unos", "casi", "maybe", "roughly", "mas",
		"before", "antes", "after", "past", "despues", "pasada",
	} {
		m[w] = true
	}
	for _, p := range phrases {
		m[p.words[0]] = true
	}
	for _, p := range openPhrases {
		m[p[0]] = true
	}
	for _, h := range holidays {
		m[h.words[0]] = true
	}
	for _, f := range movables {
		m[f.words[0]] = true
	}
	for w := range months {
		m[w] = true
	}
	for w := range weekdays {
		m[w] = true
	}
	for w := range shortDays {
		m[w] = true
	}
	for w := range ordinals {
		m[w] = true
	}
	return m
}()

// at reads one expression that begins at token i.
func (d *dater) at(i int) (dateExpr, bool) {
	for _, read := range []func(int) (dateExpr, bool){
		d.holiday, d.movable, d.relative, d.weekdaysAgo, d.ago, d.numeric, d.named, d.weekday, d.nth, d.cycleDay, d.monthDay,
	} {
		if e, ok := read(i); ok {
			return e, true
		}
	}
	return dateExpr{}, false
}

func (d *dater) norm(i int) string {
	if i < 0 || i >= len(d.toks) {
		return ""
	}
	return d.toks[i].norm
}

// joined reports whether token i follows the one before without a full stop.
func (d *dater) joined(i int) bool { return i < len(d.toks) && d.toks[i].brk != hardBreak }

// skip passes the given small words from i on.
func (d *dater) skip(i int, small ...string) int {
	for i < len(d.toks) && slices.Contains(small, d.toks[i].norm) {
		i++
	}
	return i
}

// words reports whether the tokens from i on are these.
func (d *dater) words(i int, want ...string) bool {
	for k, w := range want {
		if d.norm(i+k) != w || k > 0 && !d.joined(i+k) {
			return false
		}
	}
	return true
}

func one(day civil.Date, to int) (dateExpr, bool) {
	return dateExpr{days: []civil.Date{day}, to: to}, true
}

// phrases are fixed expressions, the longest first where one begins another,
// with the days from today.
var phrases = []struct {
	words []string
	days  int
	night bool
}{
	{[]string{"the", "day", "before", "yesterday"}, -2, false},
	{[]string{"day", "before", "yesterday"}, -2, false},
	{[]string{"el", "dia", "antes", "de", "ayer"}, -2, false},
	{[]string{"dia", "antes", "de", "ayer"}, -2, false},
	{[]string{"antes", "de", "ayer"}, -2, false},
	{[]string{"antes", "de", "anoche"}, -2, true},
	{[]string{"antes", "ayer"}, -2, false},
	{[]string{"night", "before", "last"}, -2, true},
	{[]string{"the", "day", "after", "tomorrow"}, 2, false},
	{[]string{"day", "after", "tomorrow"}, 2, false},
	{[]string{"pasado", "manana"}, 2, false},
	{[]string{"el", "dia", "despues", "de", "manana"}, 2, false},
	{[]string{"dia", "despues", "de", "manana"}, 2, false},
	{[]string{"el", "dia", "siguiente"}, 1, false},
	{[]string{"el", "proximo", "dia"}, 1, false},
	{[]string{"the", "next", "day"}, 1, false},
	{[]string{"next", "day"}, 1, false},
	{[]string{"ultimo", "dia"}, -1, false},
	{[]string{"past", "day"}, -1, false},
	{[]string{"last", "day"}, -1, false},
	{[]string{"this", "day"}, 0, false},
	{[]string{"last", "evening"}, -1, true},
	{[]string{"last", "afternoon"}, -1, false},
	{[]string{"yesterday", "night"}, -1, true},
	{[]string{"yesterday", "evening"}, -1, true},
	{[]string{"ayer", "en", "la", "noche"}, -1, true},
	{[]string{"ayer", "por", "la", "noche"}, -1, true},
	{[]string{"ayer", "a", "la", "noche"}, -1, true},
	{[]string{"ayer", "noche"}, -1, true},
	{[]string{"this", "morning"}, 0, false},
	{[]string{"this", "afternoon"}, 0, false},
	{[]string{"this", "evening"}, 0, true},
	{[]string{"esta", "manana"}, 0, false},
	{[]string{"esta", "tarde"}, 0, false},
	{[]string{"esta", "madrugada"}, 0, false},
	{[]string{"esta", "noche"}, 0, true},
	{[]string{"hoy", "en", "la", "manana"}, 0, false},
	{[]string{"hoy", "por", "la", "manana"}, 0, false},
	{[]string{"hoy", "en", "la", "noche"}, 0, true},
	{[]string{"hoy", "por", "la", "noche"}, 0, true},
	{[]string{"just", "now"}, 0, false},
	{[]string{"right", "now"}, 0, false},
	{[]string{"ahora", "mismo"}, 0, false},
	{[]string{"ahorita"}, 0, false},
	{[]string{"acaba", "de"}, 0, false},
	{[]string{"me", "acaba"}, 0, false},
	{[]string{"today"}, 0, false},
	{[]string{"tonight"}, 0, true},
	{[]string{"hoy"}, 0, false},
	{[]string{"tomorrow"}, 1, false},
	{[]string{"yesterday"}, -1, false},
	{[]string{"ayer"}, -1, false},
	{[]string{"anteayer"}, -2, false},
	{[]string{"antier"}, -2, false},
	{[]string{"antenoche"}, -2, true},
	{[]string{"anteanoche"}, -2, true},
	{[]string{"antiernoche"}, -2, true},
}

var phrasesBy = func() map[string][]int {
	m := map[string][]int{}
	for k, p := range phrases {
		m[p.words[0]] = append(m[p.words[0]], k)
	}
	return m
}()

func (d *dater) relative(i int) (dateExpr, bool) {
	if d.words(i, "last", "night") || d.norm(i) == "anoche" {
		to := i + 1
		if d.norm(i) == "last" {
			to++
		}
		return dateExpr{days: []civil.Date{d.today.AddDays(-1)}, night: true, to: to}, true
	}
	if d.norm(i) == "manana" && !d.morning(i) {
		return dateExpr{days: []civil.Date{d.today.AddDays(1)}, to: i + 1, future: true}, true
	}
	for _, k := range phrasesBy[d.norm(i)] {
		p := phrases[k]
		if d.words(i, p.words...) {
			e := dateExpr{days: []civil.Date{d.today.AddDays(p.days)}, night: p.night, to: i + len(p.words), future: p.days > 0}
			return d.fromThere(e)
		}
	}
	return d.open(i)
}

// morning: "mañana" after "la", "esta" or "por la" is the morning.
func (d *dater) morning(i int) bool {
	switch d.norm(i - 1) {
	case "la", "esta", "tarde", "de":
		return d.norm(i-2) != "para"
	}
	return false
}

// fromThere reads what follows a day to count on from it: none here, but "two
// days from tomorrow" is read by ago.
func (d *dater) fromThere(e dateExpr) (dateExpr, bool) { return e, true }

// holidays on the same date each year, by the words for them.
var holidays = []struct {
	words []string
	m, d  int
}{
	{[]string{"new", "years", "eve"}, 12, 31}, {[]string{"new", "year", "eve"}, 12, 31}, {[]string{"nye"}, 12, 31},
	{[]string{"new", "years", "day"}, 1, 1}, {[]string{"new", "years"}, 1, 1}, {[]string{"christmas", "eve"}, 12, 24},
	{[]string{"christmas", "day"}, 12, 25}, {[]string{"christmas"}, 12, 25}, {[]string{"xmas"}, 12, 25}, {[]string{"boxing", "day"}, 12, 26},
	{[]string{"valentines", "day"}, 2, 14}, {[]string{"valentines"}, 2, 14}, {[]string{"halloween"}, 10, 31},
	{[]string{"independence", "day"}, 7, 4}, {[]string{"fourth", "of", "july"}, 7, 4}, {[]string{"st", "patricks", "day"}, 3, 17},
	{[]string{"nochebuena"}, 12, 24}, {[]string{"noche", "buena"}, 12, 24}, {[]string{"navidad"}, 12, 25},
	{[]string{"nochevieja"}, 12, 31}, {[]string{"noche", "vieja"}, 12, 31}, {[]string{"fin", "de", "ano"}, 12, 31},
	{[]string{"ano", "nuevo"}, 1, 1}, {[]string{"dia", "de", "reyes"}, 1, 6}, {[]string{"reyes"}, 1, 6},
	{[]string{"san", "valentin"}, 2, 14}, {[]string{"dia", "del", "amor"}, 2, 14}, {[]string{"dia", "de", "muertos"}, 11, 2},
	{[]string{"cinco", "de", "mayo"}, 5, 5}, {[]string{"dia", "de", "las", "madres"}, 5, 10}, {[]string{"todos", "los", "santos"}, 11, 1},
	{[]string{"candelaria"}, 2, 2}, {[]string{"dia", "del", "trabajo"}, 5, 1}, {[]string{"dia", "del", "trabajador"}, 5, 1},
	{[]string{"noche", "de", "san", "juan"}, 6, 23}, {[]string{"bonfire", "night"}, 11, 5}, {[]string{"juneteenth"}, 6, 19},
}

func (d *dater) holiday(i int) (dateExpr, bool) {
	j := d.skip(i, "on", "el", "en", "los", "las", "la")
	for _, h := range holidays {
		if d.norm(j) == h.words[0] && d.words(j, h.words...) {
			return d.dayMonth(h.m, h.d, j+len(h.words))
		}
	}
	return dateExpr{}, false
}

// openPhrases leave the day open: she has to be asked.
var openPhrases = [][]string{
	{"a", "few", "days"}, {"few", "days"}, {"several", "days"}, {"some", "days", "ago"}, {"the", "other", "day"}, {"other", "day"},
	{"unos", "dias"}, {"varios", "dias"}, {"algunos", "dias"}, {"el", "otro", "dia"}, {"otro", "dia"}, {"un", "par", "de", "dias"},
	{"a", "couple", "of", "days"}, {"a", "couple", "days"}, {"couple", "of", "days"}, {"couple", "days"}, {"par", "de", "dias"},
	{"next", "week"}, {"last", "week"}, {"earlier", "this", "week"}, {"sometime", "this", "week"}, {"this", "week"},
	{"la", "semana", "pasada"}, {"esta", "semana"}, {"semana", "pasada"},
	{"over", "the", "weekend"}, {"this", "weekend"}, {"the", "weekend"}, {"last", "weekend"}, {"weekend"},
	{"few", "days", "back"}, {"estos", "dias"}, {"these", "days"}, {"around", "midnight"}, {"about", "midnight"}, {"at", "midnight"}, {"midnight"}, {"medianoche"}, {"media", "noche"},
	{"earlier", "in", "the", "week"}, {"start", "of", "the", "week"}, {"beginning", "of", "the", "week"}, {"middle", "of", "the", "week"}, {"midweek"},
	{"inicio", "de", "semana"}, {"principios", "de", "semana"}, {"comienzo", "de", "semana"}, {"mitad", "de", "semana"}, {"media", "semana"}, {"entre", "semana"},
	{"the", "other", "night"}, {"other", "night"}, {"la", "otra", "noche"}, {"a", "day", "or", "two"}, {"day", "or", "two"}, {"un", "dia", "o", "dos"}, {"dia", "o", "dos"},
	{"start", "of", "the", "month"}, {"beginning", "of", "the", "month"}, {"principios", "de", "mes"}, {"inicio", "de", "mes"},
	{"pocos", "dias"}, {"unos", "diitas"}, {"unos", "dos", "o", "tres", "dias"},
	{"fin", "de", "semana"}, {"finde"}, {"few", "months"}, {"algunos", "meses"},
}

func (d *dater) open(i int) (dateExpr, bool) {
	if e, ok := d.besideMidnight(i); ok {
		return e, true
	}
	for _, p := range openPhrases {
		if d.words(i, p...) {
			to := i + len(p)
			if wd, ok := d.weekdayOfWeek(i, to); ok {
				return wd, true
			}
			return dateExpr{to: to, asks: true, days: d.openDays(p)}, true
		}
	}
	return dateExpr{}, false
}

// besideMidnight reads "just before midnight" and "after midnight", which leave
// no doubt about the day.
func (d *dater) besideMidnight(i int) (dateExpr, bool) {
	clock, to, ok := d.namedClock(i)
	switch {
	case !ok || clock == 12*60:
		return dateExpr{}, false
	case clock > 12*60 && d.sent.Hour() < 18:
		return dateExpr{days: []civil.Date{d.today.AddDays(-1)}, to: to, clock: clock, hasTime: true}, true
	}
	return dateExpr{days: []civil.Date{d.today}, to: to, clock: clock, hasTime: true}, true
}

// openDays are days worth offering for an open phrase.
func (d *dater) openDays(p []string) []civil.Date {
	switch p[len(p)-1] {
	case "midnight", "medianoche", "noche":
		return []civil.Date{d.today, d.today.AddDays(-1)}
	case "days", "dias", "back":
		return []civil.Date{d.today.AddDays(-2), d.today.AddDays(-3), d.today.AddDays(-4)}
	case "weekend", "finde", "semana":
		if p[0] == "fin" || p[0] == "finde" || p[len(p)-1] == "weekend" {
			sun := d.last(time.Sunday, 0)
			return []civil.Date{sun, sun.AddDays(-1)}
		}
	}
	return nil
}

// last is the most recent such weekday, at least min days back.
func (d *dater) last(w time.Weekday, least int) civil.Date {
	back := (int(d.today.Weekday()) - int(w) + 7) % 7
	if back < least {
		back += 7
	}
	return d.today.AddDays(-back)
}
