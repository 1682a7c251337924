package desk

import (
	"context"
	"crypto/rand"
	"net/http"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/room"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// closedPage is the days that are closed, and what closing more of them would do.
type closedPage struct {
	Days                []care.Closed
	May                 bool
	Wrong               string
	From, To, Part, Why string // as they were written
	// Shown is whom the closing hits, a line each, once it has been looked at; Digest and
	// Form stand for what was seen.
	Shown        []string
	Digest, Form string
	Done         bool
}

func (v *visit) closedOf(ctx context.Context) (p closedPage, err error) {
	p = closedPage{May: v.who.May(triage.CloseDay) == nil, From: once(v.r, "from"), To: once(v.r, "to"), Part: once(v.r, "part"), Why: once(v.r, "why"), Form: rand.Text()}
	p.Days, err = v.site.Care.ClosedDays(ctx, v.tx, v.who)
	return p, err
}

func (v *visit) closedDays(ctx context.Context) (answer, error) {
	p, err := v.closedOf(ctx)
	p.Done = v.r.Form.Get("done") != ""
	return answer{sheet: "closed", data: p, looked: "the closed days"}, err
}

// closing reads what is to be closed. A last day that was left out is the first.
func (v *visit) closing() (k care.Closing) {
	k.From, _ = civil.ParseDate(once(v.r, "from"))
	k.To = k.From
	if to := once(v.r, "to"); to != "" {
		k.To, _ = civil.ParseDate(to)
	}
	k.Part, k.Why = plan.ClosedPart(once(v.r, "part")), once(v.r, "why")
	return k
}

// lookAtClosing shows whom a closing would hit, before anything is done.
func (v *visit) lookAtClosing(ctx context.Context) (answer, error) {
	k, err := v.site.Care.PreviewClosing(ctx, v.tx, v.who, v.closing())
	return v.closedAgain(ctx, k, err)
}

// closedAgain shows the page with a closing, or with why there is none.
func (v *visit) closedAgain(ctx context.Context, k care.Closure, why error) (answer, error) {
	a := answer{sheet: "closed"}
	p, err := v.closedOf(ctx)
	if err != nil {
		return a, err
	}
	if why != nil {
		said, known := v.explain(why)
		if !known || statusOf(why) == http.StatusForbidden {
			return a, why
		}
		p.Wrong, a.status = said, statusOf(why)
	}
	if k.Digest != "" {
		if err := v.site.queue().Did(ctx, v.tx, v.who, triage.CloseDay, triage.Ref{}, "looked at "+k.From.String()); err != nil {
			return a, err
		}
		p.Shown, p.Digest = v.words(nil).Closure(k), k.Digest
	}
	a.data = p
	return a, nil
}

// closeDays carries out what has been seen, once. What has changed since is shown anew.
func (v *visit) closeDays(ctx context.Context) (answer, error) {
	var k care.Closure
	err := v.tx.Try(ctx, func() error {
		fresh, err := v.fresh(ctx)
		if err != nil || !fresh {
			return err
		}
		k, err = v.site.Care.CloseDays(ctx, v.tx, v.who, v.closing(), once(v.r, "digest"), 0)
		return err
	})
	if err != nil {
		return v.closedAgain(ctx, k, err)
	}
	return goTo("/clinic/closed?done=yes")
}

func (v *visit) reopenDay(ctx context.Context) (answer, error) {
	err := v.tx.Try(ctx, func() error {
		on, _ := civil.ParseDate(once(v.r, "on"))
		return v.site.Care.Reopen(ctx, v.tx, v.who, on, plan.ClosedPart(once(v.r, "part")))
	})
	if err != nil {
		return v.closedAgain(ctx, care.Closure{}, err)
	}
	return goTo("/clinic/closed")
}

// placesPage is where a visit of hers could be.
type placesPage struct {
	Handle, Name string
	Step         plan.StepName
	What         string
	Why          string
	From, To     civil.Date
	Days         []placeDay
}

type placeDay struct {
	Day    civil.Date
	Best   bool // it has the place that suits best
	Places []placeRow
}

type placeRow struct {
	At, Clock string
	Best      bool
}

type placeLink struct {
	Step plan.StepName
	What string
}

func (v *visit) places(ctx context.Context) (answer, error) {
	who, err := v.patient(ctx)
	if err != nil {
		return answer{}, err
	}
	if err := v.sees(ctx, who); err != nil {
		return answer{}, err
	}
	step := plan.StepName(v.r.Form.Get("step"))
	o, err := v.site.Care.Offer(ctx, v.tx, v.who, who.ID, step)
	if err != nil {
		return answer{}, err
	}
	w := v.words(nil)
	p := placesPage{Handle: who.Handle, Name: who.Name, Step: step, What: w.StepName(step), Why: w.Why(o.Why), From: o.Wish.From, To: o.Wish.To}
	for _, at := range room.InOrder(o.Free) {
		if n := len(p.Days); n == 0 || p.Days[n-1].Day != at.On {
			p.Days = append(p.Days, placeDay{Day: at.On})
		}
		day := &p.Days[len(p.Days)-1]
		best := at == o.Free[0]
		day.Best = day.Best || best
		day.Places = append(day.Places, placeRow{At: at.On.String() + "T" + at.At.String(), Clock: at.At.String(), Best: best})
	}
	return show("places", p)
}

// placeLinks are the visits for which a place can be looked for.
func (v *visit) placeLinks(pl plan.Plan) (all []placeLink) {
	for _, s := range care.Waited(pl) {
		all = append(all, placeLink{s, v.words(nil).StepName(s)})
	}
	return all
}
