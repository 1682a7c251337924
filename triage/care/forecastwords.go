package care

import (
	"fmt"
	"math"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/forecast"
	"handrail.example/reminders/picture"
	"handrail.example/reminders/plan"
)

// worthSaying is the chance of an overflow from which on it is told.
const worthSaying = 0.01

// Risk says the chance that a day has no room for all; "" where it is not worth
// saying.
func (w Words) Risk(c forecast.Count) string {
	if c.Overflow < worthSaying {
		return ""
	}
	chance := w.phrase("forecast.percent", phrase.Args{"percent": percent(c.Overflow)})
	if c.Overflow > 0.99 {
		chance = w.phrase("forecast.above", nil)
	}
	return w.phrase("forecast.risk", phrase.Args{"chance": chance})
}

// percent is a chance in figures. It never says that something is certain.
func percent(p float64) string {
	if p > 0.99 {
		return ">99"
	}
	return fmt.Sprintf("%.0f", math.Floor(100*p+0.5))
}

// Count says how many are expected and the range that holds 18 of 20 times; "" for
// nobody.
func (w Words) Count(c forecast.Count) string {
	if c.High == 0 && c.Mean < 0.05 {
		return ""
	}
	return w.phrase("forecast.count", phrase.Args{"mean": fmt.Sprintf("%.1f", c.Mean), "low": fmt.Sprint(c.Low), "high": fmt.Sprint(c.High)})
}

// ForecastSays says what the forecast is and for how many there is room.
func (w Words) ForecastSays(l forecast.Limits) string {
	return w.phrase("forecast.says", phrase.Args{"mornings": fmt.Sprint(l.Mornings), "transfers": fmt.Sprint(l.Transfers)})
}

// Unplaced says how many are not in the forecast.
func (w Words) Unplaced(n int) string {
	return w.phrase("forecast.unplaced", phrase.Args{"count": fmt.Sprint(n)})
}

// Risky are the days on which there may not be room for all.
func (w Words) Risky(days []forecast.Day) (rows []string) {
	for _, d := range days {
		for _, s := range sortsOf(d) {
			if risk := w.Risk(s.count); risk != "" {
				rows = append(rows, w.phrase("forecast.risky_day", phrase.Args{"day": w.day(d.On), "what": w.phrase("forecast."+s.name, nil),
					"mean": fmt.Sprintf("%.1f", s.count.Mean), "room": fmt.Sprint(s.count.Limit), "risk": risk}))
			}
		}
	}
	return rows
}

// sortCount is one sort of visit of a day.
type sortCount struct {
	name  string
	count forecast.Count
}

func sortsOf(d forecast.Day) []sortCount {
	return []sortCount{{"mornings", d.Mornings}, {"transfers", d.Transfers}, {"bloods", d.Bloods}}
}

// Period says when a period is expected.
func (w Words) Period(p PeriodCall) string {
	if p.Overdue > 0 {
		return w.phrase("forecast.period_over", phrase.Args{"on": w.day(p.On), "days": fmt.Sprint(p.Overdue)})
	}
	return w.phrase("forecast.period", phrase.Args{"on": w.day(p.On)})
}

// Lacking says what is missing or expired, and by when.
func (w Words) Lacking(u Unready) string {
	var parts []string
	for _, part := range []struct {
		key   string
		items []string
	}{{"forecast.missing", u.Missing}, {"forecast.expired", u.Expired}} {
		if len(part.items) == 0 {
			continue
		}
		names := make([]string, len(part.items))
		for i, item := range part.items {
			names[i] = w.word(item)
		}
		parts = append(parts, w.phrase(part.key, phrase.Args{"by": w.day(u.By), "items": strings.Join(names, ", ")}))
	}
	return strings.Join(parts, "; ")
}

// LoadPictures are the clinic's load and the week of transfers, from the days of a
// forecast.
func (w Words) LoadPictures(days []forecast.Day, p plan.Policy) []Drawing {
	if len(days) == 0 {
		return nil
	}
	week := days[:min(7, len(days))]
	load := w.load(w.phrase("forecast.title", phrase.Args{"days": fmt.Sprint(len(days))}))
	transfers := w.load(w.phrase("forecast.week", phrase.Args{"on": phrase.ShortDate(w.Lang, days[0].On.Month, days[0].On.Day)}))
	for _, d := range days {
		load.Days = append(load.Days, picture.DayName{Short: shortest(w.Lang, d.On), Long: w.day(d.On)})
	}
	transfers.Days = load.Days[:len(week)]
	for i := range sortsOf(days[0]) {
		load.Panels = append(load.Panels, w.panel(days, i, p))
	}
	transfers.Panels = []picture.Panel{w.panel(week, 1, p)}
	return []Drawing{{"load.png", picture.Spec{Load: load}}, {"transfers.png", picture.Spec{Load: transfers}}}
}

func (w Words) load(title string) *picture.Load {
	return &picture.Load{Title: title, Certain: w.phrase("forecast.certain", nil), Expected: w.phrase("forecast.expected", nil),
		Reach: w.phrase("forecast.reach", nil), Shut: w.phrase("forecast.shut", nil), Over: w.phrase("forecast.over", nil)}
}

// panel is the sort of visit at a place of sortsOf.
func (w Words) panel(days []forecast.Day, i int, pol plan.Policy) picture.Panel {
	open := pol.OpenClinic
	if sortsOf(days[0])[i].name == "transfers" {
		open = pol.OpenLab
	}
	p := picture.Panel{Name: w.phrase("forecast."+sortsOf(days[0])[i].name, nil), Limit: sortsOf(days[0])[i].count.Limit}
	if p.Limit > 0 {
		p.Room = w.phrase("forecast.room", phrase.Args{"count": fmt.Sprint(p.Limit)})
	}
	for _, d := range days {
		c := sortsOf(d)[i].count
		bar := picture.Bar{Certain: float64(c.Certain), Expected: math.Round(100*c.Mean) / 100, Reach: float64(c.High), Shut: !open(d.On)}
		if c.Overflow >= worthSaying {
			bar.Over = percent(c.Overflow)
		}
		p.Bars = append(p.Bars, bar)
	}
	return p
}

// shortest is a day in the fewest letters: its number, and two letters of its weekday.
func shortest(lang string, d civil.Date) string {
	return fmt.Sprintf("%d %s", d.Day, string([]rune(phrase.ShortWeekday(lang, d.Weekday()))[:2]))
}
