package triage

import (
	"context"
	"slices"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// A free answer goes out only in a language that its writer is marked for. Anybody
// else sends one of the approved texts, or puts her words before a colleague who is.

// Approved are the texts that anybody may send in any language; each stands in the
// phrasebook as "approved.<name>".
var Approved = []string{"read", "phone_you", "phone_us", "colleague"}

// Qualified are the colleagues who may answer in a language.
func (d *Desk) Qualified(ctx context.Context, tx *store.Tx, lang string) ([]Staff, error) {
	team, err := d.Team(ctx, tx)
	return slices.DeleteFunc(team, func(s Staff) bool { return s.May(AnswerCase) != nil || !s.Speaks(lang) }), err
}

// notHerLanguage refuses a free answer and says who may write it.
func (d *Desk) notHerLanguage(ctx context.Context, tx *store.Tx, known Known) error {
	able, err := d.Qualified(ctx, tx, known.Language)
	if err != nil {
		return err
	}
	var names []string
	for _, s := range able {
		names = append(names, s.Name)
	}
	if len(names) == 0 {
		return Refuse("nobody_speaks", phrase.Args{"who": known.Label, "language": known.Language})
	}
	return Refuse("not_her_language", phrase.Args{"who": known.Label, "language": known.Language, "able": strings.Join(names, ", ")})
}

// AnswerApproved sends an approved text in the patient's own language. args fill its
// gaps; cause makes it happen once, as for Answer.
func (d *Desk) AnswerApproved(ctx context.Context, tx *store.Tx, who Staff, id int64, name string, args phrase.Args, cause string) (Case, error) {
	c, err := d.mine(ctx, tx, who, AnswerCase, id)
	switch {
	case err != nil:
		return c, err
	case c.Person == seal.House:
		return c, Refuse("nobody_to_answer", nil)
	case !slices.Contains(Approved, name):
		return c, Refuse("no_approved", nil)
	}
	known, err := d.reachable(ctx, tx, c)
	if err != nil {
		return c, err
	}
	return d.relay(ctx, tx, who, c, known, d.Phrases.Say(known.Language, "approved."+name, args), cause)
}

// Propose puts what should be said to a patient before a colleague who may write her
// language, and hands her the case.
func (d *Desk) Propose(ctx context.Context, tx *store.Tx, who Staff, id int64, to Staff, words string) (Case, error) {
	c, words, err := d.toAnswer(ctx, tx, who, id, words)
	if err != nil {
		return c, err
	}
	known, err := d.Who(ctx, tx, c.Person)
	if err != nil {
		return c, err
	}
	if !to.Speaks(known.Language) {
		return c, d.notHerLanguage(ctx, tx, known)
	}
	if _, err := d.note(ctx, tx, c, event{what: Proposed, by: who.Person, to: to.ID, body: &Body{Words: words}}); err != nil {
		return c, err
	}
	return d.HandOver(ctx, tx, who, id, to)
}
