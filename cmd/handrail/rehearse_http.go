package main

import (
	"context"
	"fmt"
	"time"

	"handrail.example/bot/loopback"
	"handrail.example/cmd/handrail/rehearsal"
	"handrail.example/reminders/clock"
)

// ground is what a rehearsal takes place on: it carries what people do, can
// misbehave, and knows what it dropped.
type ground interface {
	rehearsal.Platform
	// ready reports whether a fault that is planned now strikes what happens next,
	// and not what is still under way.
	ready() bool
	// together reports whether all that people do at one instant is handed over at
	// once, and not each deed alone; hand does so.
	together() bool
	hand()
	misbehave(t trouble)
	// back lets what was held through, once it is no longer out of reach.
	back()
	behave()
	// gone are the updates that waited too long.
	gone() []loopback.Dropped
}

// httpGround is the loopback server with the program's poller and sender at it.
type httpGround struct {
	server *loopback.Server
	world  *rehearsal.World
}

// keepMessages is how many messages of a chat the server remembers.
const keepMessages = 60

// onHTTP sets the program on a loopback server. The world is handed in later, since
// it needs the ground.
func onHTTP(ctx context.Context, clk *clock.Virtual, seed uint64, set setting) (*stage, *httpGround, error) {
	s, err := newStage(ctx, clk, loopback.Config{Seed: seed, Keep: keepMessages}, set)
	if err != nil {
		return nil, nil, err
	}
	s.poller.Client.Timeout = callTimeout
	return s, &httpGround{server: s.server}, nil
}

// begin lets the people of w be written to, and brings them what they are sent.
func (g *httpGround) begin(w *rehearsal.World) {
	g.world = w
	for _, n := range w.Nurses {
		g.server.Introduce(loopback.Person{Chat: n.Chat, Name: n.Name, Language: "en", Started: true})
	}
	for _, p := range w.Patients {
		g.server.Introduce(loopback.Person{Chat: p.Chat, Name: p.Handle, Language: p.Language, Started: true})
	}
	g.server.Watch(func(e loopback.Event) {
		switch {
		case e.Kind == "message" && e.Message.From == loopback.FromBot:
			w.Deliver(messageOf(e.Message))
		case e.Update != 0:
			w.Number(e.Update)
		}
	})
}

func messageOf(m loopback.Message) rehearsal.Message {
	out := rehearsal.Message{Chat: m.Chat, ID: int64(m.ID), At: m.At, Text: m.Text}
	for _, row := range m.Buttons {
		for _, b := range row {
			out.Buttons = append(out.Buttons, rehearsal.Button{Label: b.Label, Token: b.Token})
		}
	}
	return out
}

// must is for what the people's own rules exclude.
func must(err error) {
	if err != nil {
		panic(fmt.Sprintf("rehearsal: a person did what she cannot do: %v", err))
	}
}

func (g *httpGround) Write(chat int64, text string) {
	_, err := g.server.Write(chat, text)
	must(err)
}

func (g *httpGround) Press(chat, message int64, token string) {
	_, err := g.server.PressToken(chat, int(message), token)
	must(err)
}

func (g *httpGround) Media(chat int64) {
	_, err := g.server.SendMedia(chat, "photo", "")
	must(err)
}

func (g *httpGround) Block(chat int64, blocked bool) {
	if blocked {
		g.server.Block(chat)
	} else {
		g.server.Unblock(chat)
	}
}

// ready waits a little for the poller's request to be open again: it comes back
// within moments unless the platform is out of reach.
func (g *httpGround) ready() bool {
	for range 2000 {
		if g.server.Polling() {
			return true
		}
		_ = clock.System{}.Sleep(context.Background(), 100*time.Microsecond)
	}
	return false
}

// together: each deed comes to rest before the next, however the poller gathers them.
func (g *httpGround) together() bool { return false }

// hand has nothing to do: the server has what people did at once.
func (g *httpGround) hand() {}

func (g *httpGround) misbehave(t trouble) { must(g.server.Misbehave(t.Fault)) }

// back has nothing to do: the poller comes by itself.
func (g *httpGround) back() {}

func (g *httpGround) behave() { g.server.Behave() }

func (g *httpGround) gone() []loopback.Dropped { return g.server.Expired() }
