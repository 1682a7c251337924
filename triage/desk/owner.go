package desk

import (
	"context"
	"strconv"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
)

// ownerPart is the part of a patient's page that says who looks after her, and what
// whoever takes her over should know.
type ownerPart struct {
	Handle string
	Says   string // who looks after her
	May    bool
	Owner  string // handle
	Team   []triage.Staff
	Notes  []noteRow // the latest first
}

type noteRow struct {
	At        time.Time
	By, Words string
}

func (v *visit) ownerPart(ctx context.Context, p reminders.Patient) (ownerPart, error) {
	part := ownerPart{Handle: p.Handle, May: v.who.May(triage.AssignOwner) == nil && !p.Erased}
	q := v.site.queue()
	h, err := q.Hands(ctx, v.tx, p.ID)
	if err != nil {
		return part, err
	}
	part.Owner, part.Says = h.Owner.Handle, v.inHands(h)
	if part.Team, err = v.carers(ctx); err != nil {
		return part, err
	}
	notes, err := q.Notes(ctx, v.tx, p.ID, p.Person)
	if err != nil || len(notes) == 0 {
		return part, err
	}
	names, err := q.Names(ctx, v.tx)
	for _, n := range notes {
		part.Notes = append(part.Notes, noteRow{At: n.At, By: names.ByPerson[n.By], Words: n.Words})
	}
	return part, err
}

// inHands is who looks after a patient, and who is here for her while that one is away.
func (v *visit) inHands(h triage.Hands) string {
	switch {
	case h.Owner.ID == 0:
		return v.say("desk.owner_nobody", nil)
	case h.Now.ID == h.Owner.ID:
		return v.say("owner.of", phrase.Args{"who": h.Owner.Name})
	case h.Now.ID == 0:
		return v.say("desk.owner_away", phrase.Args{"who": h.Owner.Name})
	}
	return v.say("desk.owner_covered", phrase.Args{"who": h.Owner.Name, "cover": h.Now.Name})
}

// handsOf says on a case's page who looks after her.
func (v *visit) handsOf(ctx context.Context, p *casePage, who reminders.Patient) error {
	part, err := v.ownerPart(ctx, who)
	p.Hands = part.Says
	if len(part.Notes) > 0 {
		p.Note = &part.Notes[0]
	}
	return err
}

// carers are the colleagues who may look after patients.
func (v *visit) carers(ctx context.Context) ([]triage.Staff, error) {
	team, err := v.site.queue().Team(ctx, v.tx)
	var all []triage.Staff
	for _, s := range team {
		if s.May(triage.TakeCase) == nil {
			all = append(all, s)
		}
	}
	return all, err
}

func (v *visit) setOwner(ctx context.Context) (answer, error) {
	return v.patientForm(ctx, func(p reminders.Patient) error {
		if p.Erased {
			return triage.Refuse("erased", nil)
		}
		q := v.site.queue()
		to, err := q.StaffByHandle(ctx, v.tx, once(v.r, "owner"))
		if err != nil {
			return err
		}
		return q.SetOwner(ctx, v.tx, v.who, triage.Known{ID: p.ID}, p.Person, to)
	})
}

func (v *visit) writeNote(ctx context.Context) (answer, error) {
	return v.patientForm(ctx, func(p reminders.Patient) error {
		if p.Erased {
			return triage.Refuse("erased", nil)
		}
		return v.site.queue().WriteNote(ctx, v.tx, v.who, triage.Known{ID: p.ID}, p.Person, once(v.r, "words"))
	})
}

// ownersPage lists the patients by who looks after them; those of nobody come first.
type ownersPage struct {
	Wrong    string
	Groups   []ownerGroup
	Absences []absenceRow
	Team     []triage.Staff
	Who      string // what was written, where it was refused
	Cover    string
	From, To string
	May      bool
}

type ownerGroup struct {
	Name string // "" for nobody
	Rows []patientRow
}

type absenceRow struct {
	triage.Absence
	Now bool
	May bool
}

func (v *visit) ownersOf(ctx context.Context) (p ownersPage, err error) {
	p.May = v.who.May(triage.CheckIn) == nil || v.who.May(triage.ChangeRota) == nil
	if p.Team, err = v.carers(ctx); err != nil {
		return p, err
	}
	all, err := v.site.queue().Absences(ctx, v.tx)
	for _, a := range all {
		p.Absences = append(p.Absences, absenceRow{Absence: a, Now: !a.From.After(v.tx.Now),
			May: a.Staff.ID == v.who.ID || v.who.May(triage.ChangeRota) == nil})
	}
	if err != nil || v.who.May(triage.SeePatients) != nil {
		return p, err
	}
	p.Groups, err = v.ownerGroups(ctx, p.Team)
	return p, err
}

func (v *visit) ownerGroups(ctx context.Context, team []triage.Staff) ([]ownerGroup, error) {
	list, err := v.site.Care.Everybody(ctx, v.tx, v.who)
	if err != nil {
		return nil, err
	}
	owners, err := v.site.queue().Owners(ctx, v.tx)
	if err != nil {
		return nil, err
	}
	groups := []ownerGroup{{}}
	at := make(map[int64]int)
	for _, s := range team {
		at[s.ID] = len(groups)
		groups = append(groups, ownerGroup{Name: s.Name})
	}
	for _, ch := range list {
		g := &groups[at[owners[ch.Patient.ID]]] // the first one's for nobody, and for whoever has left
		g.Rows = append(g.Rows, patientRow{Patient: ch.Patient, Place: v.place(ch.Plan, ch.Patient)})
	}
	return groups, nil
}

func (v *visit) owners(ctx context.Context) (answer, error) {
	p, err := v.ownersOf(ctx)
	return answer{sheet: "owners", data: p, looked: "patients by owner"}, err
}

// ownersForm changes an absence, or shows the page with why not and what was written.
func (v *visit) ownersForm(ctx context.Context, do func() error) (answer, error) {
	err := v.tx.Try(ctx, do)
	if err == nil {
		return goTo("/clinic/owners")
	}
	said, known := v.explain(err)
	if !known || statusOf(err) == 403 {
		return answer{}, err
	}
	p, failed := v.ownersOf(ctx)
	p.Wrong, p.Who, p.Cover, p.From, p.To = said, once(v.r, "who"), once(v.r, "cover"), once(v.r, "from"), once(v.r, "to")
	return answer{sheet: "owners", data: p, status: statusOf(err)}, failed
}

func (v *visit) addAbsence(ctx context.Context) (answer, error) {
	return v.ownersForm(ctx, func() error {
		q := v.site.queue()
		who, err := q.StaffByHandle(ctx, v.tx, once(v.r, "who"))
		if err != nil {
			return err
		}
		cover, err := q.StaffByHandle(ctx, v.tx, once(v.r, "cover"))
		if err != nil {
			return err
		}
		from, wrong := plan.ParseInstant(once(v.r, "from"), v.zone())
		to, wrong2 := plan.ParseInstant(once(v.r, "to"), v.zone())
		if wrong != nil || wrong2 != nil {
			return triage.Refuse("shift_times", nil)
		}
		return q.AddAbsence(ctx, v.tx, v.who, triage.Absence{Staff: who, Cover: cover, From: from, To: to})
	})
}

func (v *visit) endAbsence(ctx context.Context) (answer, error) {
	return v.ownersForm(ctx, func() error {
		id, err := strconv.ParseInt(once(v.r, "absence"), 10, 64)
		if err != nil {
			return triage.Refuse("no_absence", nil)
		}
		return v.site.queue().EndAbsence(ctx, v.tx, v.who, id)
	})
}
