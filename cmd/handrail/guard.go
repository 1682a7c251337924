package main

import (
	"errors"
	"fmt"
	"log"
	"log/slog"
	"net/http"
	"runtime/debug"
)

// guarded keeps what a handler panics with out of the log: the library would print it,
// and it may quote a patient. The stack holds places only.
func (a *app) guarded(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer func() {
			p := recover()
			if p == nil {
				return
			}
			if err, is := p.(error); is && errors.Is(err, http.ErrAbortHandler) {
				panic(http.ErrAbortHandler) // the library's own way to end a request, which it does not print
			}
			a.log.Error("needs a look", "err", fmt.Errorf("panic of type %T\n%s", p, debug.Stack()))
			w.WriteHeader(http.StatusInternalServerError)
		}()
		h.ServeHTTP(w, r)
	})
}

// serverLog is where a server of the library says what it has to say.
func (a *app) serverLog() *log.Logger { return slog.NewLogLogger(a.log.Handler(), slog.LevelWarn) }
