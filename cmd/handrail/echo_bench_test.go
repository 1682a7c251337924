package main

import (
	"context"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	telegram "github.com/go-telegram/bot"
	"github.com/go-telegram/bot/models"

	"handrail.example/bot"
	"handrail.example/bot/loopback"
	"handrail.example/reminders"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// BenchmarkEcho is a message in and the reply to it out, over HTTP on this machine,
// at 100 messages a second: by the whole program on a real disk, and by the bot
// library's own loop with a handler that only echoes, in memory.
func BenchmarkEcho(b *testing.B) {
	b.Run("ours", func(b *testing.B) {
		p := newParty(b)
		p.serve(b)
		p.chatter(b)
	})
	b.Run("floor", func(b *testing.B) {
		p := newParty(b)
		p.echo(b)
		p.chatter(b)
	})
}

// every is the time between two messages.
const every = 10 * time.Millisecond

// party is people who write to a bot and wait for its answers. There are so many
// that nobody writes more than once a second.
type party struct {
	server *loopback.Server
	chats  []int64
	mu     sync.Mutex
	asked  map[int64]time.Time
	took   []time.Duration
	done   sync.WaitGroup
}

func newParty(b *testing.B) *party {
	b.Helper()
	p := &party{asked: make(map[int64]time.Time)}
	var err error
	if p.server, err = loopback.Start(loopback.Config{Now: time.Now, Keep: 10}); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(p.server.Close)
	for n := range 200 {
		chat := int64(1000 + n)
		p.chats = append(p.chats, chat)
		p.server.Introduce(loopback.Person{Chat: chat, Name: "Invented", Language: "en", Started: true})
	}
	b.Cleanup(p.server.Watch(p.answered))
	return p
}

// answered notes the first answer to what a chat has asked.
func (p *party) answered(e loopback.Event) {
	if e.Kind != "message" || e.Message.From != loopback.FromBot {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if at, waits := p.asked[e.Chat]; waits {
		p.took = append(p.took, time.Since(at))
		delete(p.asked, e.Chat)
		p.done.Done()
	}
}

// chatter has b.N messages written and waits for all answers.
func (p *party) chatter(b *testing.B) {
	b.Helper()
	b.ReportAllocs()
	b.ResetTimer()
	tick := time.NewTicker(every)
	defer tick.Stop()
	for n := range b.N {
		<-tick.C
		chat := p.chats[n%len(p.chats)]
		p.mu.Lock()
		if _, waits := p.asked[chat]; waits {
			p.mu.Unlock()
			b.Fatalf("chat %d has had no answer for %v", chat, time.Duration(len(p.chats))*every)
		}
		p.asked[chat] = time.Now()
		p.done.Add(1)
		p.mu.Unlock()
		if _, err := p.server.Write(chat, "thank you!"); err != nil {
			b.Fatal(err)
		}
	}
	p.done.Wait()
	b.StopTimer()
	slices.Sort(p.took)
	b.ReportMetric(float64(p.took[len(p.took)/2].Microseconds()), "p50-µs")
	b.ReportMetric(float64(p.took[len(p.took)*99/100].Microseconds()), "p99-µs")
}

// echo answers with the library alone.
func (p *party) echo(b *testing.B) {
	b.Helper()
	lib, err := telegram.New(p.server.Token(), telegram.WithServerURL(p.server.URL()), telegram.WithErrorsHandler(func(error) {}),
		telegram.WithDefaultHandler(func(ctx context.Context, lib *telegram.Bot, u *models.Update) {
			_, _ = lib.SendMessage(ctx, &telegram.SendMessageParams{ChatID: u.Message.Chat.ID, Text: u.Message.Text})
		}))
	if err != nil {
		b.Fatal(err)
	}
	p.run(b, lib.Start)
}

// serve answers with the program. Its clock runs ten times as fast, since by the
// platform's limits a bot sends no more than 30 messages a second.
func (p *party) serve(b *testing.B) {
	b.Helper()
	client, err := bot.NewClient(p.server.URL(), p.server.Token())
	if err != nil {
		b.Fatal(err)
	}
	master, err := seal.ParseMasterKey(seal.NewMasterKey())
	if err != nil {
		b.Fatal(err)
	}
	a, err := newApp(b.Context(), setting{database: filepath.Join(b.TempDir(), "clinic.sqlite"), durability: store.Full, master: master,
		policy: plan.DefaultPolicy(), clock: newHasty(10), log: slog.New(slog.DiscardHandler), sender: bot.NewSender(client)})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = a.db.Close() })
	if err := a.db.Within(b.Context(), func(ctx context.Context, tx *store.Tx) error {
		for _, chat := range p.chats {
			if _, err := a.enrol(ctx, tx, reminders.NewPatient{Handle: fmt.Sprintf("P-%d", chat), Name: "Invented", Language: "en"}, chat); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		b.Fatal(err)
	}
	poller := &bot.Poller{Client: client, Intake: a.intake, Clock: a.clock, Log: a.log}
	p.run(b, func(ctx context.Context) {
		if err := a.run(ctx, poller.Run); err != nil {
			b.Error(err)
		}
	})
}

// run keeps a bot going until the benchmark ends. It begins when the bot polls.
func (p *party) run(b *testing.B, bot func(ctx context.Context)) {
	b.Helper()
	ctx, stop := context.WithCancel(b.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		bot(ctx)
	}()
	b.Cleanup(func() { stop(); <-ended })
	for !p.server.Polling() {
		time.Sleep(time.Millisecond)
	}
}

// hasty is the system's clock, sped up.
type hasty struct {
	clock.System
	start time.Time
	times time.Duration
}

func newHasty(times int) hasty { return hasty{start: time.Now(), times: time.Duration(times)} }

func (h hasty) Now() time.Time { return h.start.Add(time.Since(h.start) * h.times).UTC() }

func (h hasty) Sleep(ctx context.Context, d time.Duration) error {
	return h.System.Sleep(ctx, d/h.times)
}

func (h hasty) Until(ctx context.Context, t time.Time, bell *clock.Bell) error {
	if !t.IsZero() {
		t = h.start.Add(t.Sub(h.start) / h.times)
	}
	return h.System.Until(ctx, t, bell)
}
