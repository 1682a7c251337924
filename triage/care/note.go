package care

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// lineAt is one line of a chart note.
type lineAt struct {
	at   time.Time
	text string
}

// noteOf puts a contact together: everything that happened about somebody between two
// instants.
type noteOf struct {
	c       *Care
	w       Words
	names   triage.Names
	patient reminders.Patient
	cycle   reminders.Cycle
	backs   []reminders.SaidBack
	lines   []lineAt
}

func (n *noteOf) add(at time.Time, key string, args phrase.Args) {
	n.lines = append(n.lines, lineAt{at, n.w.phrase(key, args)})
}

// Note is a case as it goes into her chart, ready to paste: when, her words, what was
// done by whom, what she read back, on the clinic's clock and in the language of w. That
// it was taken out is on record.
func (c *Care) Note(ctx context.Context, tx *store.Tx, actor triage.Staff, w Words, id int64) (string, error) {
	if err := actor.May(triage.Export); err != nil {
		return "", err
	}
	f, err := c.Glance(ctx, tx, actor, id)
	if err != nil {
		return "", err
	}
	n, err := c.newNote(ctx, tx, w, f.Patient, f.Cycle)
	if err != nil {
		return "", err
	}
	ref := triage.Ref{Patient: f.Patient.ID, Case: id, Person: f.Case.Person}
	if !f.Known {
		ref.Person = 0 // a stranger, or somebody whose key is gone
	}
	return n.caseNote(f.Case), c.Desk.Did(ctx, tx, actor, triage.Export, ref, "note")
}

// Notes are the contacts of a patient's cycle as they go into her chart, a note for each
// case, and one for what she read back besides.
func (c *Care) Notes(ctx context.Context, tx *store.Tx, actor triage.Staff, w Words, patient int64) ([]string, error) {
	if err := actor.May(triage.Export); err != nil {
		return nil, err
	}
	p, err := c.Book.Patient(ctx, tx, patient)
	if err != nil {
		return nil, err
	}
	cycle, err := c.Book.Cycle(ctx, tx, patient)
	if err != nil {
		return nil, err
	}
	cases, err := c.Desk.Since(ctx, tx, p.Person, cycle.Opened)
	if err != nil {
		return nil, err
	}
	n, err := c.newNote(ctx, tx, w, p, cycle)
	if err != nil {
		return nil, err
	}
	var all []string
	for _, cs := range cases {
		all = append(all, n.caseNote(cs))
	}
	if rest := n.besides(cases); rest != "" {
		all = append(all, rest)
	}
	return all, c.did(ctx, tx, actor, triage.Export, p, 0, "notes")
}

func (c *Care) newNote(ctx context.Context, tx *store.Tx, w Words, p reminders.Patient, cycle reminders.Cycle) (*noteOf, error) {
	n := &noteOf{c: c, w: w, patient: p, cycle: cycle}
	n.w.Drugs = DrugsOf(cycle.Facts)
	var err error
	if n.names, err = c.Desk.Names(ctx, tx); err == nil {
		n.backs, err = c.Book.SaidBacks(ctx, tx, cycle)
	}
	return n, err
}

// ended is when a case was closed, or ever after while it is not.
func ended(cs triage.Case) time.Time {
	if cs.ClosedAt.IsZero() {
		return time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	return cs.ClosedAt
}

func (n *noteOf) caseNote(cs triage.Case) string {
	n.lines = nil
	n.told(cs.Opened, cs.Body)
	for _, e := range cs.Events {
		n.event(cs, e)
	}
	for _, f := range n.cycle.Facts {
		if f.By != n.patient.Person && f.By != seal.House && !f.Entered.Before(cs.Opened) && !f.Entered.After(ended(cs)) {
			n.add(f.Entered, "note.line_entered", phrase.Args{"by": n.names.ByPerson[f.By], "what": n.w.Fact(f.Fact)})
		}
	}
	for _, b := range n.backs {
		if within(b, cs) {
			n.back(b)
		}
	}
	who := n.w.phrase("staff.no_patient", nil)
	if n.patient.ID != 0 {
		who = Label(n.patient)
	}
	return n.written(n.w.phrase("note.head", phrase.Args{"clinic": n.c.Book.Policy.Clinic.Name, "who": who, "case": fmt.Sprint(cs.ID),
		"reason": n.w.phrase("reason."+string(cs.Reason), cs.Body.Title), "urgency": n.w.phrase("urgency."+cs.Urgency.String(), nil), "zone": n.w.Zone.String()}))
}

func within(b reminders.SaidBack, cs triage.Case) bool {
	return !b.At.Before(cs.Opened) && !b.At.After(ended(cs))
}

// besides is what she read back while no case was open; "" for nothing.
func (n *noteOf) besides(cases []triage.Case) string {
	n.lines = nil
	for _, b := range n.backs {
		if !slices.ContainsFunc(cases, func(cs triage.Case) bool { return within(b, cs) }) {
			n.back(b)
		}
	}
	if len(n.lines) == 0 {
		return ""
	}
	return n.written(n.w.phrase("note.head_besides", phrase.Args{"clinic": n.c.Book.Policy.Clinic.Name, "who": Label(n.patient), "zone": n.w.Zone.String()}))
}

// told is what a case was told: her words, what the program knew, the caution that she
// was shown.
func (n *noteOf) told(at time.Time, b triage.Body) {
	if b.Words != "" {
		n.add(at, "note.line_wrote", phrase.Args{"words": b.Words})
	}
	for _, l := range b.Notes {
		if l.Key == "note.why" {
			continue // how the program read her words, which stand above
		}
		n.add(at, "note.line_known", phrase.Args{"what": n.c.Desk.Say(n.w.Lang, l)})
	}
	if b.Caution != "" {
		k := n.c.Book.Policy.Clinic
		n.add(at, "note.line_caution", phrase.Args{"words": rules.Fill(rules.Caution(b.Caution, n.w.Lang), rules.Numbers{Emergency: k.EmergencyNumber, OnCall: k.OnCallPhone, Desk: k.FrontDesk})})
	}
}

// event is what somebody did; alerts that nobody answered are no part of a chart.
func (n *noteOf) event(cs triage.Case, e triage.Event) {
	args := phrase.Args{"by": n.names.ByPerson[e.By], "to": n.names.ByID[e.To]}
	switch e.What {
	case triage.Wrote:
		n.told(e.At, e.Body)
	case triage.TookIt, triage.HandedOver:
		n.add(e.At, "note.line_"+string(e.What), args)
	case triage.Replied, triage.Proposed:
		args["words"] = e.Body.Words
		n.add(e.At, "note.line_"+string(e.What), args)
	case triage.Ended:
		args["outcome"] = n.w.phrase("outcome."+string(cs.Outcome), nil)
		n.add(e.At, "note.line_closed", args)
	}
}

// back is what she read back, of which instruction.
func (n *noteOf) back(b reminders.SaidBack) {
	by := n.names.ByPerson[b.By]
	if b.By == n.patient.Person {
		by = n.w.phrase("note.patient", nil)
	}
	what := n.w.Fact(b.Fact.Fact)
	if b.Fact.Kind == plan.Retracted {
		for _, f := range n.cycle.Facts {
			if f.ID == b.Fact.Replaces {
				what = n.w.Fact(b.Fact.Fact) + " (" + n.w.Fact(f.Fact) + ")"
			}
		}
	}
	n.add(b.At, "note.said_"+b.Said, phrase.Args{"by": by, "what": what})
}

// written is the note: its head, and its lines in the order of time.
func (n *noteOf) written(head string) string {
	slices.SortStableFunc(n.lines, func(a, b lineAt) int { return a.at.Compare(b.at) })
	all := []string{head}
	for _, l := range n.lines {
		all = append(all, n.w.when(l.at)+"  "+l.text)
	}
	return strings.Join(all, "\n") + "\n"
}
