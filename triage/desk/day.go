package desk

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// dayPage is a day of the clinic.
type dayPage struct {
	Takes              bool // the list as a file
	Day, Before, After civil.Date
	Closed             string // why the clinic is closed, "" when it is open
	Groups             []dayGroup
	Unbooked, Missed   []care.Entry
	Unrepeated         []care.Entry
	ToTell             []tellRow
	Triggers           []eveningRow
	Short, NotDone     []shortRow
	Empty              bool
}

// shortRow is a patient of whom something is left to be seen to.
type shortRow struct{ Handle, Name, Says string }

// dayGroup is what is booked of one sort, in the order of its minutes.
type dayGroup struct {
	Key  string
	Rows []care.Entry
}

// groups are the sorts of a day, in the order of the page.
var groups = []struct {
	key   string
	steps []plan.StepName
}{
	{"desk.group_scans", []plan.StepName{plan.Baseline, plan.Monitoring}},
	{"desk.group_transfers", []plan.StepName{plan.Transfer}},
	{"desk.group_bloods", []plan.StepName{plan.HCGFirst, plan.HCGRepeat, plan.HCGDay4, plan.HCGDay7}},
	{"desk.group_visits", nil}, // everything else: no step may fall between the groups
}

// groupOf is the place of a step's group; the triggers have a list of their own.
func groupOf(name plan.StepName) int {
	for i, g := range groups {
		if slices.Contains(g.steps, name) {
			return i
		}
	}
	return len(groups) - 1
}

type tellRow struct {
	care.Telling
	Says []string
}

// onDay is the day that a page is asked for; today where none is named, or none that
// there is.
func (v *visit) onDay() civil.Date {
	if d, err := civil.ParseDate(v.r.Form.Get("on")); err == nil && d.Year > 2000 && d.Year < 2100 {
		return d
	}
	return v.today()
}

func (v *visit) day(ctx context.Context) (answer, error) {
	d := v.onDay()
	sheet, err := v.site.Care.DaySheet(ctx, v.tx, v.who, d)
	if err != nil {
		return answer{}, err
	}
	p := dayPage{Takes: v.who.May(triage.Export) == nil, Day: d, Before: d.AddDays(-1), After: d.AddDays(1), Unbooked: sheet.Unbooked, Missed: sheet.Missed, Unrepeated: sheet.Unrepeated}
	if !v.site.policy().OpenClinic(d) {
		p.Closed = v.say("desk.closed_day", nil)
	}
	for i, g := range groups {
		group := dayGroup{Key: g.key}
		for _, e := range sheet.Booked {
			if groupOf(e.Step.Name) == i && e.Step.Name != plan.Trigger {
				group.Rows = append(group.Rows, e)
			}
		}
		if len(group.Rows) > 0 {
			p.Groups = append(p.Groups, group)
		}
	}
	w := v.words(nil)
	for _, t := range sheet.ToTell {
		row := tellRow{Telling: t}
		for _, n := range t.Case.Body.Notes {
			row.Says = append(row.Says, v.site.queue().Say(v.lang, n))
		}
		for _, o := range t.Due {
			row.Says = append(row.Says, w.Why(o.Why))
		}
		p.ToTell = append(p.ToTell, row)
	}
	for _, s := range sheet.Short {
		p.Short = append(p.Short, shortRow{s.Patient.Handle, s.Patient.Name, w.Supply(s.Supply)})
	}
	for _, n := range sheet.NotDone {
		var why []string
		for _, l := range n.Why {
			why = append(why, v.site.queue().Say(v.lang, l))
		}
		p.NotDone = append(p.NotDone, shortRow{n.Patient.Handle, n.Patient.Name, strings.Join(why, "; ")})
	}
	p.Triggers = v.evenings(sheet.Triggers)
	p.Empty = len(p.Groups) == 0 && len(p.Unbooked) == 0 && len(p.Triggers) == 0
	return answer{sheet: "day", data: p, looked: "the day " + d.String()}, nil
}

// tonightPage is the evening of a day.
type tonightPage struct {
	Day, Before, After civil.Date
	Rows               []eveningRow
}

// eveningRow is one trigger, with its four marks.
type eveningRow struct {
	care.Evening
	Order  string
	Marks  []evenMark
	Late   bool // its minute is over and nobody has said that it was given
	Minute string
}

// evenMark is one of: ordered, read back, in hand, given.
type evenMark struct {
	Key, Says string
	Done      bool
}

func (v *visit) evenings(all []care.Evening) (rows []eveningRow) {
	w := v.words(nil)
	clock := func(t time.Time) string { return t.In(v.zone()).Format("15:04") }
	for _, e := range all {
		row := eveningRow{Evening: e, Late: !e.At.IsZero() && e.Given.IsZero() && v.tx.Now.After(e.At)}
		if e.Order.Drug != "" {
			row.Order = w.Fact(e.Order)
		}
		if row.Minute = "--:--"; !e.At.IsZero() {
			row.Minute = clock(e.At)
		}
		ordered := evenMark{Key: "desk.ordered", Done: !e.Ordered.IsZero()}
		switch {
		case ordered.Done:
			ordered.Says = e.Ordered.In(v.zone()).Format("01-02 15:04")
		case e.Case != 0:
			ordered.Says = v.say("desk.waits_check", phrase.Args{"case": fmt.Sprint(e.Case)})
		}
		given := evenMark{Key: "desk.given", Done: !e.Given.IsZero()}
		if given.Done {
			given.Says = clock(e.Given)
		}
		row.Marks = []evenMark{ordered, {Key: "desk.read_back", Done: e.Stage != ""}, {Key: "desk.in_hand", Done: e.Stage == "in_hand" || e.Stage == "settled"}, given}
		rows = append(rows, row)
	}
	return rows
}

func (v *visit) tonight(ctx context.Context) (answer, error) {
	d := v.onDay()
	all, err := v.site.Care.Tonight(ctx, v.tx, v.who, d)
	if err != nil {
		return answer{}, err
	}
	return answer{sheet: "tonight", data: tonightPage{Day: d, Before: d.AddDays(-1), After: d.AddDays(1), Rows: v.evenings(all)}, looked: "the triggers of " + d.String()}, nil
}
