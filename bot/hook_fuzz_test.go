package bot_test

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"handrail.example/bot"
)

// Whatever is posted to the webhook, it is kept exactly when it is confirmed, and
// nothing is kept without the secret.
func FuzzWebhook(f *testing.F) {
	f.Add("POST", "s3cret", `{"update_id":42,"message":{"text":"hola"}}`)
	f.Add("POST", "", `{"update_id":42}`)
	f.Add("PUT", "s3cret", `{"update_id":-1e400}`)
	f.Add("POST", "s3cret\x00", "\xff")
	f.Fuzz(func(t *testing.T, method, secret, body string) {
		r, err := http.NewRequest(method, "/updates", strings.NewReader(body))
		if err != nil {
			t.Skip("no request can be made of it")
		}
		r.Header["X-Telegram-Bot-Api-Secret-Token"] = []string{secret}
		in, w := &memory{}, httptest.NewRecorder()
		(&bot.Webhook{Intake: in, Secret: "s3cret"}).ServeHTTP(w, r)
		if kept := len(in.order); (w.Code == http.StatusOK) != (kept == 1) || kept > 0 && (secret != "s3cret" || string(in.order[0].Raw) != body) {
			t.Errorf("%s with %q: status %d, %d kept", method, secret, w.Code, kept)
		}
		if w.Body.Len() > 0 {
			t.Errorf("it says %q", w.Body)
		}
	})
}

// A body of 100 MB is given up after the first megabyte.
func TestWebhookReadsNoMoreThanItTakes(t *testing.T) {
	t.Parallel()
	body := &endless{left: 100 << 20}
	r := httptest.NewRequest(http.MethodPost, "/updates", body)
	r.Header.Set("X-Telegram-Bot-Api-Secret-Token", "s3cret")
	w := httptest.NewRecorder()
	(&bot.Webhook{Intake: &memory{}, Secret: "s3cret"}).ServeHTTP(w, r)
	if read := 100<<20 - body.left; w.Code != http.StatusRequestEntityTooLarge || read > 2<<20 {
		t.Errorf("status %d after %d bytes", w.Code, read)
	}
}

// endless is a body that comes as it is read.
type endless struct{ left int }

func (e *endless) Read(p []byte) (int, error) {
	n := min(len(p), e.left)
	for i := range n {
		p[i] = 'x'
	}
	e.left -= n
	return n, nil
}
