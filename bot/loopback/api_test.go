package loopback_test

import (
	"bytes"
	"encoding/json"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"handrail.example/bot/loopback"
)

const zofia = 1004

// hands is a clock that a test sets by hand.
type hands struct {
	mu sync.Mutex
	t  time.Time
}

func (h *hands) now() time.Time { h.mu.Lock(); defer h.mu.Unlock(); return h.t }

func (h *hands) forward(d time.Duration) { h.mu.Lock(); defer h.mu.Unlock(); h.t = h.t.Add(d) }

type bench struct {
	*loopback.Server
	clock *hands
}

func setup(t *testing.T, change ...func(*loopback.Config)) *bench {
	t.Helper()
	h := &hands{t: time.Date(2026, 3, 2, 14, 15, 0, 0, time.UTC)}
	cfg := loopback.Config{Now: h.now, Seed: 7}
	for _, f := range change {
		f(&cfg)
	}
	s, err := loopback.Start(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	s.Introduce(loopback.Person{Chat: zofia, Name: "Zofia", Started: true})
	return &bench{s, h}
}

// reply is an answer of the server.
type reply struct {
	Status      int
	OK          bool            `json:"ok"`
	Code        int             `json:"error_code"`
	Description string          `json:"description"`
	Result      json.RawMessage `json:"result"`
	Parameters  struct {
		RetryAfter int `json:"retry_after"`
	} `json:"parameters"`
}

func (b *bench) path(method string) string { return b.URL() + "/bot" + b.Token() + "/" + method }

func (b *bench) post(t *testing.T, method, kind string, body io.Reader) reply {
	t.Helper()
	resp, err := http.Post(b.path(method), kind, body)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	r := reply{Status: resp.StatusCode}
	if err := json.NewDecoder(resp.Body).Decode(&r); err != nil {
		t.Fatal(err)
	}
	return r
}

// call calls a method with JSON.
func (b *bench) call(t *testing.T, method string, params map[string]any) reply {
	t.Helper()
	body, err := json.Marshal(params)
	if err != nil {
		t.Fatal(err)
	}
	return b.post(t, method, "application/json", bytes.NewReader(body))
}

// ids calls getUpdates and lists the ids that came.
func (b *bench) ids(t *testing.T, params map[string]any) []int64 {
	t.Helper()
	r := b.call(t, "getUpdates", params)
	if !r.OK {
		t.Fatalf("getUpdates: %+v", r)
	}
	var list []struct {
		ID int64 `json:"update_id"`
	}
	if err := json.Unmarshal(r.Result, &list); err != nil {
		t.Fatal(err)
	}
	var out []int64
	for _, u := range list {
		out = append(out, u.ID)
	}
	return out
}

func (b *bench) mustWrite(t *testing.T, text string) loopback.Message {
	t.Helper()
	m, err := b.Write(zofia, text)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestParametersComeInAnyForm(t *testing.T) {
	t.Parallel()
	b := setup(t)
	form := url.Values{"chat_id": {"1004"}, "text": {"ñandú & +1"}}
	var parts bytes.Buffer
	w := multipart.NewWriter(&parts)
	_ = w.WriteField("chat_id", "1004")
	_ = w.WriteField("text", "ñandú & +1")
	_ = w.Close()
	for name, send := range map[string]func() reply{
		"JSON": func() reply {
			return b.call(t, "sendMessage", map[string]any{"chat_id": zofia, "text": "ñandú & +1"})
		},
		"form": func() reply {
			return b.post(t, "sendMessage", "application/x-www-form-urlencoded", strings.NewReader(form.Encode()))
		},
		"parts":   func() reply { return b.post(t, "sendMessage", w.FormDataContentType(), &parts) },
		"address": func() reply { return b.post(t, "sendMessage?"+form.Encode(), "", nil) },
		"other case": func() reply {
			return b.call(t, "SENDMESSAGE", map[string]any{"chat_id": "1004", "text": "ñandú & +1"})
		},
	} {
		t.Run(name, func(t *testing.T) {
			r := send()
			var m struct {
				Text string `json:"text"`
				Chat struct {
					ID   int64  `json:"id"`
					Type string `json:"type"`
				} `json:"chat"`
			}
			if err := json.Unmarshal(r.Result, &m); err != nil || m.Text != "ñandú & +1" || m.Chat.ID != zofia || m.Chat.Type != "private" {
				t.Errorf("%+v: %s", r, r.Result)
			}
		})
	}
	for name, send := range map[string]func() reply{
		"none":             func() reply { return b.post(t, "getMe", "", nil) },
		"none, empty form": func() reply { return b.post(t, "getMe", "multipart/form-data; boundary=x", nil) },
		"none, empty JSON": func() reply { return b.post(t, "getMe", "application/json", nil) },
	} {
		t.Run(name, func(t *testing.T) {
			if r := send(); !r.OK {
				t.Errorf("%+v", r)
			}
		})
	}
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.Introduce(loopback.Person{Chat: 5, Name: "Never wrote"})
	b.Introduce(loopback.Person{Chat: 6, Name: "Blocked", Started: true})
	b.Block(6)
	sent := b.call(t, "sendMessage", map[string]any{"chat_id": zofia, "text": "hello"})
	if !sent.OK {
		t.Fatalf("%+v", sent)
	}
	own := b.mustWrite(t, "mine")
	buttons := func(label, data string) map[string]any {
		return map[string]any{"inline_keyboard": [][]any{{map[string]any{"text": label, "callback_data": data}}}}
	}
	for name, tc := range map[string]struct {
		method string
		params map[string]any
		code   int
		want   string
	}{
		"no chat":            {"sendMessage", map[string]any{"text": "x"}, 400, "chat_id is empty"},
		"stranger":           {"sendMessage", map[string]any{"chat_id": 99, "text": "x"}, 400, "chat not found"},
		"never started":      {"sendMessage", map[string]any{"chat_id": 5, "text": "x"}, 400, "chat not found"},
		"blocked":            {"sendMessage", map[string]any{"chat_id": 6, "text": "x"}, 403, "bot was blocked by the user"},
		"empty text":         {"sendMessage", map[string]any{"chat_id": zofia, "text": "  \n"}, 400, "message text is empty"},
		"4097 units":         {"sendMessage", map[string]any{"chat_id": zofia, "text": strings.Repeat("🌱", 2048) + "x"}, 400, "message is too long"},
		"markup":             {"sendMessage", map[string]any{"chat_id": zofia, "text": "x", "parse_mode": "HTML"}, 400, "leave parse_mode out"},
		"long button data":   {"sendMessage", map[string]any{"chat_id": zofia, "text": "x", "reply_markup": buttons("a", strings.Repeat("x", 65))}, 400, "BUTTON_DATA_INVALID"},
		"empty button data":  {"sendMessage", map[string]any{"chat_id": zofia, "text": "x", "reply_markup": buttons("a", "")}, 400, "BUTTON_DATA_INVALID"},
		"no button label":    {"sendMessage", map[string]any{"chat_id": zofia, "text": "x", "reply_markup": buttons("", "x")}, 400, "Field \"text\""},
		"no file":            {"sendDocument", map[string]any{"chat_id": zofia}, 400, "there is no document"},
		"unknown message":    {"editMessageReplyMarkup", map[string]any{"chat_id": zofia, "message_id": 999}, 400, "message to edit not found"},
		"somebody's message": {"editMessageText", map[string]any{"chat_id": zofia, "message_id": own.ID, "text": "x"}, 400, "message can't be edited"},
		"nothing changed":    {"editMessageText", map[string]any{"chat_id": zofia, "message_id": 1, "text": "hello"}, 400, "message is not modified"},
		"unknown press":      {"answerCallbackQuery", map[string]any{"callback_query_id": "1"}, 400, "query is too old"},
		"unknown file":       {"getFile", map[string]any{"file_id": "x"}, 400, "invalid file_id"},
		"bad command":        {"setMyCommands", map[string]any{"commands": []any{map[string]any{"command": "Start", "description": "x"}}}, 400, "BOT_COMMAND_INVALID"},
		"outside webhook":    {"setWebhook", map[string]any{"url": "https://clinic.example/hook"}, 400, "127.0.0.1 only"},
		"bad offset":         {"getUpdates", map[string]any{"offset": "many"}, 400, "invalid offset"},
		"unknown method":     {"launchRocket", nil, 404, "method not found"},
	} {
		t.Run(name, func(t *testing.T) {
			r := b.call(t, tc.method, tc.params)
			if r.OK || r.Code != tc.code || r.Status != tc.code || !strings.Contains(r.Description, tc.want) {
				t.Errorf("got %+v, want %d %q", r, tc.code, tc.want)
			}
		})
	}
	if got := len(b.Messages(zofia)); got != 2 {
		t.Errorf("a refused call left a trace: %d messages, want 2", got)
	}
}

func TestTokens(t *testing.T) {
	t.Parallel()
	b := setup(t)
	for path, want := range map[string]int{
		"/bot1:wrong/getMe": 401, "/botnonsense/getMe": 404, "/bot/getMe": 404,
		"/file/bot1:wrong/documents/x": 404, "/nothing": 404,
	} {
		resp, err := http.Get(b.URL() + path)
		if err != nil {
			t.Fatal(err)
		}
		_ = resp.Body.Close()
		if resp.StatusCode != want {
			t.Errorf("%s: %d, want %d", path, resp.StatusCode, want)
		}
	}
}

func TestOnlyThisMachineIsAnswered(t *testing.T) {
	t.Parallel()
	b := setup(t)
	for name, change := range map[string]func(*http.Request){
		"rebound name":   func(r *http.Request) { r.Host = "attacker.example" },
		"localhost":      func(r *http.Request) { r.Host = "localhost" },
		"foreign origin": func(r *http.Request) { r.Header.Set("Origin", "http://attacker.example") },
		"other port":     func(r *http.Request) { r.Header.Set("Origin", "http://127.0.0.1:1") },
		"cross-site":     func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") },
	} {
		r, err := http.NewRequestWithContext(t.Context(), "POST", b.path("getMe"), nil)
		if err != nil {
			t.Fatal(err)
		}
		change(r)
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		_ = resp.Body.Close()
		if resp.StatusCode != http.StatusForbidden {
			t.Errorf("%s: %d, want 403", name, resp.StatusCode)
		}
	}
	if _, err := loopback.Start(loopback.Config{Now: b.clock.now, Address: "0.0.0.0:0"}); err == nil {
		t.Error("it listens to the world")
	}
}

func TestFilesCanBeFetched(t *testing.T) {
	t.Parallel()
	b := setup(t)
	if _, err := b.SendMedia(zofia, "photo", "my test"); err != nil {
		t.Fatal(err)
	}
	if _, err := b.SendMedia(zofia, "telegram", ""); err == nil {
		t.Error("no such kind")
	}
	id := b.Messages(zofia)[0].File.ID
	var f struct {
		Path string `json:"file_path"`
		Size int    `json:"file_size"`
	}
	if err := json.Unmarshal(b.call(t, "getFile", map[string]any{"file_id": id}).Result, &f); err != nil {
		t.Fatal(err)
	}
	resp, err := http.Get(b.URL() + "/file/bot" + b.Token() + "/" + f.Path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	if data, _ := io.ReadAll(resp.Body); len(data) != f.Size || f.Size == 0 {
		t.Errorf("%d bytes, want %d", len(data), f.Size)
	}
}

// parts is a form with one file.
func parts(t *testing.T, fields map[string]string, field, name string, data []byte) (io.Reader, string) {
	t.Helper()
	var body bytes.Buffer
	w := multipart.NewWriter(&body)
	for k, v := range fields {
		if err := w.WriteField(k, v); err != nil {
			t.Fatal(err)
		}
	}
	f, err := w.CreateFormFile(field, name)
	if err != nil {
		t.Fatal(err)
	}
	_, _ = f.Write(data)
	_ = w.Close()
	return &body, w.FormDataContentType()
}
