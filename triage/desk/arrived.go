package desk

import (
	"context"
	"errors"
	"fmt"

	"handrail.example/reminders"
	"handrail.example/reminders/plan"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// arrivedPage lists what another system has handed in and nobody has said yet whose it
// is.
type arrivedPage struct {
	Rows []arrivalRow
	All  int
}

type arrivalRow struct {
	care.Arrival
	Why []string
	Who string // as it says itself
}

func (v *visit) arrivalRow(a care.Arrival) arrivalRow {
	row := arrivalRow{Arrival: a, Who: a.Claim.String()}
	for _, d := range a.Doubts {
		row.Why = append(row.Why, v.site.queue().Say(v.lang, d))
	}
	return row
}

func (v *visit) arrived(ctx context.Context) (answer, error) {
	list, all, err := v.site.Care.Arrivals(ctx, v.tx, v.who)
	if err != nil {
		return answer{}, err
	}
	p := arrivedPage{All: all}
	for _, a := range list {
		p.Rows = append(p.Rows, v.arrivalRow(a))
	}
	return answer{sheet: "arrived", data: p, looked: "the list of what arrived"}, nil
}

// arrivalPage is one arrival beside the patient whose it may be.
type arrivalPage struct {
	Row  arrivalRow
	Fact string // what it would be on record, "" where a person must enter it by hand
	Was  string // what it says something new about
	// Candidates have its handle or its name.
	Candidates []reminders.Patient
	// Of is the handle that was chosen, Ours whom it names; nil for nobody yet.
	Of      string
	Ours    *reminders.Patient
	Place   string
	Beside  []string // what is on record of her that is of the same kind
	Steps   []choice // what a visit may be for, where it does not say
	Step    string
	Preview *previewed
	Wrong   string
}

func (v *visit) showArrival(ctx context.Context) (answer, error) {
	p, err := v.arrivalPage(ctx)
	if err != nil {
		return answer{}, err
	}
	return show("arrival", p)
}

func (v *visit) arrivalPage(ctx context.Context) (arrivalPage, error) {
	a, err := v.site.Care.Arrival(ctx, v.tx, v.who, v.id())
	if err != nil {
		return arrivalPage{}, err
	}
	p := arrivalPage{Row: v.arrivalRow(a), Of: v.r.Form.Get("of"), Step: v.r.Form.Get("step")}
	if a.Fact.Kind != "" {
		p.Fact = v.words(nil).Fact(a.Fact)
	}
	if p.Candidates, err = v.site.Care.Candidates(ctx, v.tx, v.who, a); err != nil {
		return p, err
	}
	if a.Fact.Kind == plan.Visit && a.Fact.Step == "" {
		for _, s := range plan.VisitSteps() {
			p.Steps = append(p.Steps, choice{string(s), v.say("step."+string(s), nil), string(s) == p.Step})
		}
	}
	if p.Of == "" {
		return p, nil
	}
	return p, v.meet(ctx, &p, a)
}

// meet sets our side beside what arrived, with what would be saved.
func (v *visit) meet(ctx context.Context, p *arrivalPage, a care.Arrival) error {
	who, err := v.site.Care.Find(ctx, v.tx, v.who, p.Of)
	if refused := (*triage.Refused)(nil); errors.As(err, &refused) {
		p.Wrong = refused.Say(v.site.phrases(), v.lang)
		return nil
	}
	if err != nil {
		return err
	}
	ch, err := v.site.Care.Chart(ctx, v.tx, v.who, who.ID)
	if err != nil {
		return err
	}
	p.Ours, p.Place = &who, v.place(ch.Plan, who)
	w := v.words(ch.Cycle.Facts)
	for _, f := range ch.Facts {
		if f.Kind == a.Fact.Kind || f.Number == a.WasFact {
			p.Beside = append(p.Beside, f.ID+" "+w.Fact(f.Fact))
		}
	}
	before, err := v.site.Care.PreviewArrival(ctx, v.tx, v.who, a, who.ID, plan.StepName(p.Step))
	if err == nil {
		p.Preview = v.previewed(before, ch.Facts)
		return nil
	}
	said, known := v.explain(err)
	if p.Wrong = said; known {
		return nil
	}
	return err
}

// arrivalForm does something with an arrival, or shows it again with why not.
func (v *visit) arrivalForm(ctx context.Context, do func() (string, error)) (answer, error) {
	var to string
	err := v.tx.Try(ctx, func() (err error) {
		to, err = do()
		return err
	})
	if err == nil {
		return goTo(to)
	}
	said, known := v.explain(err)
	if !known || statusOf(err) == 403 || statusOf(err) == 404 {
		return answer{}, err
	}
	p, failed := v.arrivalPage(ctx)
	p.Wrong = said
	return answer{sheet: "arrival", data: p, status: statusOf(err)}, failed
}

// confirmArrival enters what arrived for the patient whose handle was chosen.
func (v *visit) confirmArrival(ctx context.Context) (answer, error) {
	return v.arrivalForm(ctx, func() (string, error) {
		who, err := v.site.Care.Find(ctx, v.tx, v.who, once(v.r, "of"))
		if err != nil {
			return "", err
		}
		saved, err := v.site.Care.Confirm(ctx, v.tx, v.who, v.id(), who.ID, plan.StepName(once(v.r, "step")))
		return fmt.Sprintf("/patients/%s?saved=%s", who.Handle, saved.Fact.Kind), err
	})
}

func (v *visit) asideArrival(ctx context.Context) (answer, error) {
	return v.arrivalForm(ctx, func() (string, error) {
		return "/clinic/arrived", v.site.Care.SetAside(ctx, v.tx, v.who, v.id())
	})
}
