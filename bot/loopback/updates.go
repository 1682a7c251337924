package loopback

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"time"
)

// update is one thing that waits for the bot.
type update struct {
	id   int64
	kind string
	chat int64
	raw  json.RawMessage
	at   time.Time
}

// life is how long the update waits to be fetched.
func (u update) life() time.Duration {
	if u.kind == "callback_query" {
		return PressLife
	}
	return UpdateLife
}

// queue holds the updates that the bot has not confirmed.
type queue struct {
	next    int64 // id of the next update
	waiting []update
	past    []update  // the last confirmed ones, for a repetition
	expired []Dropped // for age, never confirmed
	allowed []string  // kinds the bot asked for; empty: the platform's choice
	open    *openPoll
	restart int64 // next numbering, once nothing waits; 0: none
}

// openPoll is the request that is kept open until something comes.
type openPoll struct {
	resume   context.CancelCauseFunc
	releases []func()
}

// What may end an open poll early.
var (
	errUpdate   = errors.New("an update came")
	errConflict = errors.New("another poll took over")
	errAway     = errors.New("the server went out of reach")
)

// keepPast is how many confirmed updates can be repeated.
const keepPast = 200

// inject queues an update and wakes whoever waits for it. The caller has the
// lock. Kinds the bot did not ask for are dropped, as the platform does; the id
// is then 0.
func (s *Server) inject(kind string, chat int64, body map[string]any) int64 {
	if len(s.queue.allowed) > 0 && !slices.Contains(s.queue.allowed, kind) {
		return 0
	}
	id := s.queue.number()
	body["update_id"] = id
	raw, err := json.Marshal(body)
	if err != nil {
		panic(err) // maps of plain values always marshal
	}
	s.enqueue(update{id: id, kind: kind, chat: chat, raw: raw, at: s.cfg.Now()})
	return id
}

// number gives out the next id. A new numbering begins only when nothing of the
// old one waits, as after a quiet week.
func (q *queue) number() int64 {
	if q.restart > 0 && len(q.waiting) == 0 {
		q.next, q.restart = q.restart, 0
	}
	q.next++
	return q.next - 1
}

func (s *Server) enqueue(u update) {
	s.queue.waiting = append(s.queue.waiting, u)
	if s.hook != nil {
		s.hook.nudge(s.cfg.Hold)
		return
	}
	s.wakePoll(errUpdate)
}

// wakePoll resumes the open request, if there is one. The clock is held until
// its caller has taken its own hold again.
func (s *Server) wakePoll(why error) {
	if p := s.queue.open; p != nil {
		p.releases = append(p.releases, s.cfg.Hold())
		p.resume(why)
	}
}

// getUpdates answers as the platform does: it confirms what lies below offset,
// hands out at most limit updates, and otherwise keeps the request open.
func (s *Server) getUpdates(ctx context.Context, p params) (any, *failure) {
	offset, limit, patience, bad := p.polling()
	if bad != nil {
		return nil, bad
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.hook != nil {
		return nil, fail(http.StatusConflict, "Conflict: can't use getUpdates method while webhook is active; use deleteWebhook to delete the webhook first")
	}
	s.wakePoll(errConflict)
	if p.has("allowed_updates") {
		s.queue.allowed = p.list("allowed_updates")
	}
	s.queue.confirm(offset)
	deadline := s.cfg.Now().Add(patience)
	for {
		if batch := s.batch(limit); len(batch) > 0 {
			return batch, nil
		}
		left := deadline.Sub(s.cfg.Now())
		if left <= 0 {
			return []json.RawMessage{}, nil
		}
		switch err := s.park(ctx, left, patience); {
		case errors.Is(err, errUpdate):
		case errors.Is(err, errConflict):
			return nil, fail(http.StatusConflict, "Conflict: terminated by other getUpdates request; make sure that only one bot instance is running")
		case errors.Is(err, errAway):
			return nil, dropped
		default:
			return []json.RawMessage{}, nil
		}
	}
}

// park keeps the request open for left on the server's clock, at most for
// patience in real time, and says what ended it. It gives back the lock
// meanwhile.
func (s *Server) park(ctx context.Context, left, patience time.Duration) error {
	ctx, end := context.WithTimeout(ctx, patience)
	defer end()
	ctx, resume := context.WithCancelCause(ctx)
	defer resume(nil)
	p := &openPoll{resume: resume}
	s.queue.open = p
	s.mu.Unlock()
	_ = s.cfg.Park(ctx, left)
	s.mu.Lock()
	if s.queue.open == p {
		s.queue.open = nil
	}
	for _, release := range p.releases {
		release()
	}
	return context.Cause(ctx)
}

// confirm forgets every update below offset. An offset far beyond the last id
// comes from an earlier numbering and confirms nothing, as the platform does.
func (q *queue) confirm(offset int64) {
	switch {
	case offset < 0:
		keep := min(int(-offset), len(q.waiting))
		offset = q.next
		if keep > 0 {
			offset = q.waiting[len(q.waiting)-keep].id
		}
	case offset > q.next+9:
		return
	}
	n := 0
	for _, u := range q.waiting {
		if u.id < offset {
			q.past = append(q.past, u)
			continue
		}
		q.waiting[n] = u
		n++
	}
	q.waiting = q.waiting[:n]
	if over := len(q.past) - keepPast; over > 0 {
		q.past = slices.Delete(q.past, 0, over)
	}
}

// expire drops what has waited too long; it was never confirmed and is lost to
// the bot, which the platform tells nobody.
func (q *queue) expire(now time.Time) {
	q.waiting = slices.DeleteFunc(q.waiting, func(u update) bool {
		old := now.Sub(u.at) > u.life()
		if old {
			q.expired = append(q.expired, Dropped{u.id, u.chat, u.at})
		}
		return old
	})
}

func (s *Server) batch(limit int) []json.RawMessage {
	s.queue.expire(s.cfg.Now())
	n := min(limit, len(s.queue.waiting))
	if n == 0 {
		return nil
	}
	out := make([]json.RawMessage, n)
	for i, u := range s.queue.waiting[:n] {
		out[i] = u.raw
	}
	return s.mangle(out)
}

// Waiting is how many updates the bot has not confirmed yet.
func (s *Server) Waiting() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.queue.expire(s.cfg.Now())
	return len(s.queue.waiting)
}

// Dropped is an update that waited too long: its number, whose it was and when it
// was made, since numbers may come again.
type Dropped struct {
	Update, Chat int64
	At           time.Time
}

// Expired is the updates that waited too long and were dropped.
func (s *Server) Expired() []Dropped {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.queue.expire(s.cfg.Now())
	return slices.Clone(s.queue.expired)
}

// Polling reports whether a request for updates is being kept open now.
func (s *Server) Polling() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.queue.open != nil
}
