package outbox_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"handrail.example/reminders/outbox"
	"handrail.example/reminders/store"
)

// What was said to somebody, and the next of what will be: nobody else's, nothing that
// was taken back, and what lies far ahead does not crowd out what was said.
func TestHistory(t *testing.T) {
	t.Parallel()
	w := setup(t, 2)
	for i := range 3 {
		m := w.say(fmt.Sprintf("sent %d", i), outbox.Reply, 0)
		m.Message.Buttons = [][]outbox.Button{{{Label: "Yes", Action: "yes"}}}
		w.put(m)
		w.advance(w.clock.Now().Add(time.Minute))
		w.settle(w.dispatcher())
	}
	w.put(w.say("another's", outbox.Reply, 1))
	for i := range 40 {
		m := w.say(fmt.Sprintf("ahead %d", i), outbox.Reminder, 0)
		m.Due = w.clock.Now().Add(time.Duration(i+1) * time.Hour)
		w.put(m)
	}
	w.within(func(ctx context.Context, tx *store.Tx) error { return w.box.WithdrawKey(ctx, tx, "ahead 0") })
	w.wire.answer = func(outbox.Envelope) outbox.Outcome { return outbox.Outcome{Fate: outbox.Never, Class: "blocked"} }
	w.put(w.say("undelivered", outbox.Reply, 0))
	w.settle(w.dispatcher())
	w.exec(`UPDATE buttons SET used_at = ? WHERE outbox_id = (SELECT id FROM outbox WHERE key = 'sent 1')`, store.At(w.clock.Now()))
	var got []string
	w.within(func(ctx context.Context, tx *store.Tx) error {
		all, err := w.box.History(ctx, tx, w.people[0], 3, 2)
		for _, i := range all {
			got = append(got, fmt.Sprintf("%s, %s, %s%s", i.Text, i.State, i.Class, i.Pressed))
		}
		return err
	})
	want := []string{"ahead 2, queued, ", "ahead 1, queued, ", "undelivered, failed, blocked", "sent 2, sent, ", "sent 1, sent, Yes"}
	if !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}
