package outbox

import (
	"cmp"
	"context"
	"slices"
	"sync"
)

// flights are the rows that are on the wire, or have landed and are not settled.
// A row that landed stays here until its outcome is on disk, so that a full disk
// loses no answer and sends nothing twice.
type flights struct {
	wg     sync.WaitGroup
	mu     sync.Mutex
	rows   map[int64]bool
	landed []*row
}

func (f *flights) begin(rows []*row) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.rows == nil {
		f.rows = make(map[int64]bool)
	}
	for _, r := range rows {
		f.rows[r.ID] = true
	}
}

func (f *flights) land(rows []*row) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.landed = append(f.landed, rows...)
}

// back lists what has landed, in the order of the rows: what is settled at once is
// settled in the same order, whichever was quicker.
func (f *flights) back() []*row {
	f.mu.Lock()
	defer f.mu.Unlock()
	landed := slices.Clone(f.landed)
	slices.SortFunc(landed, func(a, b *row) int { return cmp.Compare(a.ID, b.ID) })
	return landed
}

// settled forgets rows that back listed.
func (f *flights) settled(rows []*row) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.landed = f.landed[len(rows):]
	for _, r := range rows {
		delete(f.rows, r.ID)
	}
}

func (f *flights) has(id int64) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.rows[id]
}

func (f *flights) count() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.rows)
}

func (f *flights) wait() { f.wg.Wait() }

// launch puts claimed rows on the wire. Chats go side by side, so that a slow one
// holds up nobody; within a chat the order is kept, the more urgent first, save for
// alerts, which wait for nothing.
func (d *Dispatcher) launch(ctx context.Context, claimed []*row) {
	ctx = context.WithoutCancel(ctx) // a stop lets finish what has begun
	d.flights.begin(claimed)
	ahead := make(map[chat]chan struct{})
	for _, rows := range queues(claimed) {
		c, landed := rows[0].chat(), make(chan struct{})
		var before chan struct{}
		if p := rows[0].priority(); p != urgent {
			d.limits.launched(c, p)
			before, ahead[c] = ahead[c], landed
		}
		release := d.aloft()
		d.flights.wg.Go(func() {
			defer release()
			if before != nil {
				<-before
			}
			d.fly(ctx, rows)
			close(landed)
			d.flights.land(rows)
			d.Outbox.bell.Ring()
		})
	}
}

// queues sorts rows into those that must follow each other.
func queues(rows []*row) [][]*row {
	type queue struct {
		chat     chat
		priority int
		alert    int64
	}
	var all [][]*row
	place := make(map[queue]int)
	for _, r := range rows {
		q := queue{chat: r.chat(), priority: r.priority()}
		if q.priority == urgent {
			q.alert = r.ID
		}
		i, known := place[q]
		if !known {
			i = len(all)
			place[q] = i
			all = append(all, nil)
		}
		all[i] = append(all[i], r)
	}
	return all
}

// fly sends rows in order until one does not get through: what comes after it
// must not overtake it.
func (d *Dispatcher) fly(ctx context.Context, rows []*row) {
	stopped := false
	for _, r := range rows {
		if stopped {
			r.unsent = true
			continue
		}
		r.outcome = d.sendOne(ctx, r)
		stopped = r.outcome.Fate == Later || r.outcome.Fate == Unknown
	}
}

func (d *Dispatcher) sendOne(ctx context.Context, r *row) (o Outcome) {
	defer func() {
		if recover() != nil {
			// The value may quote a patient.
			o = Outcome{Fate: Unknown, Class: "panic"}
		}
	}()
	e, ok := d.drawn(r.envelope)
	if !ok {
		return Outcome{Fate: Never, Class: "picture cannot be drawn"}
	}
	o = d.Sender.Send(ctx, e)
	switch o.Fate {
	case Sent, Later, Never, Unknown:
		return o
	}
	return Outcome{Fate: Unknown, Class: "no outcome"}
}

// drawn is an envelope with its picture drawn; false where it cannot be, which trying
// again would not mend.
func (d *Dispatcher) drawn(e Envelope) (_ Envelope, ok bool) {
	f := e.Message.File
	if f == nil || len(f.Draw) == 0 {
		return e, true
	}
	defer func() {
		if recover() != nil {
			ok = false
		}
	}()
	if d.Draw == nil {
		return e, false
	}
	data, err := d.Draw(f.Draw)
	if err != nil {
		return e, false
	}
	e.Message.File = &File{Name: f.Name, Media: f.Media, Data: data}
	return e, true
}
