package main

import (
	"math/rand/v2"
	"slices"
	"time"

	"handrail.example/bot/loopback"
	"handrail.example/cmd/handrail/rehearsal"
)

// trouble is a fault and when it strikes.
type trouble struct {
	loopback.Fault
	at time.Time
}

// weather is the faults of a whole rehearsal, laid down before it begins so that
// the same seed brings the same.
type weather struct {
	r       *rand.Rand
	chats   []int64
	start   time.Time
	end     time.Time
	coming  []trouble
	odd     int // updates that nobody sent
	struck  int
	skipped int
	away    time.Time // the platform is out of reach until then
}

// Faults by name: how many a day strike among a hundred patients, and how long the
// platform is away.
var faultLevels = map[string]struct {
	daily   int
	outages []time.Duration
}{
	"":      {},
	"light": {daily: 4, outages: []time.Duration{12 * time.Minute}},
	"heavy": {daily: 40, outages: []time.Duration{12 * time.Minute, 3 * time.Minute, 2 * time.Hour, 26 * time.Hour, 40 * time.Minute}},
}

// onMessages strike the next message to a chat, onUpdates the next request for
// updates.
var (
	onMessages = []loopback.Fault{{Kind: loopback.Throttle, RetryAfter: 7}, {Kind: loopback.Throttle, RetryAfter: 40}, {Kind: loopback.ServerError}, {Kind: loopback.BadGateway},
		{Kind: loopback.DropBefore}, {Kind: loopback.DropAfter}, {Kind: loopback.DropAfter}}
	onUpdates = []loopback.Fault{{Kind: loopback.DropAfter, Method: "getUpdates"}, {Kind: loopback.DropBefore, Method: "getUpdates"}, {Kind: loopback.ServerError, Method: "getUpdates"},
		{Kind: loopback.BadGateway, Method: "getUpdates"}, {Kind: loopback.Conflict, Method: "getUpdates"}, {Kind: loopback.Throttle, Method: "getUpdates", RetryAfter: 9},
		{Kind: loopback.Repeat}, {Kind: loopback.Reorder}, {Kind: loopback.UnknownKind}, {Kind: loopback.Malformed}, {Kind: loopback.LowerIDs}}
)

// callTimeout is how long a rehearsal's calls may take, and lateAnswer longer, both
// in real time.
const (
	callTimeout = 10 * time.Second
	lateAnswer  = 11 * time.Second
)

// forecast lays the faults down. The last day has none, so that at the end nothing
// is left to wait for.
func forecast(set rehearsalSet, w *rehearsal.World, end time.Time) *weather {
	f := &weather{r: rand.New(rand.NewPCG(w.Seed, 0x7765_6174)), start: w.Start, end: end.Add(-36 * time.Hour)}
	for _, p := range w.Patients {
		f.chats = append(f.chats, p.Chat)
	}
	for _, n := range w.Nurses {
		f.chats = append(f.chats, n.Chat)
	}
	l := faultLevels[set.faults]
	days := int(f.end.Sub(f.start) / (24 * time.Hour))
	if days < 1 {
		return f
	}
	for range max(l.daily, l.daily*days*len(f.chats)/100) {
		f.plan(f.fault())
	}
	for _, length := range l.outages {
		f.plan(loopback.Fault{Kind: loopback.Outage, Delay: loopback.Duration(length)})
	}
	if set.faults == "heavy" && days >= 30 {
		// An answer that comes after the time-out costs its wait in real time, so there
		// is one only.
		f.plan(loopback.Fault{Kind: loopback.Late, Method: "sendMessage", Chat: f.chats[f.r.IntN(len(f.chats))], Times: 1, Delay: loopback.Duration(lateAnswer)})
	}
	slices.SortStableFunc(f.coming, func(a, b trouble) int { return a.at.Compare(b.at) })
	return f
}

// next is when the next fault strikes; false when no more do.
func (f *weather) next() (time.Time, bool) {
	if len(f.coming) == 0 {
		return time.Time{}, false
	}
	return f.coming[0].at, true
}

// strike has what is due by now happen on g. While the platform is out of reach
// anyway, what was to strike is left out.
func (f *weather) strike(g ground, now time.Time) {
	for len(f.coming) > 0 && !f.coming[0].at.After(now) {
		one := f.coming[0]
		f.coming = f.coming[1:]
		if now.Before(f.away) || !g.ready() {
			f.skipped++
			continue
		}
		f.struck++
		switch one.Kind {
		case loopback.UnknownKind, loopback.Malformed:
			f.odd++
		case loopback.Outage:
			f.away = now.Add(time.Duration(one.Delay))
		}
		g.misbehave(one)
	}
}

func (f *weather) fault() loopback.Fault {
	if f.r.IntN(3) > 0 {
		one := onMessages[f.r.IntN(len(onMessages))]
		one.Method, one.Chat, one.Times = "sendMessage", f.chats[f.r.IntN(len(f.chats))], 1
		return one
	}
	one := onUpdates[f.r.IntN(len(onUpdates))]
	one.Times = 1
	return one
}

func (f *weather) plan(one loopback.Fault) {
	at := f.start.Add(time.Duration(f.r.Int64N(int64(f.end.Sub(f.start)))).Truncate(time.Second))
	f.coming = append(f.coming, trouble{one, at})
}

// over is when the platform comes back into reach; false while it is there.
func (f *weather) over() (time.Time, bool) { return f.away, !f.away.IsZero() }

// clear calls back once the platform has come back.
func (f *weather) clear(now time.Time, back func()) {
	if !f.away.IsZero() && !now.Before(f.away) {
		f.away = time.Time{}
		back()
	}
}
