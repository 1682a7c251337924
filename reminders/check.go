package reminders

import (
	"context"
	"errors"
	"fmt"
	"time"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Check looks at every patient: whether her name and her facts open and can be read,
// and whether what is queued for her open cycle is what her plan asks for.
func (b *Book) Check(ctx context.Context, tx *store.Tx) (found []store.Finding, err error) {
	var rows []struct {
		ID     int64       `db:"id"`
		Person seal.Person `db:"person_id"`
		Handle string      `db:"handle"`
		Name   []byte      `db:"name"`
	}
	if err := tx.Select(ctx, &rows, `SELECT id, person_id, handle, name FROM patients ORDER BY id`); err != nil {
		return nil, err
	}
	for _, r := range rows {
		_, err := b.Vault.Open(ctx, tx, r.Person, "name", r.Name)
		switch {
		case errors.Is(err, seal.ErrErased):
			continue
		case errors.Is(err, seal.ErrSealed):
			found = append(found, seal.NotOpening(r.Handle, "her name"))
			continue
		case err != nil:
			return found, err
		}
		more, err := b.checkCycles(ctx, tx, r.ID, r.Handle)
		found = append(found, more...)
		if err != nil {
			return found, err
		}
	}
	for _, check := range []func(context.Context, *store.Tx) ([]store.Finding, error){b.checkLinks, b.checkPlaces} {
		more, err := check(ctx, tx)
		if found = append(found, more...); err != nil {
			return found, err
		}
	}
	return found, nil
}

// checkLinks opens the names of those who may be told of a patient.
func (b *Book) checkLinks(ctx context.Context, tx *store.Tx) (found []store.Finding, err error) {
	var rows []struct {
		ID     int64       `db:"id"`
		Person seal.Person `db:"person_id"`
		Name   []byte      `db:"name"`
	}
	if err := tx.Select(ctx, &rows, `SELECT id, person_id, name FROM links ORDER BY id`); err != nil {
		return nil, err
	}
	for _, r := range rows {
		opens, err := b.Vault.Opens(ctx, tx, r.Person, "link name", r.Name)
		if err != nil {
			return found, err
		}
		if !opens {
			found = append(found, seal.NotOpening(fmt.Sprintf("link %d", r.ID), "the name of whoever may be told"))
		}
	}
	return found, nil
}

// checkPlaces compares the places that are taken with what is booked.
func (b *Book) checkPlaces(ctx context.Context, tx *store.Tx) (found []store.Finding, err error) {
	var some bool
	if err := tx.Get(ctx, &some, `SELECT EXISTS (SELECT 1 FROM places)`); err != nil || !some {
		return nil, err // a file from before there were any: the first `serve` fills them
	}
	amiss, err := b.PlacesAmiss(ctx, tx)
	if errors.Is(err, seal.ErrSealed) {
		return nil, nil // found already: a fact, or a key, does not open
	}
	for _, what := range amiss {
		found = append(found, store.Finding{At: "the room of a day", What: what, Do: "enter the visit anew, or any other entry of hers: her places then follow from what is booked"})
	}
	return found, err
}

// checkCycles opens the facts of all of a patient's cycles, and compares the plan of
// the open one with the outbox.
func (b *Book) checkCycles(ctx context.Context, tx *store.Tx, patient int64, handle string) (found []store.Finding, err error) {
	var cycles []int64
	if err := tx.Select(ctx, &cycles, `SELECT id FROM cycles WHERE patient_id = ? ORDER BY id`, patient); err != nil {
		return nil, err
	}
	for _, id := range cycles {
		if _, err := b.facts(ctx, tx, Cycle{ID: id, Patient: patient}); err != nil {
			if broken := tx.Broken(); broken != nil {
				return found, broken
			}
			return append(found, store.Finding{At: fmt.Sprintf("%s, cycle %d", handle, id), What: "a fact of it does not open, or cannot be read",
				Do: "restore the last backup in which it opens, to another file, and enter its facts anew; until then nobody reminds her: look after her by hand"}), nil
		}
	}
	if len(cycles) == 0 {
		return nil, nil
	}
	return b.checkPlan(ctx, tx, patient, handle)
}

// checkPlan recomputes the plan of a patient's open cycle from its facts and compares
// what it asks for with what is queued. A plan is renewed when something is recorded
// and after midnight, so that what is queued is what it asked for at the last of these;
// by now it may ask for a little else. Only what it asked for at neither is found.
func (b *Book) checkPlan(ctx context.Context, tx *store.Tx, patient int64, handle string) ([]store.Finding, error) {
	since, err := b.renewed(ctx, tx, patient)
	if err != nil {
		return nil, err
	}
	var first []string
	var cycle int64
	for i, at := range []time.Time{tx.Now, since} {
		then := tx.AsOf(at)
		_, c, promised, err := b.promised(ctx, then, patient)
		if err != nil {
			if broken := tx.Broken(); broken != nil {
				return nil, broken
			}
			return []store.Finding{{At: fmt.Sprintf("%s, cycle %d", handle, c.ID), What: "no plan follows from its facts",
				Do: "look at its facts (`" + handle + " facts` in chat) and correct the one that cannot be"}}, nil
		}
		diffs, err := b.Outbox.Differences(ctx, then, planTopic(c.ID), promised, tx.Now)
		if err != nil || len(diffs) == 0 {
			return nil, err
		}
		if i == 0 {
			first, cycle = diffs, c.ID
		}
	}
	return []store.Finding{{At: fmt.Sprintf("%s, cycle %d", handle, cycle), What: fmt.Sprintf("what is queued is not what her plan asks for: %s%s", first[0], andMore(len(first)-1)),
		Do: "`handrail serve` renews the plan at the next entry and after midnight; until then look at `" + handle + " calendar` and remind her by hand of what is due today"}}, nil
}

func andMore(n int) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprintf(", and %d more", n)
}

// renewed is when the plan of a patient's latest cycle was renewed last: after the last
// midnight, or when something was recorded since.
func (b *Book) renewed(ctx context.Context, tx *store.Tx, patient int64) (time.Time, error) {
	var last store.Time
	if err := tx.Get(ctx, &last, `SELECT max(at) FROM (
		SELECT max(recorded_at) AS at FROM facts WHERE cycle_id IN (SELECT id FROM cycles WHERE patient_id = ?)
		UNION ALL SELECT max(recorded_at) FROM dose_answers WHERE cycle_id IN (SELECT id FROM cycles WHERE patient_id = ?)
		UNION ALL SELECT max(recorded_at) FROM checklist WHERE patient_id = ?
		UNION ALL SELECT max(opened_at) FROM cycles WHERE patient_id = ?)`, patient, patient, patient, patient); err != nil {
		return time.Time{}, err
	}
	midnight := civil.DateOf(tx.Now.In(b.zone())).At(0, b.zone()).Add(time.Minute)
	if last.After(midnight) && !last.After(tx.Now) {
		return last.Time, nil
	}
	return midnight, nil
}
