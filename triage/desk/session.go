package desk

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"net"
	"net/http"
	"strconv"
	"strings"
	"time"

	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// touchEvery is how exactly the last use of a session is kept: common practice, no
// source.
const touchEvery = time.Minute

// cookieName is that of the session. With the prefix a browser takes it over https
// only, for this host only and for the whole site (RFC 6265bis, section 4.1.3).
func (s *Site) cookieName() string {
	if s.secure() {
		return "__Host-desk"
	}
	return "desk"
}

func (s *Site) cookie(value string, age int) *http.Cookie {
	return &http.Cookie{Name: s.cookieName(), Value: value, Path: "/", MaxAge: age, HttpOnly: true, Secure: s.secure(), SameSite: http.SameSiteStrictMode}
}

// signIn begins a session and returns its cookie.
func (s *Site) signIn(ctx context.Context, tx *store.Tx, r *http.Request, who triage.Staff) (*http.Cookie, error) {
	drawn := make([]byte, 32)
	_, _ = rand.Read(drawn) // never fails
	token := base64.RawURLEncoding.EncodeToString(drawn)
	var id int64
	if err := tx.Get(ctx, &id, `INSERT INTO sessions (token_hash, staff_id, begun_at, seen_at) VALUES (?, ?, ?, ?) RETURNING id`,
		s.hash("session", token), who.ID, store.At(tx.Now), store.At(tx.Now)); err != nil {
		return nil, err
	}
	who.From = s.origin(r, id)
	return s.cookie(token, int(s.Stay.Longest/time.Second)), s.queue().Did(ctx, tx, who, triage.UsePages, triage.Ref{}, "signed in")
}

// origin is from where a request comes, for the record: a session, and a keyed hash
// of the network address. What stands in front of the desk on this machine says whose
// address it speaks for; nobody else is believed.
func (s *Site) origin(r *http.Request, session int64) triage.Origin {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		host = r.RemoteAddr
	}
	if ip := net.ParseIP(host); ip != nil && ip.IsLoopback() {
		if said := r.Header.Values("X-Forwarded-For"); len(said) > 0 {
			all := strings.Split(said[len(said)-1], ",")
			host = strings.TrimSpace(all[len(all)-1])
		}
	}
	return triage.Origin{Place: triage.AtDesk, Ref: session, Address: s.hash("address", host)}
}

// session is one that has not ended.
type session struct {
	ID    int64      `db:"id"`
	Staff int64      `db:"staff_id"`
	Begun store.Time `db:"begun_at"`
	Seen  store.Time `db:"seen_at"`
}

// lasts reports whether a session is good at now. A clock that has been set back
// ends none.
func (s *Site) lasts(x session, now time.Time) bool {
	return now.Sub(x.Seen.Time) < s.Stay.Idle && now.Sub(x.Begun.Time) < s.Stay.Longest
}

// identify finds out who makes the request; errNobody when nobody is signed in.
func (v *visit) identify(ctx context.Context) error {
	c, err := v.r.Cookie(v.site.cookieName())
	if err != nil || len(c.Value) > 100 {
		return errNobody
	}
	var x session
	found, err := v.tx.Find(ctx, &x, `SELECT id, staff_id, begun_at, seen_at FROM sessions WHERE token_hash = ? AND ended_at IS NULL`,
		v.site.hash("session", c.Value))
	switch {
	case err != nil:
		return err
	case !found || !v.site.lasts(x, v.tx.Now):
		return errNobody
	}
	who, err := v.site.queue().StaffMember(ctx, v.tx, x.Staff)
	switch {
	case err != nil:
		return err
	case !who.Left.IsZero():
		return errNobody
	}
	who.From = v.site.origin(v.r, x.ID)
	v.who, v.session, v.lang = who, x.ID, who.Language()
	return nil
}

// touch notes that a session is in use. That it could not be noted ends it a
// little early and does no other harm.
func (s *Site) touch(ctx context.Context, v *visit) {
	if v.session == 0 || v.quiet {
		return
	}
	if err := s.DB.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		_, err := tx.Exec(ctx, `UPDATE sessions SET seen_at = ? WHERE id = ? AND seen_at < ?`,
			store.At(tx.Now), v.session, store.At(tx.Now.Add(-touchEvery)))
		return err
	}); err != nil && ctx.Err() == nil {
		s.Report(err)
	}
}

// endSessions ends every session of somebody.
func (s *Site) endSessions(ctx context.Context, tx *store.Tx, who triage.Staff) error {
	_, err := tx.Exec(ctx, `UPDATE sessions SET ended_at = ? WHERE staff_id = ? AND ended_at IS NULL`, store.At(tx.Now), who.ID)
	return err
}

// mine are the sessions of somebody that are good now, the latest first.
func (v *visit) mine(ctx context.Context, who triage.Staff) ([]session, error) {
	var all, good []session
	if err := v.tx.Select(ctx, &all, `SELECT id, staff_id, begun_at, seen_at FROM sessions WHERE staff_id = ? AND ended_at IS NULL ORDER BY id DESC`, who.ID); err != nil {
		return nil, err
	}
	for _, x := range all {
		if v.site.lasts(x, v.tx.Now) {
			good = append(good, x)
		}
	}
	return good, nil
}

// mePage is about the one who looks at it.
type mePage struct {
	Who      triage.Staff
	Sessions []session
	Here     int64
	HasChat  bool
}

func (v *visit) me(ctx context.Context) (answer, error) {
	all, err := v.mine(ctx, v.who)
	if err != nil {
		return answer{}, err
	}
	_, linked, err := v.site.vault().Chat(ctx, v.tx, v.who.Person)
	if err != nil {
		return answer{}, err
	}
	return show("me", mePage{v.who, all, v.session, linked})
}

// signOut ends the session that the form was sent in.
func (v *visit) signOut(ctx context.Context) (answer, error) {
	if err := v.end(ctx, v.session, v.who); err != nil {
		return answer{}, err
	}
	return answer{to: "/enter", cookie: v.site.cookie("", -1)}, nil
}

// endSession ends another session of hers.
func (v *visit) endSession(ctx context.Context) (answer, error) {
	id, _ := strconv.ParseInt(v.r.PostForm.Get("session"), 10, 64)
	if err := v.end(ctx, id, v.who); err != nil {
		return answer{}, err
	}
	return goTo("/me")
}

func (v *visit) end(ctx context.Context, id int64, of triage.Staff) error {
	n, err := v.tx.Exec(ctx, `UPDATE sessions SET ended_at = ? WHERE id = ? AND staff_id = ? AND ended_at IS NULL`, store.At(v.tx.Now), id, of.ID)
	if err != nil || n == 0 {
		return err
	}
	return v.site.queue().Did(ctx, v.tx, v.who, triage.UsePages, triage.Ref{}, "ended a session of "+of.Handle)
}

// EndAllSessions ends every session: whoever is at a page signs in anew.
func EndAllSessions(ctx context.Context, tx *store.Tx) error {
	if _, err := tx.Exec(ctx, `UPDATE sessions SET ended_at = ? WHERE ended_at IS NULL`, store.At(tx.Now)); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, `DELETE FROM credentials_begun`)
	return err
}
