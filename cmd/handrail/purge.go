package main

import (
	"context"
	"fmt"
	"time"

	"handrail.example/reminders/store"
	"handrail.example/reminders/wake"
	"handrail.example/triage/desk"
)

// removal is something that is kept for a time only. What belongs to a patient's record
// is none of it: facts, answers, cases, what was sent to her.
type removal struct {
	what string
	do   func(ctx context.Context, tx *store.Tx, before time.Time) (int64, error)
}

func (a *app) removals() []removal {
	return []removal{
		{"raw texts of messages", a.intake.Purge},
		{"texts of answers to staff", a.purgeStaffTexts},
		{"texts and addresses of answers to strangers", a.outbox.EmptyStrangers},
		{"conversations", a.intake.PurgeConversations},
		{"enrolment codes", a.book.PurgeCodes},
		{"codes tried in vain", a.intake.PurgeTries},
		{"sessions of the desk", desk.PurgeSessions},
		{"failed tries and sent forms", desk.PurgeTraces},
	}
}

// purge removes whatever is older than the policy keeps it. What it removed is on record,
// in the transaction that removes it.
func (a *app) purge(ctx context.Context) error {
	before := a.clock.Now().AddDate(0, 0, -a.policy.Messages.RetentionDays)
	for _, r := range a.removals() {
		total := int64(0)
		for {
			var n int64
			if err := a.db.Within(ctx, func(ctx context.Context, tx *store.Tx) (err error) {
				if n, err = r.do(ctx, tx, before); err != nil || n == 0 {
					return err
				}
				return wake.Removed(ctx, tx, r.what, n, before)
			}); err != nil {
				return fmt.Errorf("%s: %w", r.what, err)
			}
			if total += n; n == 0 {
				break
			}
		}
		if total > 0 {
			a.log.Info("removed, its time being over", "what", r.what, "rows", total, "older_than_days", a.policy.Messages.RetentionDays)
		}
	}
	return nil
}

func (a *app) purgeStaffTexts(ctx context.Context, tx *store.Tx, before time.Time) (int64, error) {
	staff, err := a.desk.Everyone(ctx, tx)
	if err != nil {
		return 0, err
	}
	return a.outbox.Empty(ctx, tx, staff, before)
}
