package main

import (
	"context"
	"errors"
	"net"
	"net/http"
	"time"

	"handrail.example/reminders/plan"
	"handrail.example/triage/desk"
)

// deskConfig is where the coordinators' pages are served; without it they are not.
type deskConfig struct {
	// Listen is an address of this machine alone, as 127.0.0.1:8080, behind
	// whatever ends the https.
	Listen string `yaml:"listen"`
	// URL is where browsers reach the pages.
	URL string `yaml:"url"`
}

func (c deskConfig) check(fs *plan.Faults) {
	if c == (deskConfig{}) {
		return
	}
	if !isHere(c.Listen) {
		note(fs, "desk.listen", c.Listen, "must be an address and a port of this machine alone, such as 127.0.0.1:8080, behind something that speaks https")
	}
	if !isURL(c.URL, "https", "http") {
		note(fs, "desk.url", c.URL, "must be the address at which browsers reach the pages, such as https://desk.clinic.example")
	}
}

// isHere reports whether an address to listen on can be reached from this machine only.
func isHere(address string) bool {
	host, _, err := net.SplitHostPort(address)
	ip := net.ParseIP(host)
	return err == nil && (host == "localhost" || ip != nil && ip.IsLoopback())
}

// addDesk has the coordinators' pages served on a listener for as long as the
// program runs.
func (a *app) addDesk(ctx context.Context, listener net.Listener, parts desk.Parts) error {
	parts.DB, parts.Care, parts.Hold = a.db, a.care, a.clock.Hold
	parts.Report = func(err error) { a.log.Error("needs a look", "err", err) }
	site, err := desk.New(parts)
	if err != nil {
		return errors.Join(err, listener.Close())
	}
	if err := site.NotePolicy(ctx); err != nil {
		return errors.Join(err, listener.Close())
	}
	a.desk.Changed = site.Changed
	a.beside = append(a.beside, func(ctx context.Context) { a.servePages(ctx, listener, site) })
	return nil
}

func (a *app) servePages(ctx context.Context, listener net.Listener, site http.Handler) {
	// No time-out on writing: live updates stay open. Requests end with the program.
	server := &http.Server{Handler: a.guarded(site), ErrorLog: a.serverLog(), ReadTimeout: time.Minute, ReadHeaderTimeout: 10 * time.Second, IdleTimeout: 2 * time.Minute,
		BaseContext: func(net.Listener) context.Context { return ctx }}
	stop := context.AfterFunc(ctx, func() {
		grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
		defer cancel()
		_ = server.Shutdown(grace)
	})
	defer stop()
	if err := server.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
		a.log.Error("the pages ended", "err", err)
	}
}

// listenForDesk opens the address of the pages, so that a taken port is said at once.
func listenForDesk(c deskConfig) (net.Listener, error) {
	listener, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return nil, refusedf("desk.listen: %s cannot be listened on (%v); name a free address", c.Listen, listenCause(err))
	}
	return listener, nil
}
