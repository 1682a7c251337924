package loopback

import (
	"bytes"
	"context"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"time"
)

// webhook is where updates are delivered instead of being polled for. All its
// fields are under the server's lock, but address and secret never change.
type webhook struct {
	address, secret string
	stop            context.CancelFunc
	bell            chan struct{}
	// releases are the holds on the clock that end when all is delivered. The
	// deliverer lets go of them, nobody else: one of them may be lent.
	releases []func()
	// resting: the deliverer sleeps until it tries again, and the clock has to
	// move for that; what comes meanwhile waits without a hold.
	resting bool
	ended   bool
	failed  string // what went wrong last, in the platform's words
}

var secretShape = regexp.MustCompile(`^[A-Za-z0-9_-]{1,256}$`)

// nudge wakes the deliverer, which lets go of the clock when it has delivered.
func (h *webhook) nudge(hold func() func()) {
	if h.ended || h.resting {
		return
	}
	h.releases = append(h.releases, hold())
	select {
	case h.bell <- struct{}{}:
	default:
	}
}

func (h *webhook) letGo() {
	for _, release := range h.releases {
		release()
	}
	h.releases = nil
}

func (s *Server) setWebhook(c *call) (any, *failure) {
	address, secret := c.text("url"), c.text("secret_token")
	if address == "" {
		return s.deleteWebhook(c)
	}
	if u, err := url.Parse(address); err != nil || u.Hostname() != "127.0.0.1" {
		return nil, badRequest("bad webhook: this server delivers to 127.0.0.1 only")
	}
	if secret != "" && !secretShape.MatchString(secret) {
		return nil, badRequest("secret token contains unallowed characters")
	}
	if c.has("allowed_updates") {
		s.queue.allowed = c.list("allowed_updates")
	}
	if _, bad := s.deleteWebhook(c); bad != nil {
		return nil, bad
	}
	ctx, stop := context.WithCancel(s.ctx)
	h := &webhook{address: address, secret: secret, stop: stop, bell: make(chan struct{}, 1)}
	s.hook = h
	s.wakePoll(errConflict)
	h.nudge(s.cfg.Hold)
	s.work.Go(func() { s.deliver(ctx, h) })
	return true, nil
}

func (s *Server) deleteWebhook(c *call) (any, *failure) {
	if c.text("drop_pending_updates") == "true" {
		s.queue.waiting = nil
	}
	if s.hook != nil {
		s.hook.stop()
		s.hook = nil
	}
	return true, nil
}

func (s *Server) webhookInfo(*call) (any, *failure) {
	out := map[string]any{"url": "", "has_custom_certificate": false, "pending_update_count": len(s.queue.waiting)}
	if s.hook != nil {
		out["url"] = s.hook.address
		if s.hook.failed != "" {
			out["last_error_message"] = s.hook.failed
		}
	}
	return out, nil
}

// deliver posts one update after the other until ctx ends. An update that is
// not taken is tried again after a growing pause, as long as it lives.
func (s *Server) deliver(ctx context.Context, h *webhook) {
	defer s.endDelivery(h)
	pause := time.Second
	for ctx.Err() == nil {
		u, ok := s.toDeliver(h)
		if !ok {
			select {
			case <-h.bell:
			case <-ctx.Done():
			}
			continue
		}
		if why := s.post(ctx, h, u.raw); why != "" {
			s.rest(ctx, h, why, pause)
			pause = min(2*pause, time.Minute)
			continue
		}
		pause = time.Second
		s.delivered(u.id)
	}
}

func (s *Server) endDelivery(h *webhook) {
	s.mu.Lock()
	defer s.mu.Unlock()
	h.letGo()
	h.ended = true
}

// toDeliver is the oldest update that waits. When there is none it lets go of
// the clock.
func (s *Server) toDeliver(h *webhook) (update, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.queue.expire(s.cfg.Now())
	switch n := len(s.queue.waiting); {
	case n == 0:
		h.letGo()
		return update{}, false
	case n > 1 && s.hits(Reorder):
		return s.queue.waiting[1], true
	default:
		return s.queue.waiting[0], true
	}
}

// rest notes why a delivery failed and sleeps. It swaps the holds of all waiting
// updates for a single one, which Sleep gives back while it lasts.
func (s *Server) rest(ctx context.Context, h *webhook, why string, pause time.Duration) {
	s.mu.Lock()
	only := s.cfg.Hold()
	h.letGo()
	h.releases = []func(){only}
	h.failed, h.resting = why, true
	s.mu.Unlock()
	_ = s.cfg.Sleep(ctx, pause)
	s.mu.Lock()
	h.resting = false
	s.mu.Unlock()
}

// delivered forgets an update, unless it is to come twice.
func (s *Server) delivered(id int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	i := slices.IndexFunc(s.queue.waiting, func(u update) bool { return u.id == id })
	if i < 0 || s.hits(Repeat) {
		return
	}
	s.queue.waiting = slices.Delete(s.queue.waiting, i, i+1)
}

// post delivers one update; why says what went wrong, or is empty.
func (s *Server) post(ctx context.Context, h *webhook, body []byte) (why string) {
	if s.isAway() {
		return "Out of reach"
	}
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, h.address, bytes.NewReader(body))
	if err != nil {
		return "Wrong URL"
	}
	req.Header.Set("Content-Type", "application/json")
	if h.secret != "" {
		req.Header.Set("X-Telegram-Bot-Api-Secret-Token", h.secret)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return "Connection failed"
	}
	_ = resp.Body.Close()
	if resp.StatusCode/100 != 2 {
		return "Wrong response from the webhook: " + resp.Status
	}
	return ""
}
