package loopback_test

import (
	"fmt"
	"runtime"
	"strings"
	"testing"
	"time"

	"handrail.example/bot/loopback"
)

func TestUpdatesAreConfirmedByTheOffset(t *testing.T) {
	t.Parallel()
	b := setup(t)
	var all []int64
	for i := range 130 {
		all = append(all, b.mustWrite(t, fmt.Sprint(i)).Update)
	}
	first := all[0]
	same := func(what string, got, want []int64) {
		t.Helper()
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("%s: got %v, want %v", what, got, want)
		}
	}
	same("at most 100", b.ids(t, nil), all[:100])
	same("unconfirmed ones come again", b.ids(t, map[string]any{"limit": 3}), all[:3])
	same("from an offset", b.ids(t, map[string]any{"offset": first + 50, "limit": 2}), all[50:52])
	same("confirmed ones are gone", b.ids(t, map[string]any{"limit": 1}), all[50:51])
	same("a lower offset brings nothing back", b.ids(t, map[string]any{"offset": first, "limit": 1}), all[50:51])
	same("an offset of another numbering confirms nothing", b.ids(t, map[string]any{"offset": first + 9000, "limit": 1}), all[50:51])
	same("from the end", b.ids(t, map[string]any{"offset": -2}), all[128:])
	same("all confirmed", b.ids(t, map[string]any{"offset": first + 130}), nil)
}

func TestUpdatesExpire(t *testing.T) {
	t.Parallel()
	b := setup(t)
	text := b.mustWrite(t, "a day").Update
	if _, err := b.PressToken(zofia, 1, "x"); err != nil {
		t.Fatal(err)
	}
	b.clock.forward(loopback.PressLife)
	if got := len(b.ids(t, nil)); got != 2 {
		t.Errorf("after 150 s: %d updates, want 2", got)
	}
	b.clock.forward(time.Second)
	if got := b.ids(t, nil); len(got) != 1 || got[0] != text {
		t.Errorf("after 151 s: %v, want the message only", got)
	}
	b.clock.forward(24 * time.Hour)
	if got := b.ids(t, nil); len(got) != 0 {
		t.Errorf("after a day: %v", got)
	}
	if got := len(b.Expired()); got != 2 {
		t.Errorf("%d expired, want 2", got)
	}
}

func TestPressesAreAnsweredInTime(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.call(t, "sendMessage", map[string]any{"chat_id": zofia, "text": "Dose?", "reply_markup": map[string]any{
		"inline_keyboard": [][]any{{map[string]any{"text": "Taken", "callback_data": "tok"}}}}})
	if _, err := b.Press(zofia, 1, 0, 1); err == nil {
		t.Error("pressed a button that is not there")
	}
	press, err := b.Press(zofia, 1, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	if r := b.call(t, "answerCallbackQuery", map[string]any{"callback_query_id": press}); !r.OK {
		t.Errorf("%+v", r)
	}
	b.clock.forward(loopback.PressLife + time.Second)
	if r := b.call(t, "answerCallbackQuery", map[string]any{"callback_query_id": press}); r.Code != 400 {
		t.Errorf("answered after its time: %+v", r)
	}
}

func TestASecondPollerEndsTheFirst(t *testing.T) {
	t.Parallel()
	b := setup(t)
	first := make(chan reply, 1)
	go func() { first <- b.call(t, "getUpdates", map[string]any{"timeout": 50}) }()
	for !b.Polling() {
		runtime.Gosched()
	}
	b.call(t, "getUpdates", nil)
	if r := <-first; r.Code != 409 || !strings.Contains(r.Description, "terminated by other getUpdates") {
		t.Errorf("%+v", r)
	}
	if r := b.call(t, "setWebhook", map[string]any{"url": "http://127.0.0.1:1/"}); !r.OK {
		t.Fatalf("%+v", r)
	}
	if r := b.call(t, "getUpdates", nil); r.Code != 409 || !strings.Contains(r.Description, "webhook is active") {
		t.Errorf("%+v", r)
	}
	b.call(t, "deleteWebhook", nil)
	if r := b.call(t, "getUpdates", nil); !r.OK {
		t.Errorf("%+v", r)
	}
}

func TestAllowedUpdatesFilterWhatComesLater(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.ids(t, map[string]any{"allowed_updates": []string{"callback_query"}})
	b.mustWrite(t, "not asked for")
	if _, err := b.PressToken(zofia, 1, "x"); err != nil {
		t.Fatal(err)
	}
	if got := len(b.ids(t, nil)); got != 1 {
		t.Errorf("%d updates, want the press", got)
	}
}

func TestWatchersSeeAChangeBeforeTheBotDoes(t *testing.T) {
	t.Parallel()
	b := setup(t)
	var kinds []string
	stop := b.Watch(func(e loopback.Event) {
		kinds = append(kinds, e.Kind)
		if e.Kind == "message" && e.Message.From == loopback.FromBot {
			_, _ = b.Write(zofia, "an answer at once")
		}
	})
	b.call(t, "sendMessage", map[string]any{"chat_id": zofia, "text": "Dose?"})
	if got := strings.Join(kinds, " "); got != "message message" {
		t.Errorf("saw %q", got)
	}
	stop()
	b.mustWrite(t, "unseen")
	if len(kinds) != 2 {
		t.Error("a watcher that stopped still sees")
	}
}
