package loopback

import (
	"bytes"
	"context"
	"net/http"
	"net/url"
	"regexp"
	"time"
)

// webhook is where updates are delivered instead of being polled for.
type webhook struct {
	url      string
	secret   string
	stop     context.CancelFunc
	bell     chan struct{}
	releases []func()
	failed   string // what went wrong last, in the platform's words
}

var secretShape = regexp.MustCompile(`^[A-Za-z0-9_-]{1,256}$`)

// nudge wakes the deliverer, which lets go of the clock when it has delivered.
func (h *webhook) nudge(release func()) {
	h.releases = append(h.releases, release)
	select {
	case h.bell <- struct{}{}:
	default:
	}
}

func (s *Server) setWebhook(c *call) (any, *failure) {
	address, secret := c.text("url"), c.text("secret_token")
	if address == "" {
		return s.deleteWebhook(c)
	}
	if u, err := url.Parse(address); err != nil || u.Hostname() != "127.0.0.1" {
		return nil, fail(http.StatusBadRequest, "Bad Request: bad webhook: this server delivers to 127.0.0.1 only")
	}
	if secret != "" && !secretShape.MatchString(secret) {
		return nil, fail(http.StatusBadRequest, "Bad Request: secret token contains unallowed characters")
	}
	if c.has("allowed_updates") {
		s.queue.allowed = c.list("allowed_updates")
	}
	if c.text("drop_pending_updates") == "true" {
		s.queue.waiting = nil
	}
	s.endWebhook()
	ctx, stop := context.WithCancel(s.ctx)
	s.hook = webhook{url: address, secret: secret, stop: stop, bell: make(chan struct{}, 1)}
	s.wakePoll(errConflict)
	s.hook.nudge(s.cfg.Hold())
	bell := s.hook.bell
	s.work.Go(func() { s.deliver(ctx, address, secret, bell) })
	return true, nil
}

func (s *Server) deleteWebhook(c *call) (any, *failure) {
	if c.text("drop_pending_updates") == "true" {
		s.queue.waiting = nil
	}
	s.endWebhook()
	s.hook = webhook{}
	return true, nil
}

func (s *Server) endWebhook() {
	if s.hook.stop != nil {
		s.hook.stop()
	}
	for _, release := range s.hook.releases {
		release()
	}
	s.hook.releases = nil
}

func (s *Server) webhookInfo(*call) (any, *failure) {
	out := map[string]any{
		"url": s.hook.url, "has_custom_certificate": false,
		"pending_update_count": len(s.queue.waiting),
	}
	if s.hook.failed != "" {
		out["last_error_message"] = s.hook.failed
	}
	return out, nil
}

// deliver posts one update after the other until ctx ends. An update that is
// not taken is tried again after a growing pause, as long as it lives.
func (s *Server) deliver(ctx context.Context, address, secret string, bell <-chan struct{}) {
	pause := time.Second
	for ctx.Err() == nil {
		u, ok := s.toDeliver()
		if !ok {
			select {
			case <-bell:
			case <-ctx.Done():
			}
			continue
		}
		if s.post(ctx, address, secret, u.raw) {
			pause = time.Second
			s.delivered(u.id)
			continue
		}
		release := s.rest()
		_ = s.cfg.Sleep(ctx, pause)
		release()
		pause = min(2*pause, time.Minute)
	}
}

// toDeliver is the oldest update that waits. When there is none it lets go of
// the clock.
func (s *Server) toDeliver() (update, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.queue.expire(s.cfg.Now())
	if n := len(s.queue.waiting); n > 0 && s.hook.url != "" {
		if n > 1 && s.hits(Reorder) {
			return s.queue.waiting[1], true
		}
		return s.queue.waiting[0], true
	}
	for _, release := range s.hook.releases {
		release()
	}
	s.hook.releases = nil
	return update{}, false
}

// rest swaps the holds of all waiting updates for one that Sleep can give back.
func (s *Server) rest() (release func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	release = s.cfg.Hold()
	for _, r := range s.hook.releases {
		r()
	}
	s.hook.releases = nil
	return release
}

func (s *Server) delivered(id int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, u := range s.queue.waiting {
		if u.id == id {
			s.queue.past = append(s.queue.past, u)
			if s.hits(Repeat) {
				return // it stays, and comes again
			}
			s.queue.waiting = append(s.queue.waiting[:i], s.queue.waiting[i+1:]...)
			return
		}
	}
}

func (s *Server) post(ctx context.Context, address, secret string, body []byte) bool {
	if s.isAway() {
		return s.undelivered("Out of reach")
	}
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, address, bytes.NewReader(body))
	if err != nil {
		return s.undelivered("wrong URL")
	}
	req.Header.Set("Content-Type", "application/json")
	if secret != "" {
		req.Header.Set("X-Telegram-Bot-Api-Secret-Token", secret)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return s.undelivered("Connection failed")
	}
	_ = resp.Body.Close()
	if resp.StatusCode/100 != 2 {
		return s.undelivered("Wrong response from the webhook: " + resp.Status)
	}
	return true
}

func (s *Server) undelivered(why string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.hook.failed = why
	return false
}
