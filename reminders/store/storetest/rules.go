package storetest

import (
	"context"
	"testing"

	"handrail.example/reminders/store"
)

// rows gives every table that is only added to one row, and what that needs.
var rows = []string{
	`INSERT INTO people (id, wrapped, created_at) VALUES (1, x'00', '2026-03-02T08:00:00.000Z')`,
	`INSERT INTO patients (id, person_id, handle, name, language, created_at) VALUES (1, 1, 'P-101', x'00', 'en', '2026-03-02T08:00:00.000Z')`,
	`INSERT INTO cycles (id, patient_id, protocol, opened_at) VALUES (1, 1, 'stimulated', '2026-03-02T08:00:00.000Z')`,
	`INSERT INTO facts (id, cycle_id, kind, body, said_by, recorded_at) VALUES (1, 1, 'period_start', x'00', 1, '2026-03-02T08:00:00.000Z')`,
	`INSERT INTO dose_answers (id, cycle_id, dose, answer, said_by, recorded_at) VALUES (1, 1, 'd', 'taken', 1, '2026-03-02T08:00:00.000Z')`,
	`INSERT INTO read_backs (id, fact_id, said, said_by, recorded_at) VALUES (1, 1, 'right', 1, '2026-03-02T08:00:00.000Z')`,
	`INSERT INTO checklist (id, patient_id, item, said_by, recorded_at) VALUES (1, 1, 'consents', 1, '2026-03-02T08:00:00.000Z')`,
	`INSERT INTO outbox (id, key, topic, kind, priority, person_id, sealed_for, body, digest, due_at, not_before, created_at)
		VALUES (1, 'k', 't', 'reply', 1, 1, 1, x'00', x'00', '2026-03-02T08:00:00.000Z', '2026-03-02T08:00:00.000Z', '2026-03-02T08:00:00.000Z')`,
	`INSERT INTO attempts (id, outbox_id, at, fate, class) VALUES (1, 1, '2026-03-02T08:00:00.000Z', 'sent', '')`,
	`INSERT INTO staff (id, person_id, handle, name, role, languages, created_at) VALUES (1, 1, 'S-1', x'00', 'lead', 'en', '2026-03-02T08:00:00.000Z')`,
	`INSERT INTO cases (id, key, person_id, reason, urgency, page_now, body, opened_at) VALUES (1, 'k', 1, 'r', 'routine', 0, x'00', '2026-03-02T08:00:00.000Z')`,
	`INSERT INTO case_events (id, case_id, at, what, by) VALUES (1, 1, '2026-03-02T08:00:00.000Z', 'opened', 1)`,
	`INSERT INTO staff_actions (id, at, staff_id, action) VALUES (1, '2026-03-02T08:00:00.000Z', 1, 'look')`,
	`INSERT INTO consents (id, patient_id, version, language, agreed, at) VALUES (1, 1, 'v', 'en', 1, '2026-03-02T08:00:00.000Z')`,
	`INSERT INTO removals (id, at, what, removed, before_at) VALUES (1, '2026-03-02T08:00:00.000Z', 'texts', 1, '2026-02-02T08:00:00.000Z')`,
}

func (f *fixture) fill(t *testing.T) {
	t.Helper()
	f.within(t, func(ctx context.Context, tx *store.Tx) error {
		for _, q := range rows {
			if _, err := tx.Exec(ctx, q); err != nil {
				t.Fatalf("%s: %v", q, err)
			}
		}
		return nil
	})
}

func appendOnly(t *testing.T, f *fixture) {
	f.fill(t)
	tables := []string{"facts", "dose_answers", "read_backs", "checklist", "attempts", "case_events", "staff_actions", "consents", "removals"}
	f.within(t, func(ctx context.Context, tx *store.Tx) error {
		for _, table := range tables {
			for what, q := range map[string]string{
				"an update":      `UPDATE ` + table + ` SET id = 2`,
				"a deletion":     `DELETE FROM ` + table,
				"a replacement":  `INSERT OR REPLACE INTO ` + table + ` SELECT * FROM ` + table,
				"an update away": `UPDATE OR REPLACE ` + table + ` SET id = 1`,
			} {
				if _, err := tx.Exec(ctx, q); err == nil {
					t.Errorf("%s of %s went through", what, table)
				}
			}
		}
		return nil
	})
}

func foreignKeys(t *testing.T, f *fixture) {
	f.within(t, func(ctx context.Context, tx *store.Tx) error {
		if _, err := tx.Exec(ctx, `INSERT INTO patients (id, person_id, handle, name, language, created_at)
			VALUES (1, 77, 'P-101', x'00', 'en', '2026-03-02T08:00:00.000Z')`); err == nil {
			t.Error("a patient who is nobody was taken in")
		}
		return nil
	})
}
