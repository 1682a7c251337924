package desk

import (
	"context"
	"encoding/json"
	"net/http"
	"sync"
	"time"

	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// bells wakes everybody who watches the queue.
type bells struct {
	mu  sync.Mutex
	all map[chan struct{}]bool
}

func (b *bells) add() (c chan struct{}, remove func()) {
	c = make(chan struct{}, 1)
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.all == nil {
		b.all = make(map[chan struct{}]bool)
	}
	b.all[c] = true
	return c, func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		delete(b.all, c)
	}
}

func (b *bells) ring() {
	b.mu.Lock()
	defer b.mu.Unlock()
	for c := range b.all {
		select {
		case c <- struct{}{}:
		default: // it has not looked yet, and will find this too
		}
	}
}

// Changed tells the pages that something about a case has changed.
func (s *Site) Changed() { s.bells.ring() }

// beat is how often a page that hears nothing else is told that the line is up; it
// takes a longer silence for a lost connection. Common practice, no source.
const beat = 15 * time.Second

// live streams what the pages must know at once: how many cases wait, and whether
// something about one has changed. It holds no name and no text. It ends with the
// session.
func (s *Site) live(w http.ResponseWriter, r *http.Request) {
	rung, stop := s.bells.add()
	defer stop()
	ctx, cancel := context.WithCancel(r.Context())
	defer cancel()
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("X-Accel-Buffering", "no") // or the proxy in front keeps it to itself
	for {
		t, err := s.tally(ctx, r)
		if err != nil {
			return // the page finds out why when it comes again
		}
		data, err := json.Marshal(map[string]int64{"all": int64(t.All), "emergencies": int64(t.Emergencies), "newest": t.Newest, "last": t.Last})
		if err != nil {
			return
		}
		if _, err := w.Write([]byte("data: " + string(data) + "\n\n")); err != nil {
			return
		}
		if http.NewResponseController(w).Flush() != nil || !s.pause(ctx, rung) {
			return
		}
	}
}

// pause waits for the bell or the next beat; false at the end of the connection.
func (s *Site) pause(ctx context.Context, rung <-chan struct{}) bool {
	beating, stop := context.WithCancel(ctx)
	defer stop()
	beaten := make(chan struct{})
	go func() {
		defer close(beaten)
		_ = s.Wait(beating, beat) // ends with the beat or the page
	}()
	select {
	case <-rung:
	case <-beaten:
	}
	return ctx.Err() == nil
}

// tally is the queue's count for whoever is still signed in.
func (s *Site) tally(ctx context.Context, r *http.Request) (t triage.Tally, err error) {
	release := s.Hold()
	defer release()
	err = s.DB.Read(ctx, func(ctx context.Context, tx *store.Tx) error {
		v := &visit{site: s, tx: tx, r: r}
		if err := v.identify(ctx); err != nil {
			return err
		}
		if err := v.who.May(triage.SeeCases); err != nil {
			return err
		}
		t, err = s.queue().Tally(ctx, tx)
		return err
	})
	return t, err
}
