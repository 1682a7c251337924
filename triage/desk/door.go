package desk

import (
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"image/png"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/pquerna/otp"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// door has the addresses that one comes to before anybody is signed in.
func (s *Site) door() map[string]http.HandlerFunc {
	all := map[string]http.HandlerFunc{
		"GET /enter":          s.askWho,
		"POST /enter":         s.enter,
		"GET /begin":          s.askCode,
		"POST /begin":         s.choose,
		"POST /begin/confirm": s.confirm,
	}
	if len(s.Guests) > 0 {
		all["GET /guest/{handle}"] = s.guest
	}
	return all
}

// A subject is refused for a while after so many failed tries, and everybody after
// so many in all: common practice, no source.
const (
	triesEach   = 6
	triesAll    = 300
	triesWithin = 15 * time.Minute
)

// enterPage is the way in. Handle is kept when a try has failed.
type enterPage struct {
	Handle string
	Key    string // what went wrong, in the phrasebook
	Args   phrase.Args
	Guests []triage.Staff
}

func (s *Site) askWho(w http.ResponseWriter, r *http.Request) { s.showDoor(w, r, enterPage{}, 0) }

func (s *Site) showDoor(w http.ResponseWriter, r *http.Request, p enterPage, status int) {
	if len(s.Guests) > 0 {
		if err := s.DB.Read(r.Context(), func(ctx context.Context, tx *store.Tx) error {
			team, err := s.queue().Team(ctx, tx)
			p.Guests = slices.DeleteFunc(team, func(m triage.Staff) bool { return !slices.Contains(s.Guests, m.Handle) })
			return err
		}); err != nil {
			s.Report(err)
		}
	}
	s.write(w, r, langOf(r), answer{sheet: "enter", data: p, status: status}, triage.Staff{})
}

// once is the one value of a field; "" when it is missing or given twice.
func once(r *http.Request, name string) string {
	if all := r.PostForm[name]; len(all) == 1 {
		return all[0]
	}
	return ""
}

// enter is a try to sign in with handle, password and one-time code.
func (s *Site) enter(w http.ResponseWriter, r *http.Request) {
	if r.ParseForm() != nil {
		s.showDoor(w, r, enterPage{Key: "desk.bad_form"}, http.StatusBadRequest)
		return
	}
	handle := strings.ToLower(strings.TrimSpace(once(r, "handle")))
	cookie, err := s.attempt(r.Context(), "handle "+handle, func(ctx context.Context) (*triage.Staff, error) {
		return s.knows(ctx, handle, once(r, "password"), once(r, "code"))
	}, func(ctx context.Context, tx *store.Tx, who triage.Staff) (*http.Cookie, error) {
		return s.signIn(ctx, tx, r, who)
	})
	s.let(w, r, cookie, err, func(key string, status int) {
		s.showDoor(w, r, enterPage{Handle: handle, Key: key, Args: phrase.Args{"minutes": fmt.Sprint(int(triesWithin.Minutes()))}}, status)
	})
}

// let sends her in with her cookie, or back to the form with what went wrong.
func (s *Site) let(w http.ResponseWriter, r *http.Request, cookie *http.Cookie, err error, back func(key string, status int)) {
	switch {
	case err == errThrottled:
		back("desk.throttled", http.StatusTooManyRequests)
	case err != nil:
		s.Report(fmt.Errorf("sign in: %w", err))
		back("desk.failed_short", http.StatusInternalServerError)
	case cookie == nil:
		back("desk.no_match", http.StatusUnauthorized)
	default:
		s.write(w, r, "", answer{to: "/", cookie: cookie}, triage.Staff{})
	}
}

var errThrottled = errors.New("too many failed tries")

// attempt makes one try: knows finds out whose the proof is, outside of any
// transaction, since it takes its time; admit does what follows from it. One try is
// made at a time, so that a hundred at once count as a hundred. The cookie is nil
// when the proof was nobody's.
func (s *Site) attempt(ctx context.Context, subject string, knows func(context.Context) (*triage.Staff, error),
	admit func(context.Context, *store.Tx, triage.Staff) (*http.Cookie, error)) (cookie *http.Cookie, err error) {
	s.attempts.Lock()
	defer s.attempts.Unlock()
	hashed := s.hash("try", subject)
	if err := s.DB.Read(ctx, func(ctx context.Context, tx *store.Tx) error { return throttled(ctx, tx, hashed) }); err != nil {
		return nil, err
	}
	who, err := knows(ctx)
	if err != nil {
		return nil, err
	}
	err = s.DB.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		if who == nil {
			_, err := tx.Exec(ctx, `INSERT INTO failed_tries (subject, at) VALUES (?, ?)`, hashed, store.At(tx.Now))
			return err
		}
		if _, err := tx.Exec(ctx, `DELETE FROM failed_tries WHERE subject = ? OR at < ?`, hashed, store.At(tx.Now.Add(-triesWithin))); err != nil {
			return err
		}
		cookie, err = admit(ctx, tx, *who)
		return err
	})
	return cookie, err
}

func throttled(ctx context.Context, tx *store.Tx, subject []byte) error {
	var n struct {
		Hers int `db:"hers"`
		All  int `db:"n"`
	}
	if err := tx.Get(ctx, &n, `SELECT count(*) AS n, coalesce(sum(subject = ?), 0) AS hers FROM failed_tries WHERE at > ?`,
		subject, store.At(tx.Now.Add(-triesWithin))); err != nil {
		return err
	}
	if n.Hers >= triesEach || n.All >= triesAll {
		return errThrottled
	}
	return nil
}

// knows is whose handle, password and code these are; nil for nobody. All of it is
// looked at in any case, so that the time it takes tells nothing.
func (s *Site) knows(ctx context.Context, handle, password, code string) (*triage.Staff, error) {
	var who triage.Staff
	var has credential
	var known bool
	var now time.Time
	err := s.DB.Read(ctx, func(ctx context.Context, tx *store.Tx) (err error) {
		now = tx.Now
		team, err := s.queue().Team(ctx, tx)
		if err != nil {
			return err
		}
		i := slices.IndexFunc(team, func(m triage.Staff) bool { return m.Handle == handle })
		if i < 0 {
			return nil
		}
		who = team[i]
		has, known, err = s.credentialOf(ctx, tx, who)
		return err
	})
	if err != nil {
		return nil, err
	}
	if !known {
		has.Password = nobodysHash
	}
	right := matches(has.Password, password)
	step, fresh := stepOf(has.Secret, code, now, has.LastStep)
	if !known || !right || !fresh {
		return nil, nil
	}
	return &who, s.DB.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		// A code is good once (RFC 6238, section 5.2).
		_, err := tx.Exec(ctx, `UPDATE credentials SET last_step = ? WHERE staff_id = ?`, step, who.ID)
		return err
	})
}

// beginPage is where somebody new, or with a new device, chooses her password and
// then shows that her device knows the secret.
type beginPage struct {
	Code   string
	Key    string
	Args   phrase.Args
	Handle string
	// Secret and Picture are the secret of the one-time codes, to be typed or read
	// by a camera; "" while the password is chosen.
	Secret, Picture string
}

func (s *Site) askCode(w http.ResponseWriter, r *http.Request) { s.showBegin(w, r, beginPage{}, 0) }

func (s *Site) showBegin(w http.ResponseWriter, r *http.Request, p beginPage, status int) {
	s.write(w, r, langOf(r), answer{sheet: "begin", data: p, status: status}, triage.Staff{})
}

// choose takes the sign-up code with the password that she wants, and shows the
// secret of her one-time codes.
func (s *Site) choose(w http.ResponseWriter, r *http.Request) {
	if r.ParseForm() != nil {
		s.showBegin(w, r, beginPage{Key: "desk.bad_form"}, http.StatusBadRequest)
		return
	}
	p := beginPage{Code: once(r, "code")}
	password := once(r, "password")
	if password != once(r, "again") {
		p.Key = "desk.passwords_differ"
		s.showBegin(w, r, p, http.StatusUnprocessableEntity)
		return
	}
	status, err := s.offer(r.Context(), &p, password)
	s.shown(w, r, p, status, err)
}

// offer draws a secret for the one whose code it is.
func (s *Site) offer(ctx context.Context, p *beginPage, password string) (status int, err error) {
	status = http.StatusUnauthorized
	var key *otp.Key
	_, err = s.attempt(ctx, "code "+p.Code, func(ctx context.Context) (*triage.Staff, error) { return s.holder(ctx, p.Code) },
		func(ctx context.Context, tx *store.Tx, who triage.Staff) (*http.Cookie, error) {
			if password == "" || !goodPassword(password, who.Handle) {
				p.Key, p.Args, status = "desk.weak_password", phrase.Args{"least": fmt.Sprint(shortestPassword)}, http.StatusUnprocessableEntity
				return nil, nil
			}
			if key, err = newSecret(s.policy().Clinic.Name, who.Handle); err != nil {
				return nil, err
			}
			p.Handle, status = who.Handle, http.StatusOK
			return nil, s.begin(ctx, tx, who, hashPassword(password), key.Secret())
		})
	if err != nil || key == nil {
		return status, err
	}
	p.Secret = key.Secret()
	p.Picture, err = pictureOf(key)
	return status, err
}

// shown shows the next part of the way in, or the first one with what went wrong.
func (s *Site) shown(w http.ResponseWriter, r *http.Request, p beginPage, status int, err error) {
	switch {
	case err == errThrottled:
		p.Key, p.Args, status = "desk.throttled", phrase.Args{"minutes": fmt.Sprint(int(triesWithin.Minutes()))}, http.StatusTooManyRequests
	case err != nil:
		s.Report(fmt.Errorf("choose credentials: %w", err))
		p.Key, status = "desk.failed_short", http.StatusInternalServerError
	case status == http.StatusUnauthorized:
		p.Key = "desk.bad_code"
	}
	s.showBegin(w, r, p, status)
}

// holder is whose sign-up code this is; nil for nobody's.
func (s *Site) holder(ctx context.Context, code string) (*triage.Staff, error) {
	var who triage.Staff
	var known bool
	err := s.DB.Read(ctx, func(ctx context.Context, tx *store.Tx) (err error) {
		who, known, err = s.queue().CodeHolder(ctx, tx, code)
		return err
	})
	if err != nil || !known {
		return nil, err
	}
	return &who, nil
}

func pictureOf(key *otp.Key) (string, error) {
	img, err := key.Image(220, 220)
	if err != nil {
		return "", err
	}
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		return "", err
	}
	return "data:image/png;base64," + base64.StdEncoding.EncodeToString(b.Bytes()), nil
}

// confirm takes the first one-time code: the credentials are in force from then on,
// and the sign-up code is used up.
func (s *Site) confirm(w http.ResponseWriter, r *http.Request) {
	if r.ParseForm() != nil {
		s.showBegin(w, r, beginPage{Key: "desk.bad_form"}, http.StatusBadRequest)
		return
	}
	p := beginPage{Code: once(r, "code")}
	var step int64
	cookie, err := s.attempt(r.Context(), "code "+p.Code, func(ctx context.Context) (*triage.Staff, error) {
		return s.proves(ctx, p.Code, once(r, "onetime"), &step)
	}, func(ctx context.Context, tx *store.Tx, who triage.Staff) (*http.Cookie, error) {
		if err := s.settle(ctx, tx, who, step); err != nil {
			return nil, err
		}
		if err := s.queue().SpendCode(ctx, tx, who); err != nil {
			return nil, err
		}
		who.From = s.origin(r, 0)
		if err := s.queue().Did(ctx, tx, who, triage.SignUp, triage.Ref{}, "desk"); err != nil {
			return nil, err
		}
		return s.signIn(ctx, tx, r, who)
	})
	s.let(w, r, cookie, err, func(key string, status int) {
		if key == "desk.no_match" {
			key = "desk.no_match_begin"
		}
		p.Key, p.Args = key, phrase.Args{"minutes": fmt.Sprint(int(triesWithin.Minutes()))}
		s.showBegin(w, r, p, status)
	})
}

// proves is whose sign-up code and first one-time code these are; nil for nobody.
func (s *Site) proves(ctx context.Context, code, onetime string, step *int64) (*triage.Staff, error) {
	who, err := s.holder(ctx, code)
	if err != nil || who == nil {
		return nil, err
	}
	fresh := false
	err = s.DB.Read(ctx, func(ctx context.Context, tx *store.Tx) error {
		secret, known, err := s.begun(ctx, tx, *who)
		if known {
			*step, fresh = stepOf(secret, onetime, tx.Now, 0)
		}
		return err
	})
	if err != nil || !fresh {
		return nil, err
	}
	return who, nil
}

// guest lets one of the demo's staff in without a password.
func (s *Site) guest(w http.ResponseWriter, r *http.Request) {
	handle := r.PathValue("handle")
	var cookie *http.Cookie
	err := s.DB.Within(r.Context(), func(ctx context.Context, tx *store.Tx) error {
		if !slices.Contains(s.Guests, handle) {
			return nil
		}
		who, err := s.queue().StaffByHandle(ctx, tx, handle)
		if refused := (*triage.Refused)(nil); errors.As(err, &refused) {
			return nil // she has left
		}
		if err != nil {
			return err
		}
		cookie, err = s.signIn(ctx, tx, r, who)
		return err
	})
	s.let(w, r, cookie, err, func(key string, status int) { s.showDoor(w, r, enterPage{Key: key}, status) })
}
