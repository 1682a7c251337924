// Package loopback is a Bot API server on 127.0.0.1 for the demo, the tests and
// the rehearsal: it speaks to the bot as the platform does, and to people
// through Go calls and a browser page.
//
// It owns the platform's side of every conversation: who has started one, who
// has blocked the bot, what each person sees, which updates wait and which are
// confirmed. It can misbehave on request. It refuses anything that does not
// come to 127.0.0.1, and it imports nothing of the program that it is there to
// exercise: the clock, the people and the demo's buttons reach it as hooks.
package loopback

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"regexp"
	"strings"
	"sync"
	"time"
)

// Limits and ages of the platform that the server keeps to.
const (
	// MaxText is the longest text in UTF-16 code units.
	MaxText = 4096
	// MaxCaption is the longest caption of a file in UTF-16 code units.
	MaxCaption = 1024
	// MaxToken is the longest data of a button in bytes.
	MaxToken = 64
	// PressLife is how long a button press waits to be fetched and answered.
	PressLife = 150 * time.Second
	// UpdateLife is how long any other update waits to be fetched.
	UpdateLife = 24 * time.Hour

	firstUpdate = 100_000 // room for a numbering that restarts lower
	maxBatch    = 100
	maxPark     = 50 * time.Second
)

// DefaultToken is the bot token used when the configuration names none. It has
// the shape of a real one and is worth nothing anywhere else.
const DefaultToken = "123456:loopback-demo-token"

var tokenShape = regexp.MustCompile(`^[0-9]+:[A-Za-z0-9_-]+$`)

// Config is what the server needs from its surroundings.
type Config struct {
	// Token is the bot's token; empty means DefaultToken.
	Token string
	// Address to listen on, always on 127.0.0.1; empty means a free port.
	Address string
	// Now tells the time. It is compulsory.
	Now func() time.Time
	// Park waits for d while a request for updates is kept open on purpose,
	// and ends early with ctx. It must not keep a virtual clock from moving.
	// Without it the wait is in real time. A kept-open request ends after its
	// time-out in real time in any case, before the caller loses patience.
	Park func(ctx context.Context, d time.Duration) error
	// Sleep waits for d before a failed webhook delivery is tried again; the
	// server holds the clock when it calls. Without it the wait is real.
	Sleep func(ctx context.Context, d time.Duration) error
	// Hold keeps a virtual clock from moving while an update is on its way:
	// from the moment it is made until the request kept open for it has been
	// resumed, or until a webhook has taken it. Between requests the poller
	// holds the clock itself.
	Hold func() (release func())
	// Keep is how many messages of a chat, and how many calls, are remembered;
	// zero means all.
	Keep int
	// PerSecond, when positive, is how many messages the server takes in one
	// second of its clock before it answers 429; PerChat the shortest time
	// between two in one chat.
	PerSecond int
	PerChat   time.Duration
	// Seed makes faults with a chance, and identifiers, repeatable.
	Seed uint64
	// Demo fills the browser page; nil means there is none.
	Demo *Demo
}

// Server is the running platform. All methods may be called at any time from
// any goroutine.
type Server struct {
	cfg  Config
	http *http.Server
	addr string
	page http.Handler

	ctx    context.Context // ends with Close
	cancel context.CancelFunc
	work   sync.WaitGroup

	mu       sync.Mutex
	rnd      *rand.Rand
	chats    map[int64]*chat
	messages int // last message id given out
	files    map[string]*File
	presses  map[string]time.Time
	commands []command
	calls    []Call
	callSeq  int
	queue    queue
	hook     *webhook // nil: the bot polls
	faults   []*Fault
	away     time.Time // the server is out of reach until then
	sentAt   []time.Time
	watchers map[int]func(Event)
	watchSeq int
}

// New makes a server that is not listening yet; serve it with Start, or use it
// as an http.Handler.
func New(cfg Config) (*Server, error) {
	if cfg.Now == nil {
		return nil, errors.New("loopback server: give it a clock in Config.Now")
	}
	if cfg.Token == "" {
		cfg.Token = DefaultToken
	}
	if !tokenShape.MatchString(cfg.Token) {
		return nil, errors.New("loopback server: the token must have the form 123456:ABC")
	}
	cfg.Park, cfg.Sleep = orReal(cfg.Park), orReal(cfg.Sleep)
	if cfg.Hold == nil {
		cfg.Hold = func() func() { return func() {} }
	}
	s := &Server{
		cfg:      cfg,
		rnd:      rand.New(rand.NewPCG(cfg.Seed, 0x6861_6e64)),
		chats:    map[int64]*chat{},
		files:    map[string]*File{},
		presses:  map[string]time.Time{},
		watchers: map[int]func(Event){},
		queue:    queue{next: firstUpdate + int64(cfg.Seed%1000)},
	}
	s.ctx, s.cancel = context.WithCancel(context.Background())
	if cfg.Demo != nil {
		s.page = newPage(s, *cfg.Demo)
	}
	return s, nil
}

// Start listens on 127.0.0.1 and serves until Close.
func Start(cfg Config) (*Server, error) {
	s, err := New(cfg)
	if err != nil {
		return nil, err
	}
	address := cfg.Address
	if address == "" {
		address = "127.0.0.1:0"
	}
	if host, _, err := net.SplitHostPort(address); err != nil || host != "127.0.0.1" {
		return nil, fmt.Errorf("loopback server: listen on 127.0.0.1:PORT, not on %q", address)
	}
	l, err := net.Listen("tcp4", address)
	if err != nil {
		return nil, fmt.Errorf("loopback server: %w; is the port taken?", err)
	}
	s.addr = l.Addr().String()
	s.http = &http.Server{Handler: s, ReadHeaderTimeout: 10 * time.Second}
	s.work.Go(func() { _ = s.http.Serve(l) })
	return s, nil
}

// URL is where the server is found, for the bot and for a browser, without a
// slash at the end.
func (s *Server) URL() string { return "http://" + s.addr }

// Token is the bot's token on this server.
func (s *Server) Token() string { return s.cfg.Token }

// Close ends every open request and every delivery, and waits for them.
func (s *Server) Close() {
	s.cancel()
	if s.http != nil {
		_ = s.http.Close()
	}
	s.work.Wait()
}

// ServeHTTP answers the bot under /bot<token>/, hands out files under /file/,
// takes faults under /faults and shows the page elsewhere.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if !local(r) || foreign(r) {
		http.Error(w, "this server answers its own pages on 127.0.0.1 only", http.StatusForbidden)
		return
	}
	path := r.URL.Path
	switch {
	case strings.HasPrefix(path, "/bot"):
		s.serveAPI(w, r, strings.TrimPrefix(path, "/bot"))
	case strings.HasPrefix(path, "/file/bot"):
		s.serveFile(w, strings.TrimPrefix(path, "/file/bot"))
	case path == "/faults":
		s.serveFaults(w, r)
	case s.page != nil:
		s.page.ServeHTTP(w, r)
	default:
		http.NotFound(w, r)
	}
}

// local reports whether the request names this machine: a page elsewhere could
// otherwise reach the server by giving 127.0.0.1 a name of its own.
func local(r *http.Request) bool {
	host := r.Host
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	return host == "127.0.0.1"
}

// foreign reports whether a page of another origin made the browser send this.
// Opening the first page by a link is no harm.
func foreign(r *http.Request) bool {
	if r.Method == http.MethodGet && r.URL.Path == "/" {
		return false
	}
	if origin := r.Header.Get("Origin"); origin != "" && origin != "http://"+r.Host {
		return true
	}
	site := r.Header.Get("Sec-Fetch-Site")
	return site != "" && site != "same-origin" && site != "none"
}

// orReal is wait, or a wait in real time where there is none.
func orReal(wait func(context.Context, time.Duration) error) func(context.Context, time.Duration) error {
	if wait != nil {
		return wait
	}
	return func(ctx context.Context, d time.Duration) error {
		pause, cancel := context.WithTimeout(ctx, d)
		defer cancel()
		<-pause.Done()
		return ctx.Err()
	}
}
