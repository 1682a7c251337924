package care

import (
	"context"
	"slices"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/exchange"
)

// Worklists are the lists that can be taken out, by the word that asks for one.
var Worklists = []string{"day", "tonight", "late", "cases", "patients", "load"}

// loadDays is how far ahead the load is listed.
const loadDays = 28

// Worklist is one of the clinic's lists as a table in the language of w; of a day, where
// it is one of a day. What patients wrote is not in it: a file lies about for longer
// than a screen. The caller puts on record that it was taken out.
func (c *Care) Worklist(ctx context.Context, tx *store.Tx, actor triage.Staff, w Words, name string, on civil.Date) (exchange.Table, error) {
	if err := actor.May(triage.Export); err != nil {
		return exchange.Table{}, err
	}
	list, known := map[string]func(context.Context, *store.Tx, triage.Staff, Words, civil.Date) (exchange.Table, error){
		"day": c.dayList, "tonight": c.tonightList, "late": c.lateList, "cases": c.caseList, "patients": c.patientList, "load": c.loadList}[name]
	if !known {
		return exchange.Table{}, triage.Refuse("no_list", phrase.Args{"lists": strings.Join(Worklists, ", ")})
	}
	return list(ctx, tx, actor, w, on)
}

// columns are the names of columns in her language.
func (w Words) columns(names ...string) (all []string) {
	for _, n := range names {
		all = append(all, w.phrase("list."+n, nil))
	}
	return all
}

func text(all ...string) (cells []exchange.Cell) {
	for _, s := range all {
		cells = append(cells, exchange.Text(s))
	}
	return cells
}

// clock is a time of day at the clinic, "" for none.
func (w Words) clock(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.In(w.Zone).Format("15:04")
}

func (c *Care) dayList(ctx context.Context, tx *store.Tx, actor triage.Staff, w Words, on civil.Date) (exchange.Table, error) {
	list, err := c.Day(ctx, tx, actor, on)
	t := exchange.Table{Head: w.columns("day", "time", "handle", "name", "step", "cycle_day", "status", "booked")}
	for _, e := range list {
		row := text(on.String(), w.clock(e.Step.At), e.Patient.Handle, e.Patient.Name, w.StepName(e.Step.Name))
		day := exchange.Cell{}
		if e.CycleDay != 0 {
			day = exchange.Number(e.CycleDay)
		}
		t.Rows = append(t.Rows, append(row, day, exchange.Text(w.phrase("status."+string(e.Step.Status), nil)), exchange.Text(w.yes(e.Step.Booked))))
	}
	return t, err
}

func (w Words) yes(is bool) string {
	return w.phrase(map[bool]string{true: "list.yes", false: "list.no"}[is], nil)
}

func (c *Care) tonightList(ctx context.Context, tx *store.Tx, actor triage.Staff, w Words, on civil.Date) (exchange.Table, error) {
	list, err := c.Tonight(ctx, tx, actor, on)
	t := exchange.Table{Head: w.columns("day", "time", "handle", "name", "drug", "dose", "unit", "ordered", "read_back", "given")}
	for _, e := range list {
		dose := exchange.Cell{}
		if e.Order.Dose != 0 {
			dose = exchange.Measure(e.Order.Dose)
		}
		row := append(text(on.String(), w.clock(e.At), e.Patient.Handle, e.Patient.Name, e.Order.Drug), dose)
		t.Rows = append(t.Rows, append(row, text(e.Order.Unit, w.yes(!e.Ordered.IsZero()), w.yes(e.Stage != reminders.Unanswered), w.clock(e.Given))...))
	}
	return t, err
}

func (c *Care) lateList(ctx context.Context, tx *store.Tx, actor triage.Staff, w Words, _ civil.Date) (exchange.Table, error) {
	list, err := c.Overdue(ctx, tx, actor)
	t := exchange.Table{Head: w.columns("handle", "name", "step", "why", "since", "hours")}
	for _, l := range list {
		t.Rows = append(t.Rows, append(text(l.Patient.Handle, l.Patient.Name, w.StepName(l.End.Step), w.Why(l.End.Why), w.when(l.End.Due)),
			exchange.Number(int(tx.Now.Sub(l.End.Due).Hours()))))
	}
	return t, err
}

func (c *Care) caseList(ctx context.Context, tx *store.Tx, actor triage.Staff, w Words, _ civil.Date) (exchange.Table, error) {
	t := exchange.Table{Head: w.columns("case", "urgency", "reason", "who", "opened", "minutes", "state", "holder")}
	live, err := c.Desk.Live(ctx, tx)
	if err != nil {
		return t, err
	}
	names, err := c.Desk.Names(ctx, tx)
	if err != nil {
		return t, err
	}
	for _, cs := range live {
		k, err := c.Desk.Who(ctx, tx, cs.Person)
		if err != nil {
			return t, err
		}
		row := append([]exchange.Cell{exchange.Number(int(cs.ID))}, text(w.phrase("urgency."+cs.Urgency.String(), nil),
			w.phrase("reason."+string(cs.Reason), cs.Body.Title), k.Label, w.when(cs.Opened))...)
		t.Rows = append(t.Rows, append(append(row, exchange.Number(int(tx.Now.Sub(cs.Opened).Minutes()))), text(w.phrase("list."+string(cs.State), nil), names.ByID[cs.Holder])...))
	}
	return t, nil
}

func (c *Care) patientList(ctx context.Context, tx *store.Tx, actor triage.Staff, w Words, _ civil.Date) (exchange.Table, error) {
	list, err := c.Everybody(ctx, tx, actor)
	t := exchange.Table{Head: w.columns("handle", "name", "language", "place")}
	for _, ch := range list {
		t.Rows = append(t.Rows, text(ch.Patient.Handle, ch.Patient.Name, ch.Patient.Language, w.Place(ch.Plan, ch.Patient, ch.Today)))
	}
	return t, err
}

func (c *Care) loadList(ctx context.Context, tx *store.Tx, actor triage.Staff, w Words, on civil.Date) (exchange.Table, error) {
	if on != c.today(tx) {
		return exchange.Table{}, triage.Refuse("load_today", nil)
	}
	o, err := c.Load(ctx, tx, actor, loadDays)
	t := exchange.Table{Head: w.columns("day", "scans", "transfers", "bloods", "visits", "triggers", "booked", "clinic_open", "lab_open")}
	for _, d := range o.Days {
		row := text(d.Day.String())
		for _, n := range []int{d.Scans, d.Transfers, d.Bloods, d.Visits, d.Triggers, d.Booked} {
			row = append(row, exchange.Number(n))
		}
		t.Rows = append(t.Rows, append(row, text(w.yes(d.Clinic), w.yes(d.Lab))...))
	}
	return t, err
}

// ListFile is the name of a worklist as a file.
func ListFile(name string, on civil.Date) string {
	if slices.Contains([]string{"day", "tonight", "load"}, name) {
		return name + "-" + on.String() + ".csv"
	}
	return name + ".csv"
}
