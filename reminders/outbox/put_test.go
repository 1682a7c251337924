package outbox_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"handrail.example/reminders/outbox"
	"handrail.example/reminders/store"
)

func TestPutRefuses(t *testing.T) {
	t.Parallel()
	w := setup(t, 1)
	her := w.people[0]
	buttons := outbox.Message{Buttons: [][]outbox.Button{{{Label: "Yes", Action: "yes"}}}}
	for name, want := range map[string]outbox.Want{
		"no key":                    {Topic: "t", Kind: outbox.Reply, To: her},
		"no topic":                  {Key: "k", Kind: outbox.Reply, To: her},
		"no kind":                   {Key: "k", Topic: "t", To: her},
		"a kind of its own":         {Key: "k", Topic: "t", Kind: "shout", To: her},
		"nobody to get it":          {Key: "k", Topic: "t", Kind: outbox.Reply},
		"two to get it":             {Key: "k", Topic: "t", Kind: outbox.Reply, To: her, Chat: "1"},
		"a task for somebody":       {Key: "k", Topic: "t", Kind: outbox.Task, Run: "r", To: her},
		"a task without a function": {Key: "k", Topic: "t", Kind: outbox.Task},
		"buttons for a stranger":    {Key: "k", Topic: "t", Kind: outbox.Reply, Chat: "1", Message: buttons},
		"a payload of no kind":      {Key: "k", Topic: "t", Kind: outbox.Task, Run: "r", Payload: func() {}},
		"somebody who is nobody":    {Key: "k", Topic: "t", Kind: outbox.Reply, To: 999},
	} {
		t.Run(name, func(t *testing.T) {
			err := w.db.Within(w.ctx, func(ctx context.Context, tx *store.Tx) error { return w.box.Put(ctx, tx, want) })
			if err == nil {
				t.Error("it was taken")
			}
		})
	}
}

// Whatever changes in a want changes its row, once; and nothing else does.
func TestAWantThatChangesRewritesItsRow(t *testing.T) {
	t.Parallel()
	base := func(w *world) outbox.Want {
		return outbox.Want{Key: "k", Topic: "t", Kind: outbox.Reminder, To: w.people[0], About: w.people[0],
			Due: monday.Add(time.Hour), Expires: monday.Add(2 * time.Hour), Message: outbox.Message{Text: "at 07:30"}}
	}
	for name, change := range map[string]func(w *world, want *outbox.Want){
		"the text": func(_ *world, want *outbox.Want) { want.Message.Text = "at 07:40" },
		"a button": func(_ *world, want *outbox.Want) {
			want.Message.Buttons = [][]outbox.Button{{{Label: "OK", Action: "ok"}}}
		},
		"the day":         func(_ *world, want *outbox.Want) { want.Due = want.Due.Add(time.Minute) },
		"to at once":      func(_ *world, want *outbox.Want) { want.Due = time.Time{} },
		"the last moment": func(_ *world, want *outbox.Want) { want.Expires = time.Time{} },
		"the kind":        func(_ *world, want *outbox.Want) { want.Kind = outbox.Dose },
		"who gets it":     func(w *world, want *outbox.Want) { want.To = w.people[1] },
		"of whom it is":   func(w *world, want *outbox.Want) { want.About = w.people[1] },
		"the topic":       func(_ *world, want *outbox.Want) { want.Topic = "u" },
		"to a stranger":   func(_ *world, want *outbox.Want) { want.To, want.Chat = 0, "77" },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := setup(t, 2)
			want := base(w)
			if got := w.reconcile(want.Topic, want); got != (outbox.Changes{Added: 1}) {
				t.Errorf("first: %+v", got)
			}
			change(w, &want)
			if got := w.reconcile(want.Topic, want); got != (outbox.Changes{Rewritten: 1}) {
				t.Errorf("changed: %+v, want one rewritten", got)
			}
			w.advance(monday.Add(time.Minute))
			if got := w.reconcile(want.Topic, want); got != (outbox.Changes{}) {
				t.Errorf("again: %+v, want nothing", got)
			}
			w.runUntil(w.dispatcher(), monday.Add(90*time.Minute))
			if len(w.wire.sent) != 1 || w.wire.sent[0].Message.Text != want.Message.Text {
				t.Fatalf("sent %q, want %q once", w.wire.texts(), want.Message.Text)
			}
			if chat := map[bool]string{true: chatOf(1), false: chatOf(0)}[want.To == w.people[1]]; want.Chat == "" && w.wire.sent[0].Chat != chat {
				t.Errorf("sent to %s, want %s", w.wire.sent[0].Chat, chat)
			}
			if want.Chat != "" && w.wire.sent[0].Chat != want.Chat {
				t.Errorf("sent to %s, want %s", w.wire.sent[0].Chat, want.Chat)
			}
		})
	}
}

func TestWhatIsPastDueIsDueAtOnceAndStaysSo(t *testing.T) {
	t.Parallel()
	w := setup(t, 1)
	want := w.say("k", outbox.Reminder, 0)
	want.Due = monday.Add(-time.Hour)
	w.reconcile("talk", want)
	w.advance(monday.Add(time.Minute))
	if got := w.reconcile("talk", want); got != (outbox.Changes{}) {
		t.Errorf("a minute later: %+v, want nothing", got)
	}
	w.settle(w.dispatcher())
	if got := w.wire.texts(); len(got) != 1 {
		t.Errorf("sent %q", got)
	}
}

func TestReconcileWithdrawsWhatIsNoLongerWanted(t *testing.T) {
	t.Parallel()
	w := setup(t, 1)
	a, b, c := w.say("a", outbox.Reminder, 0), w.say("b", outbox.Reminder, 0), w.say("c", outbox.Reminder, 0)
	elsewhere := w.say("elsewhere", outbox.Reminder, 0)
	elsewhere.Topic = "other"
	w.put(elsewhere)
	w.reconcile("talk", a, b, c)
	if got := w.reconcile("talk", a, c); got != (outbox.Changes{Withdrawn: 1}) {
		t.Errorf("got %+v", got)
	}
	if got := w.reconcile("talk", a, c); got != (outbox.Changes{}) {
		t.Errorf("again: %+v", got)
	}
	if got := w.reconcile("talk", a, b, c); got != (outbox.Changes{Rewritten: 1}) {
		t.Errorf("wanted again: %+v", got)
	}
	w.within(func(ctx context.Context, tx *store.Tx) error { return w.box.WithdrawKey(ctx, tx, "b") })
	w.settle(w.dispatcher())
	if got := strings.Join(w.wire.texts(), " "); got != "elsewhere a c" {
		t.Errorf("sent %q, want elsewhere a c", got)
	}
	if got := w.reconcile("talk"); got != (outbox.Changes{}) {
		t.Errorf("what has gone out was touched: %+v", got)
	}
	if err := w.db.Within(w.ctx, func(ctx context.Context, tx *store.Tx) error {
		_, err := w.box.Reconcile(ctx, tx, "talk", []outbox.Want{a, a})
		return err
	}); err == nil {
		t.Error("two wants under one key were taken")
	}
}

func TestWithdrawMessagesTakesBackByPersonAndKind(t *testing.T) {
	t.Parallel()
	w := setup(t, 2)
	w.put(w.say("reminder", outbox.Reminder, 0), w.say("dose", outbox.Dose, 0), w.say("reply", outbox.Reply, 0), w.say("hers", outbox.Reminder, 1))
	for _, want := range []int{2, 0} {
		w.within(func(ctx context.Context, tx *store.Tx) error {
			got, err := w.box.WithdrawMessages(ctx, tx, w.people[0], outbox.Reminder, outbox.Dose)
			if got != want {
				t.Errorf("took back %d, want %d", got, want)
			}
			return err
		})
	}
	w.settle(w.dispatcher())
	got := w.wire.texts()
	if slices.Sort(got); !slices.Equal(got, []string{"hers", "reply"}) {
		t.Errorf("sent %q, want the reply and hers", got)
	}
}

// What is decided about a row while it is on the wire holds when it comes back.
func TestDecisionsWhileOnTheWire(t *testing.T) {
	t.Parallel()
	other := func(w *world) outbox.Want {
		want := w.say("k", outbox.Reminder, 0)
		want.Message.Text = "new wording"
		return want
	}
	for name, c := range map[string]struct {
		fate    outbox.Fate
		decide  func(w *world)
		sent    string // everything put on the wire
		state   string
		trouble int
	}{
		"withdrawn, delivered":        {outbox.Sent, func(w *world) { w.reconcile("talk") }, "k", "sent", 0},
		"withdrawn, refused for now":  {outbox.Later, func(w *world) { w.reconcile("talk") }, "k", "withdrawn", 0},
		"withdrawn, refused for ever": {outbox.Never, func(w *world) { w.reconcile("talk") }, "k", "withdrawn", 0},
		"withdrawn, lost":             {outbox.Unknown, func(w *world) { w.reconcile("talk") }, "k", "withdrawn", 0},
		"changed, delivered":          {outbox.Sent, func(w *world) { w.reconcile("talk", other(w)) }, "k", "sent", 0},
		"changed, refused for now":    {outbox.Later, func(w *world) { w.reconcile("talk", other(w)) }, "k|new wording", "sent", 0},
		"changed, lost":               {outbox.Unknown, func(w *world) { w.reconcile("talk", other(w)) }, "k|new wording", "sent", 0},
		"changed, refused for ever":   {outbox.Never, func(w *world) { w.reconcile("talk", other(w)) }, "k|new wording", "sent", 0},
		"changed and changed back":    {outbox.Later, func(w *world) { w.reconcile("talk", other(w)); w.reconcile("talk", w.say("k", outbox.Reminder, 0)) }, "k|k", "sent", 0},
		"withdrawn and wanted again":  {outbox.Later, func(w *world) { w.reconcile("talk"); w.reconcile("talk", w.say("k", outbox.Reminder, 0)) }, "k|k", "sent", 0},
		"nothing, refused for ever":   {outbox.Never, func(*world) {}, "k", "failed", 1},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := setup(t, 1)
			first := true
			w.wire.answer = func(outbox.Envelope) outbox.Outcome {
				if !first {
					return outbox.Outcome{Fate: outbox.Sent, External: "2"}
				}
				first = false
				c.decide(w)
				return outbox.Outcome{Fate: c.fate, Class: "on purpose"}
			}
			w.put(w.say("k", outbox.Reminder, 0))
			w.runUntil(w.dispatcher(), monday.Add(time.Hour))
			if got := strings.Join(w.wire.texts(), "|"); got != c.sent {
				t.Errorf("sent %q, want %q", got, c.sent)
			}
			if got := w.state("k"); got != c.state || len(w.trouble) != c.trouble {
				t.Errorf("the row is %s with %d troubles, want %s with %d", got, len(w.trouble), c.state, c.trouble)
			}
		})
	}
}

func TestReconcileTwiceOnTheWireIsNoNews(t *testing.T) {
	t.Parallel()
	w := setup(t, 1)
	w.wire.answer = func(outbox.Envelope) outbox.Outcome {
		if got := w.reconcile("talk"); got != (outbox.Changes{Withdrawn: 1}) {
			t.Errorf("first: %+v", got)
		}
		if got := w.reconcile("talk"); got != (outbox.Changes{}) {
			t.Errorf("again: %+v", got)
		}
		return outbox.Outcome{Fate: outbox.Later}
	}
	w.put(w.say("k", outbox.Reminder, 0))
	w.settle(w.dispatcher())
}
