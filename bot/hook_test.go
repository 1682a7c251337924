package bot_test

import (
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"handrail.example/bot"
	"handrail.example/bot/loopback"
)

func TestWebhookAnswers(t *testing.T) {
	t.Parallel()
	good := `{"update_id":42,"message":{` + dated + `,` + person + `,` + private + `,"text":"hola"}}`
	for name, tc := range map[string]struct {
		method, secret, body string
		fail                 int
		want, kept           int
	}{
		"good":             {"POST", "s3cret", good, 0, 200, 1},
		"unknown kind":     {"POST", "s3cret", `{"update_id":42,"crystal_ball":{}}`, 0, 200, 1},
		"malformed inside": {"POST", "s3cret", `{"update_id":42,"message":7}`, 0, 200, 1},
		"database error":   {"POST", "s3cret", good, 1, 503, 0},
		"wrong secret":     {"POST", "s3creT", good, 0, 401, 0},
		"no secret":        {"POST", "", good, 0, 401, 0},
		"GET":              {"GET", "s3cret", good, 0, 405, 0},
		"no JSON":          {"POST", "s3cret", "hello", 0, 400, 0},
		"no id":            {"POST", "s3cret", `{"message":{}}`, 0, 400, 0},
		"empty":            {"POST", "s3cret", "", 0, 400, 0},
		"too large":        {"POST", "s3cret", `{"update_id":42,"x":"` + strings.Repeat("x", 1<<20) + `"}`, 0, 413, 0},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			in := &memory{fail: tc.fail}
			w := httptest.NewRecorder()
			r := httptest.NewRequest(tc.method, "/hook", strings.NewReader(tc.body))
			r.Header.Set("X-Telegram-Bot-Api-Secret-Token", tc.secret)
			(&bot.Webhook{Intake: in, Secret: "s3cret"}).ServeHTTP(w, r)
			if w.Code != tc.want {
				t.Errorf("status %d, want %d", w.Code, tc.want)
			}
			if len(in.order) != tc.kept {
				t.Fatalf("%d updates kept, want %d", len(in.order), tc.kept)
			}
			if tc.kept == 1 && (string(in.order[0].Raw) != tc.body || in.known) {
				t.Errorf("kept %s, offset touched: %v", in.order[0].Raw, in.known)
			}
			if w.Body.Len() > 0 {
				t.Errorf("the answer has a body: %q", w.Body)
			}
		})
	}
}

func TestWebhookWithoutASecretTakesNothing(t *testing.T) {
	t.Parallel()
	w := httptest.NewRecorder()
	r := httptest.NewRequest("POST", "/hook", strings.NewReader(`{"update_id":42}`))
	(&bot.Webhook{Intake: &memory{}}).ServeHTTP(w, r)
	if w.Code != http.StatusUnauthorized {
		t.Errorf("status %d", w.Code)
	}
}

type brokenBody struct{}

func (brokenBody) Read([]byte) (int, error) { return 0, errors.New("cut") }

func TestWebhookThatIsCutShort(t *testing.T) {
	t.Parallel()
	w := httptest.NewRecorder()
	r := httptest.NewRequest("POST", "/hook", io.NopCloser(brokenBody{}))
	r.Header.Set("X-Telegram-Bot-Api-Secret-Token", "s")
	(&bot.Webhook{Intake: &memory{}, Secret: "s"}).ServeHTTP(w, r)
	if w.Code != http.StatusBadRequest {
		t.Errorf("status %d", w.Code)
	}
}

func TestWebhookDeliveryIsTriedUntilItIsTaken(t *testing.T) {
	t.Parallel()
	b, in := setup(t), &memory{fail: 4}
	hook := httptest.NewServer(&bot.Webhook{Intake: in, Secret: "s3cret"})
	t.Cleanup(hook.Close)
	b.mustWrite(t, "before")
	if err := b.client.TakeWebhook(t.Context(), hook.URL, "s3cret"); err != nil {
		t.Fatal(err)
	}
	b.mustWrite(t, "one", "two")
	b.mustMisbehave(t, loopback.Fault{Kind: loopback.Repeat, Times: 2})
	for range 60 {
		if err := b.clock.Advance(t.Context(), b.clock.Now().Add(time.Second)); err != nil {
			t.Fatal(err)
		}
	}
	if diff := cmp.Diff([]string{"before", "one", "two"}, in.texts()); diff != "" {
		t.Error(diff)
	}
	if b.Waiting() != 0 {
		t.Errorf("%d updates still wait", b.Waiting())
	}
}

func TestWebhookMayBringUpdatesInAnyOrder(t *testing.T) {
	t.Parallel()
	b, in := setup(t), &memory{}
	hook := httptest.NewServer(&bot.Webhook{Intake: in, Secret: "s"})
	t.Cleanup(hook.Close)
	b.mustWrite(t, "one", "two", "three")
	b.mustMisbehave(t, loopback.Fault{Kind: loopback.Reorder, Times: 1})
	if err := b.client.TakeWebhook(t.Context(), hook.URL, "s"); err != nil {
		t.Fatal(err)
	}
	if err := b.clock.Advance(t.Context(), b.clock.Now().Add(time.Second)); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"two", "one", "three"}, in.texts()); diff != "" {
		t.Error(diff)
	}
	if in.known {
		t.Error("a webhook moved the offset")
	}
}
