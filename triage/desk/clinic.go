package desk

import (
	"context"
	"errors"
	"slices"
	"strconv"
	"time"

	"handrail.example/reminders/plan"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// loadDays is how far the load is shown.
const loadDays = 28

// loadPage is what lies ahead of the clinic.
type loadPage struct {
	Days    []care.DayLoad
	Most    int // transfers that a day of the laboratory has room for
	Clashes []clashRow
	Overdue []lateRow
	// How many there are of both; the lists show the first of them.
	AllClashes, AllOverdue int
	Takes                  bool // lists as files
	Closed                 []care.Closed
	expectedPage
}

type clashRow struct {
	Handle, Name, Says string
}

type lateRow struct {
	Handle, Name, What, Why string
	Since                   time.Time
}

func (v *visit) load(ctx context.Context) (answer, error) {
	ahead, err := v.site.Care.Load(ctx, v.tx, v.who, loadDays)
	if err != nil {
		return answer{}, err
	}
	clashes, late := ahead.Clashes, ahead.Late
	p, w := loadPage{Days: ahead.Days, Most: v.site.policy().Lab.TransfersPerDay, AllClashes: len(clashes), AllOverdue: len(late), Takes: v.who.May(triage.Export) == nil}, v.words(nil)
	for _, c := range clashes[:min(longestList, len(clashes))] {
		p.Clashes = append(p.Clashes, clashRow{c.Patient.Handle, c.Patient.Name, w.Conflict(c.Conflict)})
	}
	for _, l := range late[:min(longestList, len(late))] {
		p.Overdue = append(p.Overdue, lateRow{l.Patient.Handle, l.Patient.Name, w.StepName(l.End.Step), w.Why(l.End.Why), l.End.Due})
	}
	if p.Closed, err = v.site.Care.ClosedDays(ctx, v.tx, v.who); err != nil {
		return answer{}, err
	}
	p.expectedPage = v.expected(ahead.Expected)
	return answer{sheet: "load", data: p, looked: "the load and who is overdue"}, nil
}

// rotaPage is who is on call, and when.
type rotaPage struct {
	Shifts        []triage.Shift
	Now           time.Time
	May, Here     bool
	Team          []triage.Staff
	Wrong         string
	Who, From, To string // as they were written
}

func (v *visit) rotaOf(ctx context.Context) (p rotaPage, err error) {
	p = rotaPage{Now: v.tx.Now, May: v.who.May(triage.ChangeRota) == nil}
	q := v.site.queue()
	if p.Shifts, err = q.Rota(ctx, v.tx, v.tx.Now, v.tx.Now.AddDate(0, 0, loadDays)); err != nil {
		return p, err
	}
	p.Here = slices.ContainsFunc(p.Shifts, func(s triage.Shift) bool {
		return s.Staff.ID == v.who.ID && !s.From.After(v.tx.Now) && s.CheckedIn.IsZero()
	})
	team, err := q.Team(ctx, v.tx)
	p.Team = slices.DeleteFunc(team, func(s triage.Staff) bool { return s.May(triage.CheckIn) != nil })
	return p, err
}

func (v *visit) rota(ctx context.Context) (answer, error) {
	p, err := v.rotaOf(ctx)
	return answer{sheet: "rota", data: p, looked: "the rota"}, err
}

// rotaForm changes the rota, or shows it with why not and what was written.
func (v *visit) rotaForm(ctx context.Context, do func() error) (answer, error) {
	err := v.tx.Try(ctx, do)
	if err == nil {
		return goTo("/clinic/rota")
	}
	said, known := v.explain(err)
	if !known || statusOf(err) == 403 {
		return answer{}, err
	}
	p, failed := v.rotaOf(ctx)
	p.Wrong, p.Who, p.From, p.To = said, once(v.r, "who"), once(v.r, "from"), once(v.r, "to")
	return answer{sheet: "rota", data: p, status: statusOf(err)}, failed
}

func (v *visit) addShift(ctx context.Context) (answer, error) {
	return v.rotaForm(ctx, func() error {
		who, err := v.site.queue().StaffByHandle(ctx, v.tx, once(v.r, "who"))
		if err != nil {
			return err
		}
		from, wrong := plan.ParseInstant(once(v.r, "from"), v.zone())
		to, wrong2 := plan.ParseInstant(once(v.r, "to"), v.zone())
		if wrong != nil || wrong2 != nil {
			return triage.Refuse("shift_times", nil)
		}
		_, err = v.site.Care.AddShift(ctx, v.tx, v.who, who, from, to)
		return err
	})
}

func (v *visit) dropShift(ctx context.Context) (answer, error) {
	return v.rotaForm(ctx, func() error {
		id, err := strconv.ParseInt(once(v.r, "shift"), 10, 64)
		if err != nil {
			return triage.Refuse("shift_times", nil)
		}
		return v.site.Care.DropShift(ctx, v.tx, v.who, id)
	})
}

func (v *visit) checkIn(ctx context.Context) (answer, error) {
	return v.rotaForm(ctx, func() error {
		_, err := v.site.queue().CheckInNow(ctx, v.tx, v.who)
		return err
	})
}

// staffPage is who works here.
type staffPage struct {
	Team            []colleague
	May             bool
	Roles           []triage.Role
	Languages       []string
	Wrong, For, New string // New is a code that is shown once, and whom it is For
	Handle, Name    string // as they were written
	Role            triage.Role
}

type colleague struct {
	triage.Staff
	Sessions int
	Self     bool
}

func (v *visit) staffOf(ctx context.Context) (p staffPage, err error) {
	p = staffPage{May: v.who.May(triage.ChangeStaff) == nil, Roles: triage.Roles, Languages: v.site.policy().Clinic.Languages}
	team, err := v.site.queue().Team(ctx, v.tx)
	if err != nil {
		return p, err
	}
	for _, s := range team {
		row := colleague{Staff: s, Self: s.ID == v.who.ID}
		if p.May {
			all, err := v.mine(ctx, s)
			if err != nil {
				return p, err
			}
			row.Sessions = len(all)
		}
		p.Team = append(p.Team, row)
	}
	return p, nil
}

func (v *visit) staff(ctx context.Context) (answer, error) {
	p, err := v.staffOf(ctx)
	return answer{sheet: "staff", data: p, looked: "the staff"}, err
}

// staffForm changes who works here, and shows everybody with what came of it.
func (v *visit) staffForm(ctx context.Context, do func(p *staffPage) error) (answer, error) {
	var came staffPage
	err := v.tx.Try(ctx, func() error { return do(&came) })
	if err == nil && came.New == "" {
		return goTo("/clinic/staff")
	}
	var said string
	status := 0
	if err != nil {
		known := false
		if said, known = v.explain(err); !known || statusOf(err) == 403 {
			return answer{}, err
		}
		status = statusOf(err)
	}
	p, failed := v.staffOf(ctx)
	p.Wrong, p.New, p.For = said, came.New, came.For
	if err != nil {
		p.Handle, p.Name, p.Role = once(v.r, "handle"), once(v.r, "name"), triage.Role(once(v.r, "role"))
	}
	return answer{sheet: "staff", data: p, status: status}, failed
}

func (v *visit) addStaff(ctx context.Context) (answer, error) {
	return v.staffForm(ctx, func(p *staffPage) error {
		s, code, err := v.site.Care.AddStaff(ctx, v.tx, v.who, triage.Newcomer{Handle: once(v.r, "handle"), Name: once(v.r, "name"),
			Role: triage.Role(once(v.r, "role")), Languages: v.r.PostForm["language"]})
		p.New, p.For = code, s.Name
		return err
	})
}

func (v *visit) staffCode(ctx context.Context) (answer, error) {
	return v.staffForm(ctx, func(p *staffPage) error {
		s, code, err := v.site.Care.StaffCode(ctx, v.tx, v.who, once(v.r, "handle"))
		p.New, p.For = code, s.Name
		return err
	})
}

func (v *visit) staffLeaves(ctx context.Context) (answer, error) {
	return v.staffForm(ctx, func(*staffPage) error {
		s, err := v.site.Care.StaffLeaves(ctx, v.tx, v.who, once(v.r, "handle"))
		if err != nil {
			return err
		}
		return v.site.endSessions(ctx, v.tx, s)
	})
}

// endTheirs ends every session of a colleague.
func (v *visit) endTheirs(ctx context.Context) (answer, error) {
	return v.staffForm(ctx, func(*staffPage) error {
		s, err := v.site.queue().StaffByHandle(ctx, v.tx, once(v.r, "handle"))
		if err != nil {
			return err
		}
		if err := v.site.endSessions(ctx, v.tx, s); err != nil {
			return err
		}
		return v.site.queue().Did(ctx, v.tx, v.who, triage.ChangeStaff, triage.Ref{}, "ended the sessions of "+s.Handle)
	})
}

// faultsOf are the faults of a policy that was tried, one by one.
func faultsOf(err error) (all []string) {
	var faults plan.Faults
	if !errors.As(err, &faults) {
		return []string{err.Error()}
	}
	for _, f := range faults {
		all = append(all, f.String())
	}
	return all
}
