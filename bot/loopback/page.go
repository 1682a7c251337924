package loopback

import (
	"bytes"
	"context"
	"embed"
	"encoding/json"
	"errors"
	"html/template"
	"net/http"
	"path"
	"strconv"
	"strings"
	"time"
)

// Demo fills the browser page: chats side by side, the clock, the log.
type Demo struct {
	// Title is the clinic's name.
	Title string
	// Zone is the clinic's; all times on the page are shown in it.
	Zone *time.Location
	// People lists whose chats are shown, in order; it is asked each time.
	People func() []Contact
	// DeskURL, when set, is linked as the staff desk.
	DeskURL string
	// Next moves the clock to the next thing that happens and says in a few
	// words what that was; Forward moves it by d. Without them the page has no
	// such buttons.
	Next    func(ctx context.Context) (string, error)
	Forward func(ctx context.Context, d time.Duration) error
}

// Contact is a person on the page.
type Contact struct {
	Chat     int64  `json:"chat"`
	Name     string `json:"name"`
	Side     Side   `json:"side"`
	Note     string `json:"note"`     // where she is, or what he does
	Language string `json:"language"` // of what is written to them
}

// Side is where a person stands in the clinic.
type Side string

// The two sides of the page.
const (
	Patient Side = "patient"
	Staff   Side = "staff"
)

//go:embed page
var assets embed.FS

var frame = template.Must(template.ParseFS(assets, "page/page.html"))

// page serves the demo in a browser.
type page struct {
	server *Server
	demo   Demo
	mux    *http.ServeMux
}

func newPage(s *Server, d Demo) http.Handler {
	if d.Zone == nil {
		d.Zone = time.UTC
	}
	if d.People == nil {
		d.People = func() []Contact { return nil }
	}
	p := &page{server: s, demo: d, mux: http.NewServeMux()}
	p.mux.HandleFunc("GET /{$}", p.index)
	p.mux.HandleFunc("GET /page/{name}", p.asset)
	p.mux.HandleFunc("GET /state", p.state)
	p.mux.HandleFunc("GET /events", p.events)
	p.mux.HandleFunc("GET /attachment/{id}", p.attachment)
	p.mux.HandleFunc("POST /act", p.act)
	return p
}

// ServeHTTP allows the page nothing but its own files and calls.
func (p *page) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cache-Control", "no-store")
	p.mux.ServeHTTP(w, r)
}

func (p *page) index(w http.ResponseWriter, _ *http.Request) {
	var b bytes.Buffer
	err := frame.Execute(&b, map[string]any{
		"Title": p.demo.Title, "Desk": p.demo.DeskURL,
		"Next": p.demo.Next != nil, "Forward": p.demo.Forward != nil,
	})
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	_, _ = w.Write(b.Bytes())
}

func (p *page) asset(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	data, err := assets.ReadFile("page/" + name)
	kind := map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8"}[path.Ext(name)]
	if err != nil || kind == "" {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", kind)
	_, _ = w.Write(data)
}

// The page's view of things. Button tokens stay here.
type (
	seenMessage struct {
		ID      int        `json:"id"`
		From    Author     `json:"from"`
		Text    string     `json:"text"`
		Buttons [][]string `json:"buttons,omitempty"`
		File    *seenFile  `json:"file,omitempty"`
		At      string     `json:"at"`
		Edited  bool       `json:"edited,omitempty"`
		Silent  bool       `json:"silent,omitempty"`
	}
	seenFile struct {
		ID   string `json:"id"`
		Kind string `json:"kind"`
		Name string `json:"name"`
		Size int    `json:"size"`
	}
	seenContact struct {
		Contact
		Blocked  bool          `json:"blocked"`
		Messages []seenMessage `json:"messages"`
	}
	seenEvent struct {
		Kind    string       `json:"kind"`
		Chat    int64        `json:"chat,omitempty"`
		Message *seenMessage `json:"message,omitempty"`
		Now     string       `json:"now"`
		Zone    string       `json:"zone"`
	}
)

func (p *page) see(m Message) seenMessage {
	out := seenMessage{
		ID: m.ID, From: m.From, Text: m.Text, At: p.local(m.At),
		Edited: !m.Edited.IsZero() && m.From == FromPerson, Silent: m.Silent,
	}
	for _, row := range m.Buttons {
		var labels []string
		for _, b := range row {
			labels = append(labels, b.Label)
		}
		out.Buttons = append(out.Buttons, labels)
	}
	if m.File != nil {
		out.File = &seenFile{ID: m.File.ID, Kind: m.File.Kind, Name: m.File.Name, Size: len(m.File.Data)}
	}
	return out
}

// local is a time in the clinic's zone; the page shows it as it stands.
func (p *page) local(t time.Time) string { return t.In(p.demo.Zone).Format("2006-01-02T15:04:05") }

func (p *page) state(w http.ResponseWriter, _ *http.Request) {
	now := p.server.cfg.Now().In(p.demo.Zone)
	people := []seenContact{}
	for _, c := range p.demo.People() {
		seen := seenContact{Contact: c, Blocked: p.server.Blocked(c.Chat), Messages: []seenMessage{}}
		for _, m := range p.server.Messages(c.Chat) {
			seen.Messages = append(seen.Messages, p.see(m))
		}
		people = append(people, seen)
	}
	writeJSON(w, map[string]any{"now": p.local(now), "zone": now.Format("MST"), "people": people})
}

// lookAtClock is how often, in real time, a page that hears nothing is told what
// the clock shows: somebody watches it, and it may be running.
const lookAtClock = time.Second

// minute is the length of a local time up to its minute.
const minute = len("2006-01-02T15:04")

// events streams every change until the browser or the server goes away. A
// browser that cannot keep up is told to fetch the state afresh.
func (p *page) events(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "text/event-stream")
	out := make(chan seenEvent, 256)
	lost := make(chan struct{}, 1)
	stop := p.server.Watch(func(e Event) {
		select {
		case out <- p.event(e):
		default:
			select {
			case lost <- struct{}{}:
			default:
			}
		}
	})
	defer stop()
	shown := ""
	for {
		if e := p.event(Event{Kind: "clock"}); e.Now[:minute] != shown {
			shown = e.Now[:minute]
			p.emit(w, e)
		}
		look, enough := context.WithTimeout(r.Context(), lookAtClock)
		select {
		case e := <-out:
			p.emit(w, e)
		case <-lost:
			p.emit(w, p.event(Event{Kind: "lost"}))
		case <-look.Done():
		case <-p.server.ctx.Done():
		}
		enough()
		if r.Context().Err() != nil || p.server.ctx.Err() != nil {
			return
		}
	}
}

func (p *page) event(e Event) seenEvent {
	now := p.server.cfg.Now().In(p.demo.Zone)
	out := seenEvent{Kind: e.Kind, Chat: e.Chat, Now: p.local(now), Zone: now.Format("MST")}
	if e.Message.ID != 0 {
		m := p.see(e.Message)
		out.Message = &m
	}
	return out
}

func (p *page) emit(w http.ResponseWriter, e seenEvent) {
	data, err := json.Marshal(e)
	if err != nil {
		return
	}
	_, _ = w.Write([]byte("data: " + string(data) + "\n\n"))
	_ = http.NewResponseController(w).Flush()
}

// attachment shows pictures and has everything else saved, under its own name.
func (p *page) attachment(w http.ResponseWriter, r *http.Request) {
	f, ok := p.server.file(r.PathValue("id"))
	if !ok {
		http.NotFound(w, r)
		return
	}
	how := "attachment"
	if f.Kind == "photo" && strings.HasPrefix(f.Media, "image/") {
		how = "inline"
	}
	name := strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' || r == '"' || r == '\\' {
			return '_'
		}
		return r
	}, f.Name)
	w.Header().Set("Content-Type", f.Media)
	w.Header().Set("Content-Disposition", how+`; filename="`+name+`"`)
	_, _ = w.Write(f.Data)
}

// action is what somebody does on the page.
type action struct {
	Do      string `json:"do"`
	Chat    int64  `json:"chat"`
	Text    string `json:"text"`
	Message int    `json:"message"`
	Row     int    `json:"row"`
	Column  int    `json:"column"`
}

// act does it, and answers with a sentence when there is something to say.
func (p *page) act(w http.ResponseWriter, r *http.Request) {
	var a action
	if err := json.NewDecoder(http.MaxBytesReader(w, r.Body, 1<<16)).Decode(&a); err != nil {
		http.Error(w, "this page sends JSON", http.StatusBadRequest)
		return
	}
	said, err := p.perform(r.Context(), a)
	if err != nil {
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(http.StatusConflict)
		said = err.Error()
	}
	writeJSON(w, map[string]any{"said": said})
}

func (p *page) perform(ctx context.Context, a action) (said string, err error) {
	s := p.server
	switch a.Do {
	case "write":
		_, err = s.Write(a.Chat, a.Text)
	case "press":
		_, err = s.Press(a.Chat, a.Message, a.Row, a.Column)
	case "send":
		_, err = s.SendMedia(a.Chat, a.Text, "")
	case "block":
		s.Block(a.Chat)
	case "unblock":
		s.Unblock(a.Chat)
	case "next":
		said, err = p.next(ctx)
	case "forward":
		said, err = p.forward(ctx, a.Text)
	default:
		err = errors.New("the page asked for something that this server does not know: " + strconv.Quote(a.Do))
	}
	return said, err
}

var errNoClock = errors.New("this clock cannot be moved by hand")

func (p *page) next(ctx context.Context) (string, error) {
	if p.demo.Next == nil {
		return "", errNoClock
	}
	said, err := p.demo.Next(ctx)
	p.server.tell(Event{Kind: "clock"})
	return said, err
}

func (p *page) forward(ctx context.Context, by string) (string, error) {
	d, err := time.ParseDuration(by)
	if err != nil || d <= 0 || d > 366*24*time.Hour {
		return "", errors.New("the clock moves forward, by a year at most")
	}
	if p.demo.Forward == nil {
		return "", errNoClock
	}
	err = p.demo.Forward(ctx, d)
	p.server.tell(Event{Kind: "clock"})
	return "", err
}

func writeJSON(w http.ResponseWriter, v any) {
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(v)
}
