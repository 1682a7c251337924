package loopback

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"
)

// FaultKind is one way to misbehave.
type FaultKind string

// Faults of a call.
const (
	// Throttle answers 429 with RetryAfter, and nothing happens.
	Throttle FaultKind = "throttle"
	// ServerError answers 500 as JSON, and nothing happens.
	ServerError FaultKind = "server_error"
	// BadGateway answers 502 with an HTML page, and nothing happens.
	BadGateway FaultKind = "bad_gateway"
	// DropBefore closes the connection, and nothing happens.
	DropBefore FaultKind = "drop_before"
	// DropAfter closes the connection after the call took effect.
	DropAfter FaultKind = "drop_after"
	// Late answers after Delay, in real time, when the call took effect before.
	Late FaultKind = "late"
	// Hang does nothing for Delay, in real time, then closes the connection.
	Hang FaultKind = "hang"
	// Conflict answers 409, as to a second poller.
	Conflict FaultKind = "conflict"
)

// Faults of the updates.
const (
	// Repeat hands out confirmed updates once more in front of the new ones; a
	// webhook delivers an update twice.
	Repeat FaultKind = "repeat"
	// Reorder shuffles the updates of one answer; a webhook takes the second
	// that waits before the first.
	Reorder FaultKind = "reorder"
	// UnknownKind queues an update of a kind that does not exist.
	UnknownKind FaultKind = "unknown_kind"
	// Malformed queues an update whose fields have the wrong types.
	Malformed FaultKind = "malformed"
	// LowerIDs restarts the numbering of updates lower, once none waits.
	LowerIDs FaultKind = "lower_ids"
	// Outage puts the server out of reach for Delay on its own clock.
	Outage FaultKind = "outage"
)

// Fault is a misbehaviour to come.
type Fault struct {
	Kind FaultKind `json:"kind"`
	// Method restricts it to one method; empty means all. Chat restricts it to
	// calls for one chat; zero means all.
	Method string `json:"method,omitempty"`
	Chat   int64  `json:"chat,omitempty"`
	// Skip lets that many matching calls pass first.
	Skip int `json:"skip,omitempty"`
	// Times is how often it strikes; zero means until it is cleared. For
	// UnknownKind and Malformed: how many updates, at least one.
	Times int `json:"times,omitempty"`
	// Chance of striking, 0 to 1; zero means always.
	Chance float64 `json:"chance,omitempty"`
	// RetryAfter is in seconds, at least 1.
	RetryAfter int `json:"retry_after,omitempty"`
	// Delay is for Late, Hang and Outage.
	Delay Duration `json:"delay,omitempty"`
}

// Duration is a time.Duration written like "1h30m" in JSON.
type Duration time.Duration

// MarshalText writes the Go form.
func (d Duration) MarshalText() ([]byte, error) { return []byte(time.Duration(d).String()), nil }

// UnmarshalText reads the Go form.
func (d *Duration) UnmarshalText(b []byte) error {
	v, err := time.ParseDuration(string(b))
	*d = Duration(v)
	return err
}

var (
	callFaults  = []FaultKind{Throttle, ServerError, BadGateway, DropBefore, DropAfter, Late, Hang, Conflict}
	batchFaults = []FaultKind{Repeat, Reorder}
)

// Misbehave plans a fault, or commits it at once where it has no later moment.
func (s *Server) Misbehave(f Fault) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case slices.Contains(callFaults, f.Kind) || slices.Contains(batchFaults, f.Kind):
		s.faults = append(s.faults, &f)
	case f.Kind == UnknownKind || f.Kind == Malformed:
		for range max(f.Times, 1) {
			s.injectOdd(f.Kind)
		}
	case f.Kind == LowerIDs:
		s.queue.restart = 1 + s.rnd.Int64N(firstUpdate/2)
	case f.Kind == Outage:
		s.away = s.cfg.Now().Add(time.Duration(f.Delay))
		s.wakePoll(errAway)
	default:
		return fmt.Errorf("no fault is called %q", f.Kind)
	}
	return nil
}

// Behave clears every planned fault and ends an outage.
func (s *Server) Behave() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.faults, s.away = nil, time.Time{}
}

// injectOdd queues an update that no program can know. As every update does, it holds
// something of its own beside its number: after the numbers have restarted lower, the
// same bytes would be the same update.
func (s *Server) injectOdd(kind FaultKind) {
	id, now := s.queue.number(), s.cfg.Now()
	body := `{"update_id":%d,"crystal_ball":{"id":7,"vision":["a","b"]},"seen_at":%d}`
	if kind == Malformed {
		body = `{"update_id":%d,"message":{"message_id":"seven","date":[%d],"chat":"nobody","text":{"a":1}}}`
	}
	s.enqueue(update{id: id, kind: string(kind), raw: json.RawMessage(fmt.Sprintf(body, id, now.Unix())), at: now})
}

// hits reports whether a planned fault of that kind strikes now.
func (s *Server) hits(kind FaultKind) bool {
	return s.pick(func(f *Fault) bool { return f.Kind == kind }) != nil
}

// pick finds the first planned fault that matches and strikes, and counts it.
func (s *Server) pick(matches func(*Fault) bool) *Fault {
	for i, f := range s.faults {
		if !matches(f) {
			continue
		}
		if f.Skip > 0 {
			f.Skip--
			continue
		}
		if f.Chance > 0 && s.rnd.Float64() >= f.Chance {
			continue
		}
		hit := *f
		if f.Times == 1 {
			s.faults = slices.Delete(s.faults, i, i+1)
		} else if f.Times > 1 {
			f.Times--
		}
		return &hit
	}
	return nil
}

// strike is the fault that hits a call, or nil.
func (s *Server) strike(method string, chat int64) *Fault {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.cfg.Now().Before(s.away) {
		return &Fault{Kind: DropBefore}
	}
	if f := s.limit(method, chat); f != nil {
		return f
	}
	return s.pick(func(f *Fault) bool {
		return slices.Contains(callFaults, f.Kind) &&
			(f.Method == "" || strings.EqualFold(f.Method, method)) &&
			(f.Chat == 0 || f.Chat == chat)
	})
}

// limit throttles a message beyond the server's limits.
func (s *Server) limit(method string, chat int64) *Fault {
	if s.cfg.PerSecond <= 0 && s.cfg.PerChat <= 0 || !strings.HasPrefix(strings.ToLower(method), "send") {
		return nil
	}
	now := s.cfg.Now()
	if wait := s.chat(chat).last.Add(s.cfg.PerChat).Sub(now); wait > 0 {
		return throttled(wait)
	}
	if s.cfg.PerSecond > 0 {
		s.sentAt = slices.DeleteFunc(s.sentAt, func(t time.Time) bool { return now.Sub(t) >= time.Second })
		if len(s.sentAt) >= s.cfg.PerSecond {
			return throttled(s.sentAt[0].Add(time.Second).Sub(now))
		}
		s.sentAt = append(s.sentAt, now)
	}
	s.chat(chat).last = now
	return nil
}

func throttled(wait time.Duration) *Fault {
	return &Fault{Kind: Throttle, RetryAfter: int((wait + time.Second - 1) / time.Second)}
}

// before is what the fault answers instead of letting the call take effect.
func (f *Fault) before(ctx context.Context) *failure {
	switch f.Kind {
	case Throttle:
		after := max(f.RetryAfter, 1)
		return &failure{code: http.StatusTooManyRequests, text: fmt.Sprintf("Too Many Requests: retry after %d", after), retry: after}
	case ServerError:
		return fail(http.StatusInternalServerError, "Internal Server Error")
	case BadGateway:
		return &failure{code: http.StatusBadGateway, html: true}
	case Conflict:
		return fail(http.StatusConflict, "Conflict: terminated by other getUpdates request; make sure that only one bot instance is running")
	case DropBefore:
		return dropped
	case Hang:
		linger(ctx, f.Delay)
		return dropped
	default:
		return nil
	}
}

// after is what the fault does once the call took effect.
func (f *Fault) after(ctx context.Context) *failure {
	switch f.Kind {
	case DropAfter:
		return dropped
	case Late:
		linger(ctx, f.Delay)
	}
	return nil
}

// linger is in real time: it stands for the network, not for the clinic's day.
func linger(ctx context.Context, d Duration) {
	ctx, cancel := context.WithTimeout(ctx, time.Duration(d))
	defer cancel()
	<-ctx.Done()
}

// mangle lets the faults of a batch strike.
func (s *Server) mangle(batch []json.RawMessage) []json.RawMessage {
	if len(s.queue.past) > 0 && s.hits(Repeat) {
		again := s.queue.past[max(0, len(s.queue.past)-3):]
		var front []json.RawMessage
		for _, u := range again {
			front = append(front, u.raw)
		}
		batch = append(front, batch...)
	}
	if len(batch) > 1 && s.hits(Reorder) {
		s.rnd.Shuffle(len(batch), func(i, j int) { batch[i], batch[j] = batch[j], batch[i] })
	}
	return batch
}

func (s *Server) isAway() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.cfg.Now().Before(s.away)
}

// serveFaults lists the planned faults (GET), plans one (POST, a Fault as
// JSON) or clears them (DELETE).
func (s *Server) serveFaults(w http.ResponseWriter, r *http.Request) {
	switch r.Method {
	case http.MethodGet:
	case http.MethodDelete:
		s.Behave()
	case http.MethodPost:
		var f Fault
		in := json.NewDecoder(http.MaxBytesReader(w, r.Body, 1<<16))
		in.DisallowUnknownFields()
		err := in.Decode(&f)
		if err == nil {
			err = s.Misbehave(f)
		}
		if err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
	default:
		http.Error(w, "GET, POST or DELETE", http.StatusMethodNotAllowed)
		return
	}
	s.mu.Lock()
	planned := append([]*Fault{}, s.faults...)
	body, err := json.Marshal(planned)
	s.mu.Unlock()
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(body)
}
