package main

import (
	"context"
	"fmt"

	"handrail.example/bot"
	"handrail.example/bot/loopback"
	"handrail.example/reminders/clock"
)

// stage is the whole program against a chat platform of its own on 127.0.0.1 and
// a clock that moves only when it is told to and nothing is in flight. The demo
// and the tests play on it; what runs is what runs live.
type stage struct {
	*app
	server *loopback.Server
	poller *bot.Poller
	time   *clock.Virtual
}

// newStage fills in what of both settings the stage itself provides.
func newStage(ctx context.Context, time *clock.Virtual, platform loopback.Config, set setting) (*stage, error) {
	s := &stage{time: time}
	set.clock = s.time
	return s, s.open(ctx, platform, set)
}

// open starts the platform on the stage's clock, and the program on the clock of
// its setting.
func (s *stage) open(ctx context.Context, platform loopback.Config, set setting) error {
	tether := bot.NewTether(s.time)
	platform.Now, platform.Hold, platform.Sleep, platform.Park = s.time.Now, s.time.Hold, s.time.Sleep, tether.Park(s.time.Linger)
	var err error
	if s.server, err = loopback.Start(platform); err != nil {
		return refusedf("the chat server of the demo does not start (%v); name a free port with --port", listenCause(err))
	}
	client, err := bot.NewClient(s.server.URL(), s.server.Token())
	if err != nil {
		s.server.Close()
		return err
	}
	set.sender = bot.NewSender(client)
	if s.app, err = newApp(ctx, set); err != nil {
		s.server.Close()
		return err
	}
	s.poller = &bot.Poller{Client: client, Intake: s.intake, Clock: s.clock, Log: set.log, Tether: tether}
	return nil
}

func (s *stage) run(ctx context.Context) error { return s.app.run(ctx, s.poller.Run) }

func (s *stage) close() error {
	s.server.Close()
	if err := s.db.Close(); err != nil {
		return fmt.Errorf("close the database: %w", err)
	}
	return nil
}
