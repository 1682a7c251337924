package care

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// LinkCode is a code that somebody writes from her own chat to be told of a patient. It
// is shown once.
type LinkCode struct {
	Patient reminders.Patient
	Link    reminders.Link
	Code    string
	Until   time.Time
}

// AddLink lets somebody be told something of a patient, as soon as she has written the
// code. of is another patient's handle, where the person is one.
func (c *Care) AddLink(ctx context.Context, tx *store.Tx, actor triage.Staff, patient int64, n reminders.NewLink, of string) (LinkCode, error) {
	if err := actor.May(triage.ChangeLinks); err != nil {
		return LinkCode{}, err
	}
	p, err := c.whole(ctx, tx, patient)
	if err != nil {
		return LinkCode{}, err
	}
	if of != "" {
		if n.Of, err = c.Find(ctx, tx, actor, of); err != nil {
			return LinkCode{}, err
		}
	}
	if err := c.fits(n); err != nil {
		return LinkCode{}, err
	}
	all, err := c.Book.Links(ctx, tx, patient)
	if err != nil {
		return LinkCode{}, err
	}
	// Looked for before anything is written: a refusal must leave nothing behind.
	if n.Of.ID != 0 && (n.Of.ID == patient || slices.ContainsFunc(all, func(l reminders.Link) bool { return l.Until.IsZero() && l.Person == n.Of.Person })) {
		return LinkCode{}, triage.Refuse("linked", nil)
	}
	k := LinkCode{Patient: p}
	if k.Link, k.Code, k.Until, err = c.Book.AddLink(ctx, tx, patient, n); err != nil {
		return k, linkInWords(err)
	}
	return k, c.did(ctx, tx, actor, triage.ChangeLinks, p, 0, "may be told, once proven: "+describe(k.Link))
}

func (c *Care) fits(n reminders.NewLink) error {
	name := strings.TrimSpace(n.Name)
	switch languages := c.Book.Policy.Clinic.Languages; {
	case !slices.Contains(reminders.Relations, n.Relation):
		return triage.Refuse("no_relation", phrase.Args{"relations": strings.Join(reminders.Relations, ", ")})
	case slices.ContainsFunc(n.What, func(w string) bool { return !slices.Contains(reminders.Shares, w) }):
		return triage.Refuse("no_share", phrase.Args{"shares": strings.Join(reminders.Shares, ", ")})
	case n.Of.ID != 0:
		return nil
	case n.Relation == reminders.Account:
		return triage.Refuse("account_of", nil)
	case name == "" || len(name) > 200:
		return triage.Refuse("name", nil)
	case !slices.Contains(languages, n.Language):
		return triage.Refuse("language", phrase.Args{"languages": strings.Join(languages, ", ")})
	}
	return nil
}

// RenewLink draws a new code for a link: the last one expired, or its person has a new
// phone.
func (c *Care) RenewLink(ctx context.Context, tx *store.Tx, actor triage.Staff, patient, id int64) (LinkCode, error) {
	if err := actor.May(triage.ChangeLinks); err != nil {
		return LinkCode{}, err
	}
	p, err := c.whole(ctx, tx, patient)
	if err != nil {
		return LinkCode{}, err
	}
	k := LinkCode{Patient: p}
	if k.Link, err = c.Book.LinkOf(ctx, tx, patient, id); err != nil {
		return k, linkInWords(err)
	}
	if k.Code, k.Until, err = c.Book.RenewLink(ctx, tx, k.Link); err != nil {
		return k, err
	}
	return k, c.did(ctx, tx, actor, triage.ChangeLinks, p, 0, "new code: "+describe(k.Link))
}

// EndLink ends at once what somebody may be told of a patient.
func (c *Care) EndLink(ctx context.Context, tx *store.Tx, actor triage.Staff, patient, id int64) (reminders.Link, error) {
	if err := actor.May(triage.ChangeLinks); err != nil {
		return reminders.Link{}, err
	}
	p, err := c.Book.Patient(ctx, tx, patient)
	if err != nil {
		return reminders.Link{}, err
	}
	l, err := c.Book.LinkOf(ctx, tx, patient, id)
	if err != nil {
		return l, linkInWords(err)
	}
	if err := c.Book.EndLink(ctx, tx, l); err != nil || p.Erased {
		return l, err
	}
	return l, c.did(ctx, tx, actor, triage.ChangeLinks, p, 0, "ended: "+describe(l))
}

// Links are all that a patient has or had. The caller has put the look on record.
func (c *Care) Links(ctx context.Context, tx *store.Tx, actor triage.Staff, patient int64) ([]reminders.Link, error) {
	if err := actor.May(triage.SeePatients); err != nil {
		return nil, err
	}
	return c.Book.Links(ctx, tx, patient)
}

func describe(l reminders.Link) string {
	return l.Relation + " " + l.Name + " (" + strings.Join(l.What, ", ") + ")"
}

// whole is a patient of whom there is still something to do.
func (c *Care) whole(ctx context.Context, tx *store.Tx, patient int64) (reminders.Patient, error) {
	p, err := c.Book.Patient(ctx, tx, patient)
	if err == nil && p.Erased {
		err = triage.Refuse("erased", nil)
	}
	return p, err
}

func linkInWords(err error) error {
	switch {
	case errors.Is(err, reminders.ErrLinked):
		return triage.Refuse("linked", nil)
	case errors.Is(err, reminders.ErrNoLink):
		return triage.Refuse("no_link", nil)
	}
	return err
}
