package desk

import (
	"context"
	"strconv"
	"time"

	"handrail.example/reminders"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// linksPart is the part of a patient's page that says who else may be told of her.
type linksPart struct {
	Handle    string
	Rows      []linkRow
	Code      *care.LinkCode // just drawn, shown once
	May       bool
	Relations []string
	Shares    []string
	Languages []string
}

// linkRow is one link.
type linkRow struct {
	ID             int64
	Name, Relation string
	What           []string
	Since, Until   time.Time
	Proven, Over   bool
}

func (v *visit) linksPart(ctx context.Context, p reminders.Patient) (linksPart, error) {
	part := linksPart{Handle: p.Handle, May: v.who.May(triage.ChangeLinks) == nil && !p.Erased, Relations: reminders.Relations, Shares: reminders.Shares, Languages: v.site.policy().Clinic.Languages}
	all, err := v.site.Care.Links(ctx, v.tx, v.who, p.ID)
	for _, l := range all {
		part.Rows = append(part.Rows, linkRow{ID: l.ID, Name: l.Name, Relation: l.Relation, What: l.What, Since: l.Since, Until: l.Until, Proven: !l.Proven.IsZero(), Over: !l.Until.IsZero()})
	}
	return part, err
}

// addLink lets somebody be told, and shows the code once.
func (v *visit) addLink(ctx context.Context) (answer, error) {
	n := reminders.NewLink{Relation: once(v.r, "relation"), Name: once(v.r, "name"), Language: once(v.r, "language"), What: v.r.PostForm["what"]}
	return v.linkCode(ctx, func(p reminders.Patient) (care.LinkCode, error) {
		return v.site.Care.AddLink(ctx, v.tx, v.who, p.ID, n, once(v.r, "of"))
	})
}

// renewLink draws a new code for a link.
func (v *visit) renewLink(ctx context.Context) (answer, error) {
	return v.linkCode(ctx, func(p reminders.Patient) (care.LinkCode, error) {
		return v.site.Care.RenewLink(ctx, v.tx, v.who, p.ID, v.linkNumber())
	})
}

func (v *visit) linkCode(ctx context.Context, draw func(p reminders.Patient) (care.LinkCode, error)) (answer, error) {
	p, err := v.patient(ctx)
	if err != nil {
		return answer{}, err
	}
	var k care.LinkCode
	if err := v.tx.Try(ctx, func() (err error) {
		k, err = draw(p)
		return err
	}); err != nil {
		return v.patientAgain(ctx, err)
	}
	page, err := v.patientPage(ctx)
	page.Linked.Code = &k
	return answer{sheet: "patient", data: page}, err
}

// endLink ends a link at once.
func (v *visit) endLink(ctx context.Context) (answer, error) {
	return v.patientForm(ctx, func(p reminders.Patient) error {
		_, err := v.site.Care.EndLink(ctx, v.tx, v.who, p.ID, v.linkNumber())
		return err
	})
}

func (v *visit) linkNumber() int64 {
	n, err := strconv.ParseInt(once(v.r, "number"), 10, 64)
	if err != nil {
		return 0 // no link has that number, which is what she is told
	}
	return n
}
