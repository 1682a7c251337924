// Package desk is the coordinators' pages: what needs somebody now, who is where
// in her cycle, what is due today, and forms for what is entered all morning.
// Pages are made on the server and work without a client script, but for live
// updates.
//
// It owns the tables credentials, credentials_begun, sessions, failed_tries,
// sent_forms and
// policies. Everything that a page shows or does goes through triage and care,
// in one transaction a request, as it does from the chat.
//
// The package refuses whoever is not signed in, whatever the roles table does not
// allow, a request that another site has made, and a form that was sent before.
// It decides nothing about a patient.
package desk

import (
	"context"
	"fmt"
	"net/http"
	"sync"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/care"
)

// Site serves the pages. Make it with New.
type Site struct {
	Parts
	handler  http.Handler
	sheets   map[string]sheets // by language
	attempts sync.Mutex        // one try to sign in at a time
	bells    bells
}

// Parts are what a Site is made of.
type Parts struct {
	DB   *store.DB
	Care *care.Care
	// Wait waits on the program's clock without keeping it from being moved; Hold
	// keeps it where it is while a request is at work.
	Wait func(ctx context.Context, d time.Duration) error
	Hold func() (release func())
	// Report is told of failures. What it is told holds no name and no text.
	Report func(error)
	// URL is where browsers reach the pages, "https://desk.clinic.example". With
	// https cookies are kept from plain connections.
	URL string
	// Stay is how long somebody stays signed in; the zero Stay is DefaultStay.
	Stay Stay
	// PolicyText is the policy in force as its file has it.
	PolicyText []byte
	// Guests are handles of staff who may come in without a password: for the demo.
	Guests []string
	// Storybook shows every page from sample values: for development.
	Storybook bool
}

// Stay is how long a session lasts: Idle without a request, Longest in all.
type Stay struct{ Idle, Longest time.Duration }

// DefaultStay is a shift, and half an hour away from the screen. NIST SP 800-63B
// asks for a new sign-in after at most 12 hours and 30 minutes without activity
// (authenticator assurance level 2). From memory.
var DefaultStay = Stay{Idle: 30 * time.Minute, Longest: 12 * time.Hour}

// New makes a Site ready to serve.
func New(p Parts) (*Site, error) {
	if p.Stay == (Stay{}) {
		p.Stay = DefaultStay
	}
	s := &Site{Parts: p}
	var err error
	if s.sheets, err = readSheets(p.Care.Desk.Phrases, p.Care.Book.Policy.Location()); err != nil {
		return nil, err
	}
	s.handler, err = s.guard(s.mux())
	return s, err
}

// ServeHTTP serves a page.
func (s *Site) ServeHTTP(w http.ResponseWriter, r *http.Request) { s.handler.ServeHTTP(w, r) }

func (s *Site) queue() *triage.Desk     { return s.Care.Desk }
func (s *Site) vault() *seal.Vault      { return s.Care.Desk.Vault }
func (s *Site) phrases() *phrase.Book   { return s.Care.Desk.Phrases }
func (s *Site) policy() plan.Policy     { return s.Care.Book.Policy }
func (s *Site) secure() bool            { return len(s.URL) > 8 && s.URL[:8] == "https://" }
func (s *Site) hash(l, t string) []byte { return s.vault().Hash("desk "+l, t) }

// longestForm bounds what a form may send.
const longestForm = 64 << 10

// contentPolicy lets a page use nothing but its own files.
const contentPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; media-src 'self'; " +
	"base-uri 'none'; form-action 'self'; frame-ancestors 'none'"

// guard sets what every answer carries, and turns away what another site sends.
func (s *Site) guard(next http.Handler) (http.Handler, error) {
	cross := http.NewCrossOriginProtection()
	if s.URL != "" {
		if err := cross.AddTrustedOrigin(s.URL); err != nil {
			return nil, fmt.Errorf("the desk's address: %w", err)
		}
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", contentPolicy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
		h.Set("Cache-Control", "no-store")
		if s.secure() {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		r.Body = http.MaxBytesReader(w, r.Body, longestForm)
		cross.Handler(next).ServeHTTP(w, r)
	}), nil
}
