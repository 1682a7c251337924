package desk

import (
	"context"
	"slices"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// patientsPage lists the patients.
type patientsPage struct {
	Query string
	Rows  []patientRow
	All   int
	May   bool // add one
	Form  string
}

// patientRow is one patient in the list.
type patientRow struct {
	Patient reminders.Patient
	Place   string
	Next    string
	Quiet   bool
}

// longestList bounds a list of patients; the search finds the others. Common
// practice, no source.
const longestList = 100

// patients lists those whose handle or name has the words of the search.
func (v *visit) patients(ctx context.Context) (answer, error) {
	p := patientsPage{Query: strings.TrimSpace(v.r.Form.Get("q")), May: v.who.May(triage.AddPatient) == nil}
	found, all, err := v.site.Care.Search(ctx, v.tx, v.who, p.Query, longestList)
	if err != nil {
		return answer{}, err
	}
	p.All = all
	w := v.words(nil)
	for _, ch := range found {
		row := patientRow{Patient: ch.Patient, Place: v.place(ch.Plan, ch.Patient), Quiet: ch.Patient.Enrolled && ch.Patient.Quiet()}
		if next := ahead(ch.Plan, 1); len(next) > 0 && ch.Cycle.Closed.IsZero() {
			row.Next = w.Step(next[0])
		}
		p.Rows = append(p.Rows, row)
	}
	return answer{sheet: "patients", data: p, looked: "the list of patients"}, nil
}

// patientPage is one patient.
type patientPage struct {
	Patient  reminders.Patient
	Place    string
	Closed   string // how her last cycle ended, "" while it is open
	Marks    []string
	Saved    string
	Second   bool
	Invited  *care.Invitation
	Wrong    string
	Picture  cyclePicture
	Conflict []string
	Born     *plan.Gestation
	Facts    []factRow
	Values   []factRow
	Charts   []chartRow
	Sheet    bool // there is a cycle to weigh
	Letters  []care.Letter
	Checks   []checkRow
	Orders   []string
	Doses    []doseRow
	Supplies []supplyRow
	Cases    []waiting
	Kinds    []plan.FactKind
	May      bool
	Takes    bool // notes for her chart
	Today    civil.Date
	Endings  []string
	// Protocols are those that a next cycle can be planned by.
	Protocols []string
	NoCycle   bool
	Linked    linksPart
	Owned     ownerPart
	Places    []placeLink // visits for which a place can be looked for
}

// factRow is something that was entered.
type factRow struct {
	ID, Kind, Says, By string
	Entered            time.Time
	// Instead is what took its place, Why a reason; "" while it stands.
	Instead, Why string
	Stands       bool
	Form         bool // it can be corrected here
}

type checkRow struct {
	reminders.Check
	Label string
	Holds bool
}

type doseRow struct {
	At    time.Time
	Words string
	Last  reminders.Answer
	Said  time.Time
}

// supplyRow is what she has at home of one drug, and by day.
type supplyRow struct {
	Drug, Says string
	Short      bool
	Days       []plan.SupplyDay
}

// suppliedDays is how many days of a supply are listed: common practice, no source.
const suppliedDays = 14

func supplyRows(ch care.Chart, w care.Words) (rows []supplyRow) {
	for _, s := range ch.Plan.Supplies {
		row := supplyRow{Drug: s.Drug, Says: w.Supply(s), Short: s.Short(ch.Today)}
		if !s.Counted.IsZero() {
			row.Days = ch.Plan.SupplyDays(s, suppliedDays)
		}
		rows = append(rows, row)
	}
	return rows
}

func (v *visit) showPatient(ctx context.Context) (answer, error) {
	p, err := v.patientPage(ctx)
	if err != nil {
		return answer{}, err
	}
	if kind := v.r.Form.Get("saved"); v.site.phrases().Has("word." + kind) {
		p.Saved, p.Second = v.say("word."+kind, nil), v.r.Form.Get("second") != ""
	}
	return show("patient", p)
}

// lettersOfPatient is how many messages stand on her page.
const lettersOfPatient = 25

func (v *visit) patientPage(ctx context.Context) (patientPage, error) {
	who, err := v.patient(ctx)
	if err != nil {
		return patientPage{}, err
	}
	ch, err := v.site.Care.Chart(ctx, v.tx, v.who, who.ID)
	if err != nil {
		return patientPage{}, err
	}
	w := v.words(ch.Cycle.Facts)
	p := patientPage{Patient: who, Place: v.place(ch.Plan, who), Marks: v.marks(who), Picture: draw(ch.Plan, ch.Today, w), Born: ch.Plan.Gestation,
		May: v.who.May(triage.EnterFact) == nil && !who.Erased, Takes: v.who.May(triage.Export) == nil, Today: ch.Today, Endings: care.Endings, Protocols: v.site.policy().ProtocolNames(), NoCycle: ch.Cycle.ID == 0 || !ch.Cycle.Closed.IsZero(), Closed: ch.Cycle.Outcome}
	p.Supplies = supplyRows(ch, w)
	p.Charts, p.Sheet = chartRows(ch, w), ch.Cycle.ID != 0
	p.Places = v.placeLinks(ch.Plan)
	for _, k := range ch.Plan.Conflicts {
		p.Conflict = append(p.Conflict, w.Conflict(k))
	}
	for _, f := range forms {
		if f.kind != plan.Retracted {
			p.Kinds = append(p.Kinds, f.kind)
		}
	}
	for _, c := range ch.Checks {
		p.Checks = append(p.Checks, checkRow{c, v.item(c.Item), c.Holds(ch.Today)})
	}
	names, err := v.site.queue().Names(ctx, v.tx)
	if err != nil {
		return p, err
	}
	p.Facts = v.factRows(ch, names)
	for _, f := range p.Facts {
		if f.Stands && (f.Kind == string(plan.Scan) || f.Kind == string(plan.HCG) || f.Kind == string(plan.Bloods) || f.Kind == string(plan.BaselineFound)) {
			p.Values = append(p.Values, f)
		}
	}
	for _, c := range ch.Cases {
		p.Cases = append(p.Cases, v.waiting(c, triage.Known{Label: care.Label(who), Language: who.Language}, names))
	}
	if p.Letters, err = v.site.Care.Letters(ctx, v.tx, v.who, who, lettersOfPatient); err != nil {
		return p, err
	}
	if p.Owned, err = v.ownerPart(ctx, who); err != nil {
		return p, err
	}
	if p.Linked, err = v.linksPart(ctx, who); err != nil {
		return p, err
	}
	return p, v.medication(ctx, &p, ch)
}

// medication is what she takes: the orders that run, and the doses around now.
func (v *visit) medication(ctx context.Context, p *patientPage, ch care.Chart) error {
	orders, err := v.site.Care.Orders(ctx, v.tx, v.who, p.Patient.ID)
	if err != nil {
		return err
	}
	w := v.words(orders)
	for _, o := range orders {
		p.Orders = append(p.Orders, w.Fact(o.Fact))
	}
	doses, err := v.site.Care.Book.Doses(ctx, v.tx, ch.Cycle, ch.Plan)
	for _, d := range doses {
		if d.Dose.At.Before(v.tx.Now.Add(48 * time.Hour)) {
			p.Doses = append(p.Doses, doseRow{d.Dose.At, d.Words(), d.Last, d.At})
		}
	}
	return err
}

// marks are what keeps her from being written to.
func (v *visit) marks(p reminders.Patient) (all []string) {
	if p.Erased {
		return []string{v.say("staff.is_erased", nil)}
	}
	for _, m := range []struct {
		since time.Time
		key   string
	}{{p.Hushed, "staff.is_hushed"}, {p.OptedOut, "staff.is_out"}, {p.Unreachable, "staff.is_unreachable"}} {
		if !m.since.IsZero() {
			all = append(all, v.say(m.key, phrase.Args{"since": m.since.In(v.zone()).Format("2006-01-02 15:04")}))
		}
	}
	return all
}

// factRows are all entries of a cycle, the latest first, with what became of each.
func (v *visit) factRows(ch care.Chart, names triage.Names) (all []factRow) {
	w := v.words(ch.Cycle.Facts)
	instead := make(map[string]reminders.Recorded)
	for _, f := range ch.Cycle.Facts {
		if f.Replaces != "" {
			instead[f.Replaces] = f
		}
	}
	for _, f := range ch.Cycle.Facts {
		row := factRow{ID: f.ID, Kind: string(f.Kind), Says: w.Fact(f.Fact), By: names.ByPerson[f.By], Entered: f.Entered, Stands: f.Kind != plan.Retracted}
		if f.By == ch.Patient.Person {
			row.By = v.say("staff.she", nil)
		}
		if by, gone := instead[f.ID]; gone {
			row.Stands, row.Instead = false, by.ID
			if by.Kind == plan.Retracted {
				row.Why = by.Reason
			}
		}
		_, row.Form = fieldsFor(f.Kind)
		all = append(all, row)
	}
	slices.Reverse(all)
	return all
}

// again shows the patient's page with why something was not done.
func (v *visit) patientAgain(ctx context.Context, why error) (answer, error) {
	said, known := v.explain(why)
	if !known || statusOf(why) == 403 || statusOf(why) == 404 {
		return answer{}, why
	}
	p, err := v.patientPage(ctx)
	p.Wrong = said
	return answer{sheet: "patient", data: p, status: statusOf(why)}, err
}

// patientForm does something with a patient, and shows her page.
func (v *visit) patientForm(ctx context.Context, do func(p reminders.Patient) error) (answer, error) {
	p, err := v.patient(ctx)
	if err != nil {
		return answer{}, err
	}
	if err := v.tx.Try(ctx, func() error { return do(p) }); err != nil {
		return v.patientAgain(ctx, err)
	}
	return goTo("/patients/" + p.Handle)
}

// setCheck marks an item of the checklist as done on a day, or as open again.
func (v *visit) setCheck(ctx context.Context) (answer, error) {
	return v.patientForm(ctx, func(p reminders.Patient) error {
		var on civil.Date
		if once(v.r, "open") == "" {
			var err error
			if on, err = civil.ParseDate(once(v.r, "on")); err != nil {
				return triage.Refuse("no_day", nil)
			}
		}
		return v.site.Care.SetCheck(ctx, v.tx, v.who, p.ID, once(v.r, "item"), on)
	})
}

func (v *visit) hush(ctx context.Context) (answer, error) {
	return v.patientForm(ctx, func(p reminders.Patient) error {
		_, err := v.site.Care.Hush(ctx, v.tx, v.who, p.ID, once(v.r, "lift") == "")
		return err
	})
}

func (v *visit) finish(ctx context.Context) (answer, error) {
	return v.patientForm(ctx, func(p reminders.Patient) error {
		return v.site.Care.Finish(ctx, v.tx, v.who, p.ID, once(v.r, "ending"))
	})
}

func (v *visit) nextCycle(ctx context.Context) (answer, error) {
	return v.patientForm(ctx, func(p reminders.Patient) error {
		return v.site.Care.NextCycle(ctx, v.tx, v.who, p.ID, once(v.r, "protocol"), 0)
	})
}

// invite draws a new code, which is shown once.
func (v *visit) invite(ctx context.Context) (answer, error) {
	p, err := v.patient(ctx)
	if err != nil {
		return answer{}, err
	}
	inv, err := v.site.Care.Invite(ctx, v.tx, v.who, p.ID)
	if err != nil {
		return answer{}, err
	}
	return v.invited(ctx, inv)
}

func (v *visit) invited(ctx context.Context, inv care.Invitation) (answer, error) {
	v.r.SetPathValue("handle", inv.Patient.Handle)
	p, err := v.patientPage(ctx)
	p.Invited = &inv
	return answer{sheet: "patient", data: p}, err
}

// newPatientPage is the form for somebody new.
type newPatientPage struct {
	Handle, Name, Language, Wrong string
	Plain                         bool
	Languages                     []string
}

func (v *visit) askPatient(context.Context) (answer, error) {
	return show("newpatient", newPatientPage{Languages: v.site.policy().Clinic.Languages})
}

// addPatient takes somebody into the book and shows her code, once.
func (v *visit) addPatient(ctx context.Context) (answer, error) {
	p := newPatientPage{Handle: once(v.r, "handle"), Name: once(v.r, "name"), Language: once(v.r, "language"), Plain: once(v.r, "plain") != "", Languages: v.site.policy().Clinic.Languages}
	var inv care.Invitation
	err := v.tx.Try(ctx, func() (err error) {
		inv, err = v.site.Care.AddPatient(ctx, v.tx, v.who, reminders.NewPatient{Handle: p.Handle, Name: p.Name, Language: p.Language, Neutral: !p.Plain})
		return err
	})
	if err == nil {
		return v.invited(ctx, inv)
	}
	said, known := v.explain(err)
	if !known || statusOf(err) == 403 {
		return answer{}, err
	}
	p.Wrong = said
	return answer{sheet: "newpatient", data: p, status: statusOf(err)}, nil
}
