package desk

import (
	"context"
	"slices"
	"strings"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/forecast"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// expectedPage is the part of the clinic's page that is expected and not planned.
type expectedPage struct {
	Says, Unplaced string
	Expected       []expectedRow
	Pictures       []chartRow
	Periods        []calledRow
	Unready        []calledRow
	// How many there are of both; the lists show the first of them.
	AllPeriods, AllUnready int
}

// expectedRow is one day: how many with their range, and the chance of no room.
type expectedRow struct {
	Day                         civil.Date
	Shut                        bool
	Mornings, Transfers, Bloods string
	MorningsRisk, TransfersRisk string
}

type calledRow struct {
	Handle, Name, Says string
	Overdue            bool
}

// expected puts what the clinic expects into words.
func (v *visit) expected(e care.Expected) expectedPage {
	w := v.words(nil)
	p := expectedPage{Says: w.ForecastSays(care.Limits(v.site.policy())), AllPeriods: len(e.Periods), AllUnready: len(e.Unready)}
	if e.Unplaced > 0 {
		p.Unplaced = w.Unplaced(e.Unplaced)
	}
	for _, d := range e.Forecast {
		p.Expected = append(p.Expected, expectedRow{d.On, !v.site.policy().OpenClinic(d.On), w.Count(d.Mornings), w.Count(d.Transfers), w.Count(d.Bloods), w.Risk(d.Mornings), w.Risk(d.Transfers)})
	}
	for _, one := range e.Periods[:min(longestList, len(e.Periods))] {
		p.Periods = append(p.Periods, calledRow{one.Patient.Handle, one.Patient.Name, w.Period(one), one.Overdue > 0})
	}
	for _, one := range e.Unready[:min(longestList, len(e.Unready))] {
		p.Unready = append(p.Unready, calledRow{one.Patient.Handle, one.Patient.Name, w.Lacking(one), false})
	}
	for _, d := range v.loadPictures(e.Forecast) {
		// The table says the same in words.
		alt, _, _ := strings.Cut(d.Spec.Alt(), "\n")
		p.Pictures = append(p.Pictures, chartRow{"/clinic/charts/" + d.Name, alt})
	}
	return p
}

func (v *visit) loadPictures(days []forecast.Day) []care.Drawing {
	return v.words(nil).LoadPictures(days, v.site.policy())
}

// clinicChart sends the clinic's load or its week of transfers as a picture.
func (v *visit) clinicChart(ctx context.Context) (answer, error) {
	ahead, err := v.site.Care.Load(ctx, v.tx, v.who, loadDays)
	if err != nil {
		return answer{}, err
	}
	all := v.loadPictures(ahead.Forecast)
	i := slices.IndexFunc(all, func(d care.Drawing) bool { return d.Name == v.r.PathValue("name") })
	if i < 0 {
		return answer{}, triage.Refuse("no_chart", map[string]string{"who": v.r.PathValue("name")})
	}
	return answer{drawn: &all[i].Spec, looked: "the clinic's load"}, nil
}

// sampleExpected is for the storybook.
func sampleExpected() expectedPage {
	return expectedPage{Says: "…", Unplaced: "…", AllPeriods: 2, AllUnready: 1, Pictures: []chartRow{{"/file/mark.svg", "…"}},
		Expected: []expectedRow{{Day: sampleDay, Mornings: "24.2, 20 to 28", MorningsRisk: "12 %", Transfers: "4.6, 2 to 7", TransfersRisk: "47 %", Bloods: "2.0, 1 to 3"}, {Day: sampleDay.AddDays(4), Shut: true}},
		Periods:  []calledRow{{"P-101", "Maribel Tosk", "…", true}, {"P-102", "Oonagh Brill", "…", false}}, Unready: []calledRow{{"P-102", "Oonagh Brill", "…", false}}}
}
