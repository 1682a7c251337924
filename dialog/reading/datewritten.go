package reading

import (
	"strings"
	"time"

	"handrail.example/reminders/civil"
)

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
		if e, ok := d.dottedYear(i); ok {
			return e, true
		}
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

// dottedYear reads 13.5.2015 and 2015.5.13, of which the first two numbers come
// as one.
func (d *dater) dottedYear(i int) (dateExpr, bool) {
	if !d.sign(i+1) || d.norm(i+1) != "." {
		return dateExpr{}, false
	}
	a, b, _ := strings.Cut(d.toks[i].norm, ".")
	if len(b) > 2 || len(a) > 4 {
		return dateExpr{}, false
	}
	return d.withYear(int(decimal(a)), int(decimal(b)), int(d.toks[i+2].num), i+3)
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
	return i == 0 || dateLeads[d.norm(i-1)]
}

var dateLeads = set("on", "el", "since", "desde", "fecha", "in", "started", "began", "start", "was", "period", "bleed", "regla", "empezo", "inicio",
	"comenzo", "fue", "bajo", "vino", "came", "fum", "fur", "lmp", "menses", "date", "del", "de", "day", "dia", "flow")

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

// soon is how many days ahead a date may lie to be taken for a slip.
const soon = 31

func (d *dater) dayMonth(m, day, to int) (dateExpr, bool) {
	// "The 24th of June", written on the 20th: nobody means last year. The month
	// or the day is a slip, and she is asked.
	if v := valid(d.today.Year, m, day); !v.IsZero() && v.After(d.today) && v.DaysSince(d.today) <= soon {
		t := time.Date(v.Year, v.Month-1, v.Day, 0, 0, 0, 0, time.UTC)
		return dateExpr{days: []civil.Date{d.pastDay(m, day), civil.DateOf(t)}, slip: true, to: to}, true
	}
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
	if k := to; k < len(d.toks) && d.toks[k].kind == numberToken && d.toks[k].num >= 1990 && d.toks[k].num < 2100 && len(d.norm(k-1)) <= 4 {
		if v := valid(int(d.toks[k].num), m, day); !v.IsZero() { // "16. Nov. 2016"
			return one(v, k+1)
		}
	}
	return d.dayMonth(m, day, to)
}
