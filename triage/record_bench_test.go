package triage_test

import (
	"context"
	"path/filepath"
	"testing"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// BenchmarkRecord puts one look on record in a transaction of its own; floor is the row
// alone, as it was before there was a chain.
func BenchmarkRecord(b *testing.B) {
	var clk clock.Clock = clock.System{}
	db, err := store.Open(b.Context(), filepath.Join(b.TempDir(), "handrail.sqlite"), store.Relaxed, clk)
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	vault, err := seal.NewVault(make([]byte, seal.KeySize))
	if err != nil {
		b.Fatal(err)
	}
	var bell clock.Bell
	d := &triage.Desk{Vault: vault, Outbox: outbox.New(vault, &bell), Phrases: phrase.MustLoad(), Policy: policy()}
	var who triage.Staff
	within := func(f func(ctx context.Context, tx *store.Tx) error) {
		if err := db.Within(b.Context(), f); err != nil {
			b.Fatal(err)
		}
	}
	within(func(ctx context.Context, tx *store.Tx) (err error) {
		if err = vault.Ready(ctx, tx); err != nil {
			return err
		}
		if _, err = d.BeginRecord(ctx, tx); err != nil {
			return err
		}
		who, _, err = d.AddStaff(ctx, tx, triage.Newcomer{Handle: "orrel", Name: "Tamsin Orrel", Role: triage.Lead, Languages: []string{"en"}})
		return err
	})
	b.Run("floor", func(b *testing.B) {
		for b.Loop() {
			within(func(ctx context.Context, tx *store.Tx) error {
				_, err := tx.Exec(ctx, `INSERT INTO staff_actions (at, staff_id, action) VALUES (?, ?, ?)`, store.At(tx.Now), who.ID, triage.SeeCases)
				return err
			})
		}
	})
	b.Run("ours", func(b *testing.B) {
		for b.Loop() {
			within(func(ctx context.Context, tx *store.Tx) error {
				return d.Did(ctx, tx, who, triage.SeeCases, triage.Ref{}, "")
			})
		}
	})
}
