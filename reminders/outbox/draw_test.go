package outbox_test

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"handrail.example/reminders/outbox"
)

// A picture is kept as what to draw and drawn when it is sent, outside of any
// transaction; what cannot be drawn is put before a human and not tried again.
func TestAPictureIsDrawnWhenItIsSent(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		draw func([]byte) ([]byte, error)
		want string
	}{
		"drawn":  {func(what []byte) ([]byte, error) { return []byte("drawn " + string(what)), nil }, `drawn {"a":1}`},
		"failed": {func([]byte) ([]byte, error) { return nil, errors.New("no ink") }, ""},
		"panics": {func([]byte) ([]byte, error) { panic("no paper") }, ""},
		"nobody": {nil, ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := setup(t, 1)
			w.put(outbox.Want{Key: "k", Topic: "t", Kind: outbox.Reply, To: w.people[0],
				Message: outbox.Message{Text: "a month", File: &outbox.File{Name: "m.png", Media: "image/png", Draw: json.RawMessage(`{"a":1}`)}}})
			d := w.dispatcher()
			d.Draw = c.draw
			w.settle(d)
			sent := w.wire.sent
			if c.want == "" {
				if len(sent) != 0 || len(w.trouble) != 1 || w.trouble[0].Why != outbox.Undelivered || !strings.Contains(w.trouble[0].Class, "drawn") {
					t.Errorf("sent %v, trouble %+v", sent, w.trouble)
				}
				return
			}
			if len(sent) != 1 || string(sent[0].Message.File.Data) != c.want || len(sent[0].Message.File.Draw) != 0 {
				t.Errorf("sent %+v", sent)
			}
		})
	}
}
