package triage_test

import (
	"context"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// Her owner hears first in opening hours, while she is away whoever covers for her, and
// never fewer people than without one. 2026-03-03 is a Tuesday.
func TestAnOwnerHearsFirstAndNobodyLess(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		opened time.Time
		away   bool
		left   bool
		want   []string
	}{
		"in opening hours":   {local(3, 10, 0), false, false, []string{"Tue 10:00 bastian", "Tue 10:00 yevka"}},
		"away, with a cover": {local(3, 10, 0), true, false, []string{"Tue 10:00 bastian", "Tue 10:00 tamsin"}},
		"left for good":      {local(3, 10, 0), false, true, []string{"Tue 10:00 bastian"}},
		"at night as ever":   {local(3, 2, 0), false, false, []string{"Tue 02:00 bastian"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := open(t, tc.opened)
			c.onCall(c.bastian, tc.opened, tc.opened.Add(24*time.Hour))
			c.within(func(ctx context.Context, tx *store.Tx) error {
				k, err := c.onFile(ctx, tx)
				if err == nil {
					err = c.desk.SetOwner(ctx, tx, c.tamsin, k, c.patient, c.yevka)
				}
				if err == nil && tc.away {
					err = c.desk.AddAbsence(ctx, tx, c.yevka, triage.Absence{Staff: c.yevka, Cover: c.tamsin, From: tc.opened.Add(-time.Hour), To: tc.opened.Add(48 * time.Hour)})
				}
				if err == nil && tc.left {
					err = c.desk.Leave(ctx, tx, c.yevka)
				}
				return err
			})
			o := c.opening("inbox/1", rules.Emergency)
			c.opens(o)
			c.until(tc.opened.Add(time.Minute))
			if diff := cmp.Diff(tc.want, c.heard()); diff != "" {
				t.Errorf("who heard (-want +got):\n%s", diff)
			}
		})
	}
}

func TestHandOverNotesKeepTheirVersions(t *testing.T) {
	t.Parallel()
	c := open(t, local(3, 10, 0))
	c.within(func(ctx context.Context, tx *store.Tx) error {
		k, err := c.onFile(ctx, tx)
		if err != nil {
			return err
		}
		for _, words := range []string{"afraid of needles", "afraid of needles; her sister comes along"} {
			if err := c.desk.WriteNote(ctx, tx, c.bastian, k, c.patient, words); err != nil {
				return err
			}
		}
		notes, err := c.desk.Notes(ctx, tx, k.ID, c.patient)
		if err == nil && (len(notes) != 2 || notes[0].Words != "afraid of needles; her sister comes along" || notes[1].By != c.bastian.Person) {
			t.Errorf("notes %+v", notes)
		}
		return err
	})
}

// onFile has the patient of the cases on file, as the reminders have her.
func (c *clinic) onFile(ctx context.Context, tx *store.Tx) (triage.Known, error) {
	k := c.known[c.patient]
	k.ID = 1
	c.known[c.patient] = k
	_, err := tx.Exec(ctx, `INSERT INTO patients (id, person_id, handle, name, language, created_at) VALUES (?, ?, 'P-105', x'00', 'es', ?)`, k.ID, c.patient, store.At(tx.Now))
	return k, err
}
