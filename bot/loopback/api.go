package loopback

import (
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"time"
)

// Call is one call of the bot as the server saw it.
type Call struct {
	Seq    int
	At     time.Time // on the server's clock
	Method string
	// Params are as they came; they are not to be written to.
	Params map[string]string
	// Files are the names of the files that came with it, by parameter.
	Files map[string]string
	Chat  int64
	// Code is what was answered: 200, an error's code, or 0 when the connection
	// was dropped.
	Code int
	// Fault is the misbehaviour that hit the call, or "".
	Fault FaultKind
	// Done: the call took effect.
	Done bool
	// Message is the id of the message sent or changed.
	Message int
}

// failure is an answer that says no.
type failure struct {
	code  int
	text  string
	retry int // seconds, for 429
	drop  bool
	html  bool
}

func fail(code int, text string) *failure { return &failure{code: code, text: text} }

// dropped stands for a connection closed without an answer.
var dropped = &failure{drop: true}

// call is one call being worked on, under the server's lock.
type call struct {
	params
	at     time.Time
	chatID int64
	result *Message // what was sent or changed, for the log and watchers
	event  string
	press  string
}

func (c *call) text(name string) string { return c.params.text[name] }

// methods are the calls that answer at once; getUpdates is apart since it waits.
var methods = map[string]func(*Server, *call) (any, *failure){
	"getme":                  (*Server).getMe,
	"sendmessage":            (*Server).sendMessage,
	"senddocument":           (*Server).sendDocument,
	"sendphoto":              (*Server).sendPhoto,
	"editmessagereplymarkup": (*Server).editKeyboard,
	"editmessagetext":        (*Server).editText,
	"answercallbackquery":    (*Server).answerPress,
	"getfile":                (*Server).getFile,
	"setmycommands":          (*Server).setCommands,
	"getmycommands":          (*Server).getCommands,
	"setwebhook":             (*Server).setWebhook,
	"deletewebhook":          (*Server).deleteWebhook,
	"getwebhookinfo":         (*Server).webhookInfo,
}

// serveAPI answers <token>/<method>.
func (s *Server) serveAPI(w http.ResponseWriter, r *http.Request, rest string) {
	token, method, _ := strings.Cut(rest, "/")
	switch {
	case !tokenShape.MatchString(token):
		answer(w, nil, fail(http.StatusNotFound, "Not Found"))
		return
	case token != s.cfg.Token:
		answer(w, nil, fail(http.StatusUnauthorized, "Unauthorized"))
		return
	}
	p, bad := readParams(w, r)
	if bad != nil {
		answer(w, nil, bad)
		return
	}
	entry := Call{Method: method, Params: p.text, Files: map[string]string{}}
	for name, f := range p.files {
		entry.Files[name] = f.name
	}
	entry.Chat, _ = p.whole("chat_id")
	fault := s.strike(method, entry.Chat)
	if fault != nil {
		entry.Fault = fault.Kind
		if bad := fault.before(r.Context()); bad != nil {
			s.remember(entry, bad)
			answer(w, nil, bad)
			return
		}
	}
	out, bad := s.perform(r, method, p, &entry)
	if fault != nil && bad == nil {
		bad = fault.after(r.Context())
	}
	s.remember(entry, bad)
	answer(w, out, bad)
}

// perform lets the call take effect.
func (s *Server) perform(r *http.Request, method string, p params, entry *Call) (any, *failure) {
	name := strings.ToLower(method)
	if name == "getupdates" {
		out, bad := s.getUpdates(r.Context(), p)
		entry.Done = bad == nil
		return out, bad
	}
	do := methods[name]
	if do == nil {
		return nil, fail(http.StatusNotFound, "Not Found: method not found")
	}
	s.mu.Lock()
	c := &call{params: p, at: s.cfg.Now(), chatID: entry.Chat}
	out, bad := do(s, c)
	event := Event{Kind: c.event, Chat: c.chatID, Press: c.press}
	if c.result != nil {
		event.Message, entry.Message = *c.result, c.result.ID
	}
	s.mu.Unlock()
	entry.Done = bad == nil
	if entry.Done && event.Kind != "" {
		s.tell(event)
	}
	return out, bad
}

// remember logs a call; a request for updates only when it was interfered with.
func (s *Server) remember(c Call, bad *failure) {
	if strings.EqualFold(c.Method, "getUpdates") && c.Fault == "" {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.callSeq++
	c.Seq, c.At, c.Code = s.callSeq, s.cfg.Now(), http.StatusOK
	if bad != nil {
		c.Code = bad.code
	}
	s.calls = append(s.calls, c)
	if s.cfg.Keep > 0 && len(s.calls) > s.cfg.Keep {
		s.calls = s.calls[1:]
	}
}

// Calls is the log of what the bot called, oldest first. Requests for updates
// are in it only when a fault hit them.
func (s *Server) Calls() []Call {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.calls)
}

// Sent is the calls that put a message into a chat, oldest first.
func (s *Server) Sent() []Call {
	return slices.DeleteFunc(s.Calls(), func(c Call) bool {
		return !c.Done || !strings.HasPrefix(strings.ToLower(c.Method), "send")
	})
}

func answer(w http.ResponseWriter, result any, bad *failure) {
	if bad != nil && bad.drop {
		panic(http.ErrAbortHandler) // net/http then closes the connection
	}
	if bad != nil && bad.html {
		w.Header().Set("Content-Type", "text/html")
		w.WriteHeader(bad.code)
		_, _ = w.Write([]byte("<html><head><title>502 Bad Gateway</title></head><body><h1>502 Bad Gateway</h1></body></html>"))
		return
	}
	body := map[string]any{"ok": true, "result": result}
	code := http.StatusOK
	if bad != nil {
		code = bad.code
		body = map[string]any{"ok": false, "error_code": bad.code, "description": bad.text}
		if bad.retry > 0 {
			body["parameters"] = map[string]any{"retry_after": bad.retry}
		}
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	_ = json.NewEncoder(w).Encode(body)
}
