package outbox_test

import (
	"context"
	"testing"
	"time"

	"pgregory.net/rapid"

	"handrail.example/reminders/outbox"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// ask sends the i-th person a question and gives the tokens that were on its way.
func (w *world) ask(key string, i int, actions ...string) []string {
	w.t.Helper()
	want := w.say(key, outbox.Dose, i)
	for _, a := range actions {
		want.Message.Buttons = append(want.Message.Buttons, []outbox.Button{{Label: "press for " + a, Action: a}})
	}
	w.put(want)
	w.settle(w.dispatcher())
	var tokens []string
	for _, line := range w.wire.sent[len(w.wire.sent)-1].Message.Buttons {
		tokens = append(tokens, line[0].Token)
	}
	return tokens
}

func (w *world) press(who seal.Person, token string) (p outbox.Pressed) {
	w.t.Helper()
	w.within(func(ctx context.Context, tx *store.Tx) (err error) {
		p, err = w.box.Press(ctx, tx, who, token)
		return err
	})
	return p
}

func TestAButtonCountsOnceAndSpendsItsSiblings(t *testing.T) {
	t.Parallel()
	w := setup(t, 1)
	tokens := w.ask("dose", 0, "taken", "missed")
	if len(tokens) != 2 || tokens[0] == "" || tokens[0] == tokens[1] || len(tokens[0]) > 64 {
		t.Fatalf("tokens %q", tokens)
	}
	if got := w.press(w.people[0], tokens[1]); got != (outbox.Pressed{Action: "missed", Key: "dose", Message: "1"}) {
		t.Errorf("first press: %+v", got)
	}
	for _, token := range tokens {
		if got := w.press(w.people[0], token); got != (outbox.Pressed{Key: "dose", Message: "1", Spent: true}) {
			t.Errorf("a press afterwards: %+v", got)
		}
	}
	other := w.ask("other dose", 0, "taken")
	if got := w.press(w.people[0], other[0]); got.Action != "taken" {
		t.Errorf("the next question: %+v", got)
	}
}

func TestWhoeverGuessesLearnsNothing(t *testing.T) {
	t.Parallel()
	w := setup(t, 2)
	tokens := w.ask("dose", 0, "taken")
	for name, press := range map[string]struct {
		who   seal.Person
		token string
	}{
		"somebody else's":  {w.people[1], tokens[0]},
		"the house's":      {seal.House, tokens[0]},
		"forged":           {w.people[0], seal.NewToken()},
		"empty":            {w.people[0], ""},
		"an action's name": {w.people[0], "taken"},
		"almost right":     {w.people[0], tokens[0][:21]},
	} {
		t.Run(name, func(t *testing.T) {
			if got := w.press(press.who, press.token); got != (outbox.Pressed{}) {
				t.Errorf("got %+v, want nothing", got)
			}
		})
	}
	if got := w.press(w.people[0], tokens[0]); got.Action != "taken" {
		t.Errorf("after the guesses the right one gives %+v", got)
	}
}

func TestQuestionsCanBeReopenedAndSpent(t *testing.T) {
	t.Parallel()
	w := setup(t, 1)
	tokens := w.ask("dose", 0, "taken", "missed")
	w.press(w.people[0], tokens[0])
	w.within(func(ctx context.Context, tx *store.Tx) error { return w.box.Reopen(ctx, tx, "dose") })
	if got := w.press(w.people[0], tokens[1]); got.Action != "missed" {
		t.Errorf("reopened: %+v", got)
	}
	next := w.ask("next dose", 0, "taken")
	w.within(func(ctx context.Context, tx *store.Tx) error { return w.box.Spend(ctx, tx, "talk") })
	if got := w.press(w.people[0], next[0]); !got.Spent || got.Action != "" {
		t.Errorf("spent: %+v", got)
	}
}

// A copy sent because an answer was lost carries the same tokens, so that a press
// on either counts, once. A new wording has new ones.
func TestTokensStayWithTheWording(t *testing.T) {
	t.Parallel()
	w := setup(t, 1)
	n := 0
	w.wire.answer = func(outbox.Envelope) outbox.Outcome {
		if n++; n == 1 {
			return outbox.Outcome{Fate: outbox.Unknown, Class: "no answer"}
		}
		return outbox.Outcome{Fate: outbox.Sent, External: "2"}
	}
	want := w.say("dose", outbox.Dose, 0)
	want.Message.Buttons = [][]outbox.Button{{{Label: "Taken", Action: "taken"}, {Label: "Not yet", Action: "not_yet"}}}
	want.Due = monday.Add(time.Hour)
	w.put(want)
	var early []string
	w.within(func(ctx context.Context, tx *store.Tx) error {
		return tx.Select(ctx, &early, `SELECT token FROM buttons`)
	})
	want.Message.Text = "another wording"
	w.put(want)
	d := w.dispatcher()
	w.runUntil(d, monday.Add(2*time.Hour))
	first, second := w.wire.sent[0].Message.Buttons[0], w.wire.sent[1].Message.Buttons[0]
	if first[0] != second[0] || first[1] != second[1] {
		t.Errorf("the copy's buttons %v differ from %v", second, first)
	}
	for _, token := range early {
		if token == first[0].Token || token == first[1].Token || w.press(w.people[0], token) != (outbox.Pressed{}) {
			t.Error("a button of the earlier wording works")
		}
	}
	if got := w.press(w.people[0], first[0].Token); got.Action != "taken" || got.Message != "2" {
		t.Errorf("got %+v", got)
	}
}

func FuzzPress(f *testing.F) {
	f.Add("")
	f.Add("taken")
	f.Add("' OR 1=1 --")
	f.Add("\x00\xff")
	w := setup(f, 1)
	tokens := w.ask("dose", 0, "taken")
	f.Fuzz(func(t *testing.T, token string) {
		w.t = t
		if token != tokens[0] && w.press(w.people[0], token) != (outbox.Pressed{}) {
			t.Errorf("%q counts", token)
		}
	})
}

// However the buttons of a message are laid out, each reaches the person with a
// token that gives its own action back.
func TestEveryButtonGivesItsOwnAction(t *testing.T) {
	t.Parallel()
	w := setup(t, 1)
	n := 0
	rapid.Check(t, func(t *rapid.T) {
		n++
		key := "q" + string(rune('0'+n%10)) + time.Duration(n).String()
		actions := rapid.SliceOfNDistinct(rapid.StringN(1, 20, 40), 1, 8, rapid.ID).Draw(t, "actions")
		w.advance(w.clock.Now().Add(10 * time.Second))
		tokens := w.ask(key, 0, actions...)
		i := rapid.IntRange(0, len(actions)-1).Draw(t, "pressed")
		if got := w.press(w.people[0], tokens[i]); got.Action != actions[i] || got.Key != key {
			t.Fatalf("pressed %q, got %+v", actions[i], got)
		}
	})
}
