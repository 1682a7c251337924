package reminders

import (
	"context"
	"maps"
	"slices"
	"strings"

	"handrail.example/reminders/civil"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// Check is one item of the checklist before a cycle, as it stands for a patient.
type Check struct {
	Item string // its name in the policy, as "trial_transfer"
	// On is when it was done; the zero Date when it was not.
	On civil.Date
	// Until is the last day on which it holds; the zero Date when for good.
	Until civil.Date
	// Required: the cycle does not start on its own without it.
	Required bool
}

// Holds reports whether the item is done and still holds on day d.
func (c Check) Holds(d civil.Date) bool {
	return !c.On.IsZero() && !c.On.After(d) && (c.Until.IsZero() || !c.Until.Before(d))
}

// Checklist is every item of the policy, in the order of their names.
func (b *Book) Checklist(ctx context.Context, tx *store.Tx, patient int64) ([]Check, error) {
	var rows []struct {
		Item string  `db:"item"`
		On   *string `db:"done_on"`
	}
	if err := tx.Select(ctx, &rows, `SELECT item, done_on FROM checklist WHERE patient_id = ? ORDER BY item, id`, patient); err != nil {
		return nil, err
	}
	latest := make(map[string]civil.Date)
	for _, r := range rows {
		latest[r.Item] = civil.Date{}
		if r.On == nil {
			continue
		}
		on, err := civil.ParseDate(*r.On)
		if err != nil {
			return nil, err
		}
		latest[r.Item] = on
	}
	var all []Check
	for _, item := range slices.Sorted(maps.Keys(b.Policy.Readiness)) {
		rule := b.Policy.Readiness[item]
		c := Check{Item: item, On: latest[item], Required: rule.Required}
		if rule.ValidDays > 0 && !c.On.IsZero() {
			c.Until = c.On.AddDays(rule.ValidDays)
		}
		all = append(all, c)
	}
	return all, nil
}

// Missing are the required items that do not hold on day d.
func (b *Book) Missing(ctx context.Context, tx *store.Tx, patient int64, d civil.Date) ([]string, error) {
	all, err := b.Checklist(ctx, tx, patient)
	return Lacking(all, d), err
}

// Lacking are the required items of a checklist that do not hold on day d.
func Lacking(list []Check, d civil.Date) []string {
	var missing []string
	for _, c := range list {
		if c.Required && !c.Holds(d) {
			missing = append(missing, c.Item)
		}
	}
	return missing
}

// SetCheck records that an item was done on a day, or with the zero Date that it
// is not done after all, and brings the outbox in step.
func (b *Book) SetCheck(ctx context.Context, tx *store.Tx, patient int64, item string, on civil.Date, by seal.Person) error {
	if _, known := b.Policy.Readiness[item]; !known {
		return &UnknownItem{Item: item, Known: slices.Sorted(maps.Keys(b.Policy.Readiness))}
	}
	var done *string
	if !on.IsZero() {
		s := on.String()
		done = &s
	}
	_, err := tx.Exec(ctx, `INSERT INTO checklist (patient_id, item, done_on, said_by, recorded_at) VALUES (?, ?, ?, ?, ?)`,
		patient, item, done, by, store.At(tx.Now))
	if err != nil {
		return err
	}
	// A visit may be reminded of now, or no longer.
	_, err = b.Replan(ctx, tx, patient)
	return err
}

// UnknownItem says that the policy's checklist has no such item.
type UnknownItem struct {
	Item  string
	Known []string
}

func (e *UnknownItem) Error() string {
	return "the checklist has no item of this name: use one of " + strings.Join(e.Known, ", ")
}
