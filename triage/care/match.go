package care

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/runes"
	"golang.org/x/text/transform"
	"golang.org/x/text/unicode/norm"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/exchange"
)

// whose is the patient whom a claim is certainly about: it names one of our handles and
// no other, and every name in it is hers. We hold no day of birth to compare; it is
// shown to whoever decides.
func (c *Care) whose(ctx context.Context, tx *store.Tx, k exchange.Claim) (reminders.Patient, bool, error) {
	handles := slices.Compact(slices.Sorted(slices.Values(upper(k.Handles))))
	if len(handles) != 1 || len(k.Names) == 0 {
		return reminders.Patient{}, false, nil
	}
	p, err := c.Book.ByHandle(ctx, tx, handles[0])
	if errors.Is(err, reminders.ErrNoPatient) || errors.Is(err, seal.ErrSealed) {
		return p, false, nil // nobody, or somebody who has been erased
	}
	return p, err == nil && !slices.ContainsFunc(k.Names, func(n string) bool { return !sameName(n, p.Name) }), err
}

func upper(all []string) (out []string) {
	for _, s := range all {
		out = append(out, strings.ToUpper(strings.TrimSpace(s)))
	}
	return out
}

// sameName compares two names whatever their accents, their case and the order of their
// parts.
func sameName(a, b string) bool {
	one, other := nameParts(a), nameParts(b)
	return len(one) > 0 && slices.Equal(one, other)
}

func nameParts(s string) []string {
	plain, _, err := transform.String(transform.Chain(norm.NFKD, runes.Remove(runes.In(unicode.Mn)), norm.NFC), strings.ToLower(s))
	if err != nil {
		return nil
	}
	parts := strings.FieldsFunc(plain, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
	slices.Sort(parts)
	return parts
}

// mostWaiting bounds the list of what waits; the rest follows as it is worked through.
// Common practice, no source.
const mostWaiting = 100

// Arrivals are those that wait for a person, the oldest first, and how many there are.
// The caller puts the look on record.
func (c *Care) Arrivals(ctx context.Context, tx *store.Tx, actor triage.Staff) (list []Arrival, all int, err error) {
	if err := actor.May(triage.Import); err != nil {
		return nil, 0, err
	}
	if err := tx.Get(ctx, &all, `SELECT count(*) FROM arrivals WHERE state = 'waiting'`); err != nil {
		return nil, 0, err
	}
	var rows []arrivalRow
	if err := tx.Select(ctx, &rows, arrivalColumns+`state = 'waiting' ORDER BY id LIMIT ?`, mostWaiting); err != nil {
		return nil, 0, err
	}
	for _, r := range rows {
		a, err := c.arrival(ctx, tx, r)
		if err != nil {
			return nil, 0, err
		}
		list = append(list, a)
	}
	return list, all, nil
}

func (c *Care) arrival(ctx context.Context, tx *store.Tx, r arrivalRow) (Arrival, error) {
	a := Arrival{ID: r.ID, Kind: r.Kind, Received: r.Received.Time, Patient: orZero(r.Patient)}
	plain, err := c.Desk.Vault.Open(ctx, tx, *r.Sealed, "arrival", r.Body)
	if errors.Is(err, seal.ErrSealed) {
		return a, nil // of somebody who has been erased nothing is left but to set it aside
	}
	if err != nil {
		return a, fmt.Errorf("arrival %d: %w", r.ID, err)
	}
	var b arrivalBody
	if json.Unmarshal(plain, &b) != nil {
		return a, fmt.Errorf("arrival %d does not hold what it should", r.ID)
	}
	a.Number, a.Says, a.Claim, a.Gone, a.Doubts = b.Number, b.Says, b.Claim, b.Gone, b.Doubts
	if len(b.Fact) > 0 {
		// One without its step is no whole fact yet.
		if a.Fact, err = plan.ParseFact(b.Fact, c.Book.Policy.Location()); err != nil {
			var at struct{ At string }
			_ = json.Unmarshal(b.Fact, &at)
			t, _ := plan.ParseInstant(at.At, c.Book.Policy.Location())
			a.Fact = plan.Fact{Kind: plan.Visit, At: t}
		}
	}
	if b.Was == 0 {
		return a, nil
	}
	var was arrivalRow
	err = tx.Get(ctx, &was, arrivalColumns+`id = ?`, b.Was)
	a.WasFact, a.WasPatient = orZero(was.Fact), orZero(was.Patient)
	return a, err
}

func orZero(n *int64) int64 {
	if n == nil {
		return 0
	}
	return *n
}

// Arrival is one that waits; a *Refused when it does not, or not any more.
func (c *Care) Arrival(ctx context.Context, tx *store.Tx, actor triage.Staff, id int64) (Arrival, error) {
	if err := actor.May(triage.Import); err != nil {
		return Arrival{}, err
	}
	var r arrivalRow
	found, err := tx.Find(ctx, &r, arrivalColumns+`id = ? AND state = 'waiting'`, id)
	switch {
	case err != nil:
		return Arrival{}, err
	case !found:
		return Arrival{}, triage.Refuse("no_arrival", phrase.Args{"arrival": fmt.Sprint(id)})
	}
	a, err := c.arrival(ctx, tx, r)
	if err == nil {
		err = c.Desk.Did(ctx, tx, actor, triage.Import, triage.Ref{Patient: a.Patient}, fmt.Sprintf("looked at arrival %d", id))
	}
	return a, err
}

// Candidates are our patients whom an arrival may be about: by handle, by name, and whom
// an earlier one was about.
func (c *Care) Candidates(ctx context.Context, tx *store.Tx, actor triage.Staff, a Arrival) ([]reminders.Patient, error) {
	if err := actor.May(triage.Import); err != nil {
		return nil, err
	}
	all, err := c.Book.Patients(ctx, tx)
	handles := upper(a.Claim.Handles)
	return slices.DeleteFunc(all, func(p reminders.Patient) bool {
		named := slices.ContainsFunc(a.Claim.Names, func(n string) bool { return sameName(n, p.Name) })
		return !named && p.ID != a.WasPatient && !slices.Contains(handles, p.Handle)
	}), err
}

// asFact is the fact that an arrival would be on a patient's record.
func (c *Care) asFact(ctx context.Context, tx *store.Tx, a Arrival, patient int64, step plan.StepName) (plan.Fact, error) {
	f := a.Fact
	if a.WasPatient != 0 && a.WasPatient != patient {
		return f, triage.Refuse("arrival_of_another", nil)
	}
	tip, err := c.tipOf(ctx, tx, patient, a.WasFact)
	if err != nil {
		return f, err
	}
	switch {
	case a.Gone && tip == "":
		return f, triage.Refuse("arrival_gone", nil)
	case a.Gone:
		return plan.Fact{Kind: plan.Retracted, Replaces: tip, Reason: "called off where it came from"}, nil
	case f.Kind == "":
		return f, triage.Refuse("arrival_by_hand", nil)
	case f.Kind == plan.Visit && f.Step == "" && step == "":
		return f, triage.Refuse("arrival_step", nil)
	case f.Kind == plan.Visit && f.Step == "":
		f.Step = step
	}
	f.Replaces = tip
	if tip == "" {
		f.Replaces, err = c.besideIt(ctx, tx, patient, f)
	}
	return f, err
}

// tipOf is the fact that stands at the end of a chain of corrections; "" where it was
// taken back, or there is none.
func (c *Care) tipOf(ctx context.Context, tx *store.Tx, patient, first int64) (string, error) {
	if first == 0 {
		return "", nil
	}
	cycle, err := c.Book.Cycle(ctx, tx, patient)
	tip, stands := reminders.FactID(first), false
	for _, f := range cycle.Facts {
		if f.ID == tip || f.Replaces == tip {
			tip, stands = f.ID, f.Kind != plan.Retracted
		}
	}
	if !stands {
		return "", err
	}
	return tip, err
}

// besideIt is the hCG of the same minute that an arrival corrects; "" for none. Other
// blood tests of a day stand together in one fact, which a person corrects as a whole.
func (c *Care) besideIt(ctx context.Context, tx *store.Tx, patient int64, f plan.Fact) (string, error) {
	cycle, err := c.Book.Cycle(ctx, tx, patient)
	for _, old := range standing(cycle) {
		if beside(old.Fact, f) == otherValue {
			if f.Kind != plan.HCG {
				return "", triage.Refuse("arrival_by_hand", nil)
			}
			return old.ID, err
		}
	}
	return "", err
}

// PreviewArrival is what an arrival would move if it were this patient's.
func (c *Care) PreviewArrival(ctx context.Context, tx *store.Tx, actor triage.Staff, a Arrival, patient int64, step plan.StepName) (Preview, error) {
	f, err := c.asFact(ctx, tx, a, patient, step)
	if err != nil {
		return Preview{}, err
	}
	return c.Preview(ctx, tx, actor, patient, f)
}

// Confirm enters an arrival as a fact of the patient whose it is, as somebody says who
// has seen both sides. A result is held back from her as one that was entered by hand.
func (c *Care) Confirm(ctx context.Context, tx *store.Tx, actor triage.Staff, id, patient int64, step plan.StepName) (Preview, error) {
	a, err := c.Arrival(ctx, tx, actor, id)
	if err != nil {
		return Preview{}, err
	}
	p, err := c.Book.Patient(ctx, tx, patient)
	if err != nil {
		return Preview{}, err
	}
	number, v, err := c.confirmed(ctx, tx, actor, a, p, step)
	if err != nil {
		return v, err
	}
	if err := c.closeArrival(ctx, tx, actor, id, "saved", patient, number); err != nil {
		return v, err
	}
	if err := c.did(ctx, tx, actor, triage.Import, p, number, fmt.Sprintf("arrival %d is hers", id)); err != nil {
		return v, err
	}
	return v, c.leftAlone(ctx, tx, actor)
}

// confirmed enters an arrival, unless just that is on record already.
func (c *Care) confirmed(ctx context.Context, tx *store.Tx, actor triage.Staff, a Arrival, p reminders.Patient, step plan.StepName) (int64, Preview, error) {
	f, err := c.asFact(ctx, tx, a, p.ID, step)
	if err != nil {
		return 0, Preview{}, err
	}
	cycle, err := c.Book.Cycle(ctx, tx, p.ID)
	if err != nil {
		return 0, Preview{}, err
	}
	for _, old := range standing(cycle) {
		if beside(old.Fact, f) == sameFact {
			return old.Number, Preview{Patient: p, Fact: old.Fact}, nil
		}
	}
	v, err := c.Enter(ctx, tx, actor, p.ID, f, 0)
	if err != nil {
		return 0, v, err
	}
	number, err := c.lastFact(ctx, tx, p.ID)
	return number, v, err
}

// SetAside ends the waiting of an arrival that is nobody's here, or was entered by hand.
// Should its sender change it, it comes back.
func (c *Care) SetAside(ctx context.Context, tx *store.Tx, actor triage.Staff, id int64) error {
	a, err := c.Arrival(ctx, tx, actor, id)
	if err != nil {
		return err
	}
	if err := c.closeArrival(ctx, tx, actor, id, "set_aside", 0, 0); err != nil {
		return err
	}
	if err := c.Desk.Did(ctx, tx, actor, triage.Import, triage.Ref{Patient: a.Patient}, fmt.Sprintf("set arrival %d aside", id)); err != nil {
		return err
	}
	return c.leftAlone(ctx, tx, actor)
}
