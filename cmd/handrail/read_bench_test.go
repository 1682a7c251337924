package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"handrail.example/dialog"
	"handrail.example/dialog/reading"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage/rules"
)

// nightMessage is as long as people write at two in the morning.
const nightMessage = "hi its me again sorry for writing so late i couldnt sleep so i had the transfer on tuesday and everything was ok " +
	"i take my progesterone three times a day and i didnt forget any but since this afternoon my belly feels tight and i have " +
	"been going to the bathroom less than usual no fever no bleeding i also wanted to ask if i can move the blood test"

// BenchmarkReadBesideCommit puts the reading of a message ("ours") beside the
// durable commit of the same message ("floor"), on the disk of the test folder.
// Reading must stay below a tenth of the floor.
func BenchmarkReadBesideCommit(b *testing.B) {
	raw, err := json.Marshal(map[string]any{"update_id": 1, "message": map[string]any{"text": nightMessage}})
	if err != nil {
		b.Fatal(err)
	}
	sent := time.Date(2026, 3, 10, 2, 15, 0, 0, time.UTC)
	reading.Parse(nightMessage, reading.Context{Sent: sent}) // the lexicon is read once, at the first message
	b.Run("ours", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			r := reading.Parse(nightMessage, reading.Context{Sent: sent})
			rules.Assess(r.Input(rules.AfterTransfer))
		}
	})
	b.Run("floor", func(b *testing.B) {
		master, err := seal.ParseMasterKey(seal.NewMasterKey())
		if err != nil {
			b.Fatal(err)
		}
		a, err := newApp(b.Context(), setting{
			database: filepath.Join(b.TempDir(), "clinic.sqlite"), durability: store.Full, master: master,
			policy: plan.DefaultPolicy(), clock: clock.System{}, log: slog.New(slog.DiscardHandler),
		})
		if err != nil {
			b.Fatal(err)
		}
		defer a.db.Close()
		n := 0
		for b.Loop() {
			n++
			if err := a.intake.Take(context.Background(), []dialog.Arrival{{ID: int64(n), Raw: raw, Chat: fmt.Sprint(n % 50), Next: int64(n + 1)}}); err != nil {
				b.Fatal(err)
			}
		}
	})
}
