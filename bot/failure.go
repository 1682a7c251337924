package bot

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	telegram "github.com/go-telegram/bot"

	"handrail.example/reminders/outbox"
)

// Failure is why a call to the platform came to nothing. Its text is made of the
// method and fixed words: no address, no token, nothing that anybody wrote.
type Failure struct {
	Method string
	// Class names the kind of failure in a few fixed words.
	Class string
	// Fate is what became of the thing that the call should have sent.
	Fate outbox.Fate
	// After is how long to wait before trying again; zero: as the caller likes.
	After time.Duration
	// Everyone: the trouble is the bot's or the network's, not one chat's.
	Everyone bool
}

// Error is fixed words only.
func (f *Failure) Error() string { return f.Method + ": " + f.Class }

// Classes of failure.
const (
	classThrottled   = "throttled"
	classBlocked     = "blocked"
	classGone        = "account gone"
	classNotStarted  = "never started"
	classForbidden   = "forbidden"
	classNoChat      = "chat not found"
	classRefused     = "refused"
	classEmpty       = "nothing to send"
	classToken       = "token refused"
	classConflict    = "another poller"
	classServer      = "server error"
	classOdd         = "unexpected answer"
	classUnreachable = "server unreachable"
	classNoAnswer    = "no answer"
	classStopped     = "stopped"
)

// tokenWait is how long to wait when the platform refuses the token: a person
// has to act first.
const tokenWait = 10 * time.Minute

// proxyWait is how long to wait when something on the way refuses us.
const proxyWait = time.Minute

// answerError is an answer that is not the platform's JSON, or a 5xx; its body
// is not kept.
type answerError struct{ status int }

func (e *answerError) Error() string { return fmt.Sprintf("status %d", e.status) }

// unwrapURL drops the address from an error of net/http, since it holds the
// token.
func unwrapURL(err error) error {
	if u := (*url.Error)(nil); errors.As(err, &u) {
		return u.Err
	}
	return err
}

// classify says what an error means for the thing that was to be sent.
// connected tells whether the request can have reached the platform at all.
func classify(method string, err error, connected bool) *Failure {
	f := &Failure{Method: method}
	var throttled *telegram.TooManyRequestsError
	var moved *telegram.MigrateError
	var odd *answerError
	switch {
	case errors.As(err, &throttled):
		f.later(classThrottled, time.Duration(throttled.RetryAfter)*time.Second, false)
	case errors.As(err, &odd):
		f.status(odd.status)
	case errors.Is(err, telegram.ErrorForbidden):
		f.never(forbidden(err))
	case errors.Is(err, telegram.ErrorBadRequest), errors.As(err, &moved):
		f.never(badRequest(err))
	case errors.Is(err, telegram.ErrorUnauthorized):
		f.status(http.StatusUnauthorized)
	case errors.Is(err, telegram.ErrorNotFound):
		f.status(http.StatusNotFound)
	case errors.Is(err, telegram.ErrorConflict):
		f.status(http.StatusConflict)
	case !connected && errors.Is(err, context.Canceled):
		f.later(classStopped, 0, false)
	case !connected:
		f.later(classUnreachable, 0, true)
	default:
		f.Fate, f.Class = outbox.Unknown, classNoAnswer
	}
	return f
}

// status judges an answer by its status alone. A 5xx says nothing about whether
// the call took effect.
func (f *Failure) status(code int) {
	switch {
	case code == http.StatusUnauthorized || code == http.StatusNotFound:
		f.later(classToken, tokenWait, true)
	case code == http.StatusConflict:
		f.later(classConflict, 0, true)
	case code == http.StatusTooManyRequests:
		f.later(classThrottled, 0, true)
	case code == http.StatusRequestEntityTooLarge || code == http.StatusBadRequest:
		f.never(classRefused)
	case code >= http.StatusInternalServerError:
		f.Fate, f.Class, f.Everyone = outbox.Unknown, classServer, true
	case code >= http.StatusMultipleChoices:
		f.later(classOdd, proxyWait, true)
	default:
		f.Fate, f.Class = outbox.Unknown, classOdd
	}
}

func (f *Failure) later(class string, after time.Duration, everyone bool) {
	f.Fate, f.Class, f.After, f.Everyone = outbox.Later, class, after, everyone
}

func (f *Failure) never(class string) { f.Fate, f.Class = outbox.Never, class }

// forbidden tells the reasons for a 403 apart by the platform's words, as it
// gives no other sign.
func forbidden(err error) string {
	switch words := err.Error(); {
	case strings.Contains(words, "blocked by the user"):
		return classBlocked
	case strings.Contains(words, "deactivated"):
		return classGone
	case strings.Contains(words, "can't initiate"):
		return classNotStarted
	default:
		return classForbidden
	}
}

func badRequest(err error) string {
	if strings.Contains(err.Error(), "chat not found") {
		return classNoChat
	}
	return classRefused
}

// outcome is the failure in the outbox's terms.
func (f *Failure) outcome() outbox.Outcome {
	return outbox.Outcome{Fate: f.Fate, After: f.After, Everyone: f.Everyone, Class: f.Class}
}
