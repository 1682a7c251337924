package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"syscall"
	"time"

	"handrail.example/bot"
	"handrail.example/cmd/handrail/vigil"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/store"
	"handrail.example/triage/desk"
)

const serveArgs = "--config F"

// runServe is the clinic's program: it runs until it is told to stop.
func runServe(ctx context.Context, args []string, e env) error {
	var path string
	flags := newFlags("serve")
	flags.StringVar(&path, "config", "", "")
	if err := parse(flags, args, serveArgs); err != nil {
		return err
	}
	c, s, err := readConfig(path, e.getenv)
	if err != nil {
		return err
	}
	unlock, err := lock(c.Database + ".lock")
	if err != nil {
		return err
	}
	defer unlock()
	log := slog.New(slog.NewTextHandler(e.stderr, nil))
	client, err := bot.NewClient(c.Telegram.APIURL, s.token)
	if err != nil {
		return err
	}
	a, err := openApp(ctx, c, s, log, bot.NewSender(client))
	if err != nil {
		return err
	}
	if c.Desk.Listen != "" {
		listener, err := listenForDesk(c.Desk)
		if err == nil {
			err = a.addDesk(ctx, listener, desk.Parts{URL: c.Desk.URL, Wait: a.clock.Sleep, PolicyText: policyText(c.Policy)})
		}
		if err != nil {
			return errors.Join(err, a.db.Close())
		}
	}
	direct, err := bot.NewClient(c.Telegram.APIURL, s.token)
	if err != nil {
		return errors.Join(err, a.db.Close())
	}
	watch, err := a.watched(direct, c.Watch.Listen)
	if err != nil {
		return errors.Join(err, a.db.Close())
	}
	a.tidyCopies()
	a.sayOfBackups(ctx)
	a.beside = append(a.beside, a.lookAround)
	log.Info("serving", "mode", c.Telegram.Mode, "database", c.Database)
	err = serve(ctx, a, client, c, s, watch)
	log.Info("stopped")
	return errors.Join(err, a.db.Close())
}

// lookAroundEvery is how long a promise waits that another process wrote, such as
// handrail import. Common practice, no source.
const lookAroundEvery = 30 * time.Second

// lookAround has what other processes wrote into the store go out.
func (a *app) lookAround(ctx context.Context) {
	for a.clock.Sleep(ctx, lookAroundEvery) == nil {
		a.nudge()
	}
}

// openApp opens the clinic's store for a command.
func openApp(ctx context.Context, c config, s secrets, log *slog.Logger, sender *bot.Sender) (*app, error) {
	policy, err := readPolicy(c.Policy)
	if err != nil {
		return nil, err
	}
	set := setting{database: c.Database, durability: store.Full, master: s.master, policy: policy, clock: clock.System{}, log: log, backup: c.Backup}
	if sender != nil {
		set.sender = sender
	}
	return newApp(ctx, set)
}

// openQuiet opens the store that a configuration file names, for a command that
// sends nothing.
func openQuiet(ctx context.Context, path string, e env) (*app, error) {
	c, s, err := readConfig(path, e.getenv)
	if err != nil {
		return nil, err
	}
	return openApp(ctx, c, s, slog.New(slog.NewTextHandler(e.stderr, nil)), nil)
}

func serve(ctx context.Context, a *app, client *bot.Client, c config, s secrets, w *vigil.Watch) error {
	if c.Telegram.Mode == webhook {
		a.beside = append(a.beside, func(ctx context.Context) { a.watchWebhook(ctx, client, w.Traffic.Polled) })
		return serveWebhook(ctx, a, client, c.Telegram.Webhook, s.webhook)
	}
	// A request for updates is kept open for most of a minute.
	poller := &bot.Poller{Client: client, Intake: a.intake, Clock: a.beat("poller", 5*time.Minute), Log: a.log, Polled: w.Traffic.Polled}
	return a.run(ctx, func(ctx context.Context) {
		// A webhook left from before would keep every poll from answering.
		a.retry(ctx, "the platform does not take this bot off its webhook", client.DropWebhook)
		poller.Run(ctx)
	})
}

// serveWebhook listens first, so that a taken port is said at once.
func serveWebhook(ctx context.Context, a *app, client *bot.Client, w webhookConfig, secret string) error {
	listener, err := net.Listen("tcp", w.Listen)
	if err != nil {
		return refusedf("telegram.webhook.listen: %s cannot be listened on (%v); name a free address", w.Listen, listenCause(err))
	}
	server := &http.Server{Handler: a.guarded(&bot.Webhook{Intake: a.intake, Secret: secret}), ErrorLog: a.serverLog(), ReadTimeout: time.Minute, ReadHeaderTimeout: 10 * time.Second}
	return a.run(ctx, func(ctx context.Context) {
		go a.retry(ctx, "the platform does not take the webhook", func(ctx context.Context) error { return client.TakeWebhook(ctx, w.URL, secret) })
		stop := context.AfterFunc(ctx, func() {
			grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
			defer cancel()
			_ = server.Shutdown(grace)
		})
		defer stop()
		if err := server.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
			a.log.Error("the webhook ended", "err", err)
		}
	})
}

// retryEvery is the pause between tries of a call that must succeed once.
const retryEvery = 15 * time.Second

// retry calls until it succeeds: the program starts and works without the
// platform, and says what keeps it.
func (a *app) retry(ctx context.Context, trouble string, call func(context.Context) error) {
	release := a.clock.Hold()
	defer release()
	for {
		err := call(ctx)
		if err == nil || ctx.Err() != nil {
			return
		}
		a.log.Error(trouble, "why", bot.Explain(err))
		if a.clock.Sleep(ctx, retryEvery) != nil {
			return
		}
	}
}

func listenCause(err error) error {
	var op *net.OpError
	if errors.As(err, &op) {
		return op.Err
	}
	return err
}

// lock keeps a second process off the database and the bot: the platform lets
// only one poll. It is gone when the process is, however it ends.
func lock(path string) (unlock func(), err error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("the lock %s cannot be opened (%w): check the folder's owner and permissions", path, cause(err))
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		return nil, errors.Join(refusedf("another handrail is serving this database: stop it first"), f.Close())
	}
	return func() { _ = f.Close() }, nil
}
