package main

import (
	"context"
	"errors"
	"net"
	"net/http"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"

	"handrail.example/bot"
	"handrail.example/cmd/handrail/vigil"
	"handrail.example/dialog/phrase"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// watchConfig is where the running program answers for how it is; without it it
// is watched all the same, and nobody can ask.
type watchConfig struct {
	// Listen is an address of this machine alone, as 127.0.0.1:9180.
	Listen string `yaml:"listen"`
}

// watched has the program watched from beside it while it serves. The watch has a
// connection of its own to the platform.
func (a *app) watched(direct *bot.Client, listen string) (*vigil.Watch, error) {
	traffic, pulse := vigil.NewTraffic(a.clock), new(vigil.Pulse)
	w := &vigil.Watch{
		Clock: a.clock, Pulse: pulse, Traffic: traffic, Polls: true, Look: a.sight, Direct: bot.NewSender(direct), Log: a.log,
		Say: func(lang, key string, args map[string]string) string {
			return a.desk.Phrases.Say(lang, key, phrase.Args(args))
		},
	}
	if interval, err := daemon.SdWatchdogEnabled(false); err == nil && interval > 0 {
		w.Feed = func() { a.tellSupervisor(daemon.SdNotifyWatchdog) }
	}
	a.dispatcher.Sender = traffic.Over(a.dispatcher.Sender)
	a.beat = func(name string, most time.Duration) clock.Clock { return pulse.Beat(name, most, a.clock) }
	a.awake = append(a.awake, func(ctx context.Context) {
		a.tellSupervisor(daemon.SdNotifyReady)
		defer a.tellSupervisor(daemon.SdNotifyStopping)
		w.Run(ctx)
	})
	if listen == "" {
		return w, nil
	}
	listener, err := net.Listen("tcp", listen)
	if err != nil {
		return nil, refusedf("watch.listen: %s cannot be listened on (%v); name a free address", listen, listenCause(err))
	}
	a.beside = append(a.beside, func(ctx context.Context) { a.serveWatch(ctx, listener, w.Handler()) })
	return w, nil
}

func (a *app) serveWatch(ctx context.Context, listener net.Listener, h http.Handler) {
	server := &http.Server{Handler: h, ReadTimeout: 10 * time.Second, WriteTimeout: 30 * time.Second}
	stop := context.AfterFunc(ctx, func() { _ = server.Close() })
	defer stop()
	if err := server.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
		a.log.Error("the watch's listener ended", "err", err)
	}
}

// tellSupervisor says how the program is to systemd, where that started it.
func (a *app) tellSupervisor(state string) {
	if _, err := daemon.SdNotify(false, state); err != nil {
		a.log.Error("the supervisor cannot be told", "state", state, "err", err)
	}
}

// sightWithin is how long a look may take in real time: common practice, no source.
const sightWithin = 10 * time.Second

// sight is what the watch sees of the database, through a view of its own that
// waits for no writer.
func (a *app) sight(ctx context.Context) (s vigil.Sight, err error) {
	ctx, cancel := context.WithTimeout(ctx, sightWithin)
	defer cancel()
	err = a.db.Read(ctx, func(ctx context.Context, tx *store.Tx) error {
		cases, err := a.desk.Waiting(ctx, tx)
		if err != nil {
			return err
		}
		for _, c := range cases {
			s.Cases = append(s.Cases, vigil.Cases{Urgency: c.Urgency, State: string(c.State), N: c.N, Unanswered: c.Unanswered.Time})
		}
		due, err := a.outbox.Overdue(ctx, tx)
		if err != nil {
			return err
		}
		for _, d := range due {
			s.Due = append(s.Due, vigil.Due{Kind: string(d.Kind), N: d.N, Oldest: d.Oldest.Time})
		}
		in, err := a.intake.Backlog(ctx, tx)
		if err != nil {
			return err
		}
		s.Unhandled, s.Stuck, s.Oldest = in.New, in.Stuck, in.Since.Time
		s.Told, err = a.toldOfAlarms(ctx, tx)
		return err
	})
	return s, err
}

// toldOfAlarms are the administrators who have linked a chat; where there is none,
// the leads.
func (a *app) toldOfAlarms(ctx context.Context, tx *store.Tx) ([]vigil.Colleague, error) {
	team, err := a.desk.Team(ctx, tx)
	if err != nil {
		return nil, err
	}
	byRole := make(map[triage.Role][]vigil.Colleague)
	for _, s := range team {
		chat, linked, err := a.vault.Chat(ctx, tx, s.Person)
		if err != nil {
			return nil, err
		}
		if linked {
			byRole[s.Role] = append(byRole[s.Role], vigil.Colleague{Chat: chat, Language: s.Language()})
		}
	}
	if all := byRole[triage.Administrator]; len(all) > 0 {
		return all, nil
	}
	return byRole[triage.Lead], nil
}

// webhookEvery is how often the platform is asked whether updates pile up there:
// common practice, no source.
const webhookEvery = time.Minute

// watchWebhook notes that nothing waits at the platform, which is what an answered
// poll means where updates are delivered.
func (a *app) watchWebhook(ctx context.Context, client *bot.Client, clear func()) {
	release := a.clock.Hold()
	defer release()
	for ctx.Err() == nil {
		if n, err := client.Undelivered(ctx); err == nil && n == 0 {
			clear()
		}
		_ = a.clock.Sleep(ctx, webhookEvery)
	}
}
