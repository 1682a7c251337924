package outbox_test

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"handrail.example/reminders/clock"
	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

type recorder struct{ sent []outbox.Envelope }

func (r *recorder) Send(_ context.Context, e outbox.Envelope) outbox.Outcome {
	r.sent = append(r.sent, e)
	return outbox.Outcome{Fate: outbox.Sent, External: "1"}
}

func TestAMessageGoesOutWhenItIsDue(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	clk := clock.NewVirtual(time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC))
	db, err := store.Open(ctx, filepath.Join(t.TempDir(), "a?b c.sqlite"), store.Full, clk)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	vault, _ := seal.NewVault(make([]byte, 32))
	var bell clock.Bell
	box := outbox.New(vault, &bell)
	var p seal.Person
	if err := db.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		if err := vault.Ready(ctx, tx); err != nil {
			return err
		}
		if p, err = vault.Add(ctx, tx); err != nil {
			return err
		}
		if _, err := vault.Link(ctx, tx, p, "4711"); err != nil {
			return err
		}
		return box.Put(ctx, tx, outbox.Want{Key: "a", Topic: "t", Kind: outbox.Reminder, To: p, Due: tx.Now.Add(time.Hour),
			Message: outbox.Message{Text: "hello", Buttons: [][]outbox.Button{{{Label: "yes", Action: "y"}}}}})
	}); err != nil {
		t.Fatal(err)
	}
	rec := &recorder{}
	d := &outbox.Dispatcher{DB: db, Vault: vault, Outbox: box, Sender: rec,
		OnTrouble: func(context.Context, *store.Tx, outbox.Trouble) error { return nil },
		Report:    func(err error) { t.Error(err) }}
	release := clk.Hold()
	done := make(chan struct{})
	rctx, cancel := context.WithCancel(ctx)
	go func() { defer close(done); defer release(); d.Run(rctx, clk) }()
	if err := clk.Advance(ctx, clk.Now().Add(59*time.Minute)); err != nil {
		t.Fatal(err)
	}
	if len(rec.sent) != 0 {
		t.Fatal("sent early")
	}
	if err := clk.Advance(ctx, clk.Now().Add(2*time.Minute)); err != nil {
		t.Fatal(err)
	}
	if len(rec.sent) != 1 || rec.sent[0].Chat != "4711" || rec.sent[0].Message.Buttons[0][0].Token == "" {
		t.Fatalf("sent %+v", rec.sent)
	}
	var pr outbox.Pressed
	if err := db.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		pr, err = box.Press(ctx, tx, p, rec.sent[0].Message.Buttons[0][0].Token)
		return err
	}); err != nil || pr.Action != "y" {
		t.Fatal(err, pr)
	}
	cancel()
	<-done
}
