package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"sync"
	"time"

	"handrail.example/bot"
	"handrail.example/bot/loopback"
	"handrail.example/cmd/handrail/rehearsal"
	"handrail.example/dialog"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/outbox"
)

// directGround joins the seams at which poller and sender meet the rest, in
// memory: updates are worded as the platform words them and taken in at once,
// envelopes arrive as messages. What it cannot show is whatever lies between these
// seams and the network.
type directGround struct {
	ctx    context.Context
	clock  *clock.Virtual
	intake bot.Intake
	world  *rehearsal.World

	mu      sync.Mutex
	next    int64
	fresh   []heldUpdate // of this instant, not handed over yet
	held    []heldUpdate // while it is out of reach
	expired []loopback.Dropped
	away    time.Time
	faults  map[int64][]loopback.FaultKind // by chat, of the messages to come
	again   []dialog.Arrival               // the last ones, for a repetition
	blocked map[int64]bool
	ids     map[int64]int64
	wrong   error
}

type heldUpdate struct {
	dialog.Arrival
	at   time.Time
	life time.Duration
}

// directGrain is the step in which people act in memory, so that in a large clinic
// several do at one instant, as they come to the program in one answer of the platform.
const directGrain = 30 * time.Second

func newDirect(ctx context.Context, clk *clock.Virtual) *directGround {
	return &directGround{ctx: ctx, clock: clk, next: 1, faults: make(map[int64][]loopback.FaultKind), blocked: make(map[int64]bool), ids: make(map[int64]int64)}
}

func (g *directGround) begin(w *rehearsal.World) { g.world = w }

// update words what somebody does and has it taken in, or held while the platform is
// out of reach.
func (g *directGround) update(chat int64, kind string, life time.Duration, body string) {
	g.mu.Lock()
	id := g.next
	g.next++
	g.mu.Unlock()
	g.world.Number(id)
	raw := fmt.Sprintf(`{"update_id":%d,%q:%s}`, id, kind, body)
	g.fresh = append(g.fresh, heldUpdate{dialog.Arrival{ID: id, Raw: []byte(raw), Chat: strconv.FormatInt(chat, 10), Next: id + 1}, g.clock.Now(), life})
}

// together: what several people do at one instant comes in one batch.
func (g *directGround) together() bool { return true }

// hand has what was done taken in, or holds it while the platform is out of reach.
func (g *directGround) hand() {
	fresh := g.fresh
	g.fresh = nil
	if g.clock.Now().Before(g.away) {
		g.held = append(g.held, fresh...)
		return
	}
	var all []dialog.Arrival
	for _, u := range fresh {
		all = append(all, u.Arrival)
	}
	g.take(all...)
	g.again = append(g.again, all...)
	g.again = g.again[max(0, len(g.again)-3):]
}

func (g *directGround) take(all ...dialog.Arrival) {
	if len(all) == 0 {
		return
	}
	if err := g.intake.Take(g.ctx, all); err != nil && g.wrong == nil {
		g.wrong = err
	}
}

// back lets through what was held, save what has waited for too long.
func (g *directGround) back() {
	now := g.clock.Now()
	if len(g.held) == 0 || now.Before(g.away) {
		return
	}
	held := g.held
	g.held = nil
	var all []dialog.Arrival
	for _, u := range held {
		if now.Sub(u.at) > u.life {
			chat, _ := strconv.ParseInt(u.Chat, 10, 64)
			g.expired = append(g.expired, loopback.Dropped{Update: u.ID, Chat: chat, At: u.at})
			continue
		}
		all = append(all, u.Arrival)
	}
	g.take(all...)
}

// person is somebody's chat and herself, as the platform words them.
func (g *directGround) person(chat int64) string {
	return fmt.Sprintf(`"chat":{"id":%d,"type":"private"},"from":{"id":%d,"is_bot":false,"first_name":"I"}`, chat, chat)
}

func (g *directGround) Write(chat int64, text string) {
	quoted, err := json.Marshal(text)
	must(err)
	g.update(chat, "message", loopback.UpdateLife, fmt.Sprintf(`{"message_id":%d,"date":%d,%s,"text":%s}`, g.message(chat), g.clock.Now().Unix(), g.person(chat), quoted))
}

func (g *directGround) Press(chat, message int64, token string) {
	g.update(chat, "callback_query", loopback.PressLife, fmt.Sprintf(`{"id":"%d","data":%q,"from":{"id":%d,"is_bot":false,"first_name":"I"},"message":{"message_id":%d,"date":1,"chat":{"id":%d,"type":"private"}}}`,
		g.next, token, chat, message, chat))
}

func (g *directGround) Media(chat int64) {
	g.update(chat, "message", loopback.UpdateLife, fmt.Sprintf(`{"message_id":%d,"date":%d,%s,"photo":[{"file_id":"x","width":1,"height":1}]}`, g.message(chat), g.clock.Now().Unix(), g.person(chat)))
}

func (g *directGround) Block(chat int64, blocked bool) {
	g.mu.Lock()
	g.blocked[chat] = blocked
	g.mu.Unlock()
	was, is := "member", "kicked"
	if !blocked {
		was, is = is, was
	}
	user := `{"id":1,"is_bot":true,"first_name":"B"}`
	g.update(chat, "my_chat_member", loopback.UpdateLife, fmt.Sprintf(`{"date":%d,%s,"old_chat_member":{"status":%q,"user":%s},"new_chat_member":{"status":%q,"user":%s}}`,
		g.clock.Now().Unix(), g.person(chat), was, user, is, user))
}

// message numbers the messages of a chat.
func (g *directGround) message(chat int64) int64 {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.ids[chat]++
	return g.ids[chat]
}

// Send is the platform's end of a message.
func (g *directGround) Send(_ context.Context, e outbox.Envelope) outbox.Outcome {
	chat, err := strconv.ParseInt(e.Chat, 10, 64)
	if err != nil {
		return outbox.Outcome{Fate: outbox.Never, Class: "chat not found"}
	}
	out, arrives := g.fate(chat)
	if e.Message.Text == "" && e.Message.File == nil { // a press that is answered, no message
		return outbox.Outcome{Fate: outbox.Sent}
	}
	if !arrives {
		return out
	}
	id := g.message(chat)
	m := rehearsal.Message{Chat: chat, ID: id, At: g.clock.Now(), Text: e.Message.Text}
	for _, row := range e.Message.Buttons {
		for _, b := range row {
			m.Buttons = append(m.Buttons, rehearsal.Button{Label: b.Label, Token: b.Token})
		}
	}
	g.world.Deliver(m)
	if out.Fate == outbox.Sent {
		out.External = strconv.FormatInt(id, 10)
	}
	return out
}

// fate is what becomes of the next message to a chat, and whether it arrives.
func (g *directGround) fate(chat int64) (out outbox.Outcome, arrives bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	switch {
	case g.clock.Now().Before(g.away):
		return outbox.Outcome{Fate: outbox.Later, Class: "server unreachable", Everyone: true}, false
	case g.blocked[chat]:
		return outbox.Outcome{Fate: outbox.Never, Class: "blocked"}, false
	}
	kinds := g.faults[chat]
	if len(kinds) == 0 {
		return outbox.Outcome{Fate: outbox.Sent}, true
	}
	g.faults[chat] = kinds[1:]
	switch kinds[0] {
	case loopback.Throttle:
		return outbox.Outcome{Fate: outbox.Later, Class: "throttled", After: 7 * time.Second}, false
	case loopback.DropAfter, loopback.Late:
		return outbox.Outcome{Fate: outbox.Unknown, Class: "no answer"}, true
	case loopback.DropBefore, loopback.Hang:
		return outbox.Outcome{Fate: outbox.Unknown, Class: "no answer"}, false
	}
	return outbox.Outcome{Fate: outbox.Unknown, Class: "server error"}, false
}

func (g *directGround) ready() bool { return !g.clock.Now().Before(g.away) }

func (g *directGround) misbehave(t trouble) {
	switch t.Kind {
	case loopback.Outage:
		g.away = g.clock.Now().Add(time.Duration(t.Delay))
	case loopback.Repeat:
		if len(g.again) > 0 {
			g.take(g.again...)
		}
	case loopback.UnknownKind, loopback.Malformed:
		id := g.next
		g.next++
		body := `{"update_id":%d,"crystal_ball":{"id":7}}`
		if t.Kind == loopback.Malformed {
			body = `{"update_id":%d,"message":{"message_id":"seven","date":[],"chat":"nobody","text":{"a":1}}}`
		}
		g.take(dialog.Arrival{ID: id, Raw: fmt.Appendf(nil, body, id), Next: id + 1})
	default:
		if t.Chat != 0 {
			g.faults[t.Chat] = append(g.faults[t.Chat], t.Kind)
		}
	}
}

func (g *directGround) behave() {
	g.mu.Lock()
	defer g.mu.Unlock()
	clear(g.faults)
	g.away = time.Time{}
}

func (g *directGround) gone() []loopback.Dropped { return g.expired }

// failed is what went wrong at the intake; nil for nothing.
func (g *directGround) failed() error {
	if g.wrong == nil {
		return nil
	}
	return errors.Join(errors.New("the intake refused an update"), g.wrong)
}
