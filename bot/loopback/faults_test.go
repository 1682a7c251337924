package loopback_test

import (
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"handrail.example/bot/loopback"
)

func TestFaultsStrikeAsPlanned(t *testing.T) {
	t.Parallel()
	b := setup(t)
	send := func() int {
		return b.call(t, "sendMessage", map[string]any{"chat_id": zofia, "text": "x"}).Code
	}
	for _, f := range []loopback.Fault{
		{Kind: loopback.Throttle, Skip: 1, Times: 2},
		{Kind: loopback.ServerError, Chat: 99},
		{Kind: loopback.Conflict, Method: "getUpdates"},
	} {
		if err := b.Misbehave(f); err != nil {
			t.Fatal(err)
		}
	}
	got := fmt.Sprint(send(), send(), send(), send())
	if got != "0 429 429 0" {
		t.Errorf("answers %s, want 0 429 429 0", got)
	}
	if r := b.call(t, "getUpdates", nil); r.Code != 409 {
		t.Errorf("%+v", r)
	}
	b.Behave()
	if r := b.call(t, "getUpdates", nil); !r.OK {
		t.Errorf("%+v", r)
	}
	if err := b.Misbehave(loopback.Fault{Kind: "earthquake"}); err == nil {
		t.Error("no such fault")
	}
	if n := len(b.Sent()); n != 2 {
		t.Errorf("%d messages in the log of what was sent, want 2", n)
	}
}

func TestFaultsByChanceRepeatWithTheirSeed(t *testing.T) {
	t.Parallel()
	run := func() string {
		b := setup(t)
		if err := b.Misbehave(loopback.Fault{Kind: loopback.ServerError, Chance: 0.4}); err != nil {
			t.Fatal(err)
		}
		var codes []string
		for range 40 {
			codes = append(codes, fmt.Sprint(b.call(t, "getMe", nil).Code))
		}
		return strings.Join(codes, " ")
	}
	first, second := run(), run()
	if first != second {
		t.Errorf("same seed, two runs:\n%s\n%s", first, second)
	}
	if hits := strings.Count(first, "500"); hits < 8 || hits > 26 {
		t.Errorf("%d of 40 calls were hit at a chance of 0.4", hits)
	}
}

func TestFaultsCanBePlannedOverHTTP(t *testing.T) {
	t.Parallel()
	b := setup(t)
	ask := func(method, body string) (int, string) {
		r, err := http.NewRequestWithContext(t.Context(), method, b.URL()+"/faults", strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = resp.Body.Close() }()
		data, _ := io.ReadAll(resp.Body)
		return resp.StatusCode, string(data)
	}
	if code, body := ask("POST", `{"kind":"throttle","method":"getMe","retry_after":3,"delay":"1m"}`); code != 200 || !strings.Contains(body, `"delay":"1m0s"`) {
		t.Errorf("%d %s", code, body)
	}
	if r := b.call(t, "getMe", nil); r.Code != 429 || r.Parameters.RetryAfter != 3 {
		t.Errorf("%+v", r)
	}
	if code, _ := ask("POST", `{"kind":"earthquake"}`); code != 400 {
		t.Errorf("unknown kind: %d", code)
	}
	if code, _ := ask("POST", `{"sort":"throttle"}`); code != 400 {
		t.Errorf("unknown field: %d", code)
	}
	if code, _ := ask("DELETE", ""); code != 200 {
		t.Errorf("clear: %d", code)
	}
	if r := b.call(t, "getMe", nil); !r.OK {
		t.Errorf("%+v", r)
	}
}

func TestServerKeepsThePlatformsLimits(t *testing.T) {
	t.Parallel()
	b := setup(t, func(c *loopback.Config) { c.PerSecond, c.PerChat = 3, time.Second })
	for i := range 5 {
		b.Introduce(loopback.Person{Chat: int64(10 + i), Started: true})
	}
	send := func(chat int) reply { return b.call(t, "sendMessage", map[string]any{"chat_id": chat, "text": "x"}) }
	if r := send(10); !r.OK {
		t.Fatalf("%+v", r)
	}
	if r := send(10); r.Code != 429 || r.Parameters.RetryAfter != 1 {
		t.Errorf("twice in a chat: %+v", r)
	}
	send(11)
	send(12)
	if r := send(13); r.Code != 429 {
		t.Errorf("the fourth in a second: %+v", r)
	}
	b.clock.forward(time.Second)
	if r := send(10); !r.OK {
		t.Errorf("a second later: %+v", r)
	}
}

func TestAnOutageEndsByItself(t *testing.T) {
	t.Parallel()
	b := setup(t)
	if err := b.Misbehave(loopback.Fault{Kind: loopback.Outage, Delay: loopback.Duration(time.Hour)}); err != nil {
		t.Fatal(err)
	}
	if _, err := http.Get(b.path("getMe")); err == nil {
		t.Error("answered during an outage")
	}
	update := b.mustWrite(t, "people write all the same").Update
	b.clock.forward(time.Hour)
	if got := b.ids(t, nil); len(got) != 1 || got[0] != update {
		t.Errorf("after the outage: %v", got)
	}
}

func TestMemoryCanBeBounded(t *testing.T) {
	t.Parallel()
	b := setup(t, func(c *loopback.Config) { c.Keep = 5 })
	for range 20 {
		b.call(t, "sendMessage", map[string]any{"chat_id": zofia, "text": "x"})
	}
	if m, c := len(b.Messages(zofia)), len(b.Calls()); m != 5 || c != 5 {
		t.Errorf("%d messages and %d calls kept, want 5", m, c)
	}
}
