package loopback_test

import (
	"encoding/json"
	"net/http/httptest"
	"strings"
	"testing"
)

// Whatever is posted, the server answers in the platform's form.
func FuzzCall(f *testing.F) {
	f.Add("sendMessage", "application/json", `{"chat_id":1004,"text":"x","reply_markup":{"inline_keyboard":[[{"text":"a","callback_data":"b"}]]}}`)
	f.Add("sendMessage", "application/x-www-form-urlencoded", "chat_id=1004&text=%F1andu")
	f.Add("sendDocument", "multipart/form-data; boundary=x", "--x\r\nContent-Disposition: form-data; name=\"document\"; filename=\"a.ics\"\r\n\r\nBEGIN\r\n--x--\r\n")
	f.Add("setMyCommands", "application/json", `{"commands":[{"command":"a"}]}`)
	f.Add("editMessageText", "application/json", `{"chat_id":"1004","message_id":1,"text":null}`)
	f.Add("getUpdates", "", "offset=-1&limit=7")
	f.Fuzz(func(t *testing.T, method, kind, body string) {
		if strings.ContainsAny(method, " \r\n?#%") || strings.EqualFold(method, "setWebhook") || strings.Contains(body, "timeout") {
			return
		}
		b := setup(t)
		r := httptest.NewRequest("POST", "http://127.0.0.1/x", strings.NewReader(body))
		r.URL.Path = "/bot" + b.Token() + "/" + method
		r.Header.Set("Content-Type", kind)
		w := httptest.NewRecorder()
		b.ServeHTTP(w, r)
		var answer map[string]any
		if err := json.Unmarshal(w.Body.Bytes(), &answer); err != nil {
			t.Fatalf("%d %q: %v", w.Code, w.Body, err)
		}
		if ok, _ := answer["ok"].(bool); ok != (w.Code == 200) {
			t.Errorf("status %d, body %s", w.Code, w.Body)
		}
		for _, m := range b.Messages(zofia) {
			if m.Text == "" && m.File == nil {
				t.Error("an empty message was accepted")
			}
		}
	})
}
