package bot

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"time"

	"handrail.example/dialog"
	"handrail.example/reminders/clock"
)

// Intake is where updates go. It is the only thing that stands between the
// platform's forgetting an update and our having it.
type Intake interface {
	// Offset is the id that the next request for updates asks from; false when
	// none has ever been kept.
	Offset(ctx context.Context) (int64, bool, error)
	// Take commits the updates, and the last one's Next as the next offset unless
	// it is zero, even when that is lower than an earlier offset. An update that
	// it has already is no error. It returns only when all are safe.
	Take(ctx context.Context, updates []dialog.Arrival) error
}

// Back-offs of the poller on the injected clock, and how long a request is kept
// open.
const (
	firstPause = time.Second
	longPause  = 30 * time.Second
	patience   = 50 * time.Second
)

// Poller fetches updates for one bot. Only one may run for a token.
type Poller struct {
	Client *Client
	Intake Intake
	Clock  clock.Clock
	Log    *slog.Logger
	// Polled hears of every request for updates that was answered; it may be nil.
	Polled func()
	// Tether is needed only with a virtual clock and a server that keeps
	// requests open in the same process; otherwise leave it nil.
	Tether *Tether
}

// Run polls until ctx ends. It never gives up on an error: it says what is wrong
// once, waits and tries again.
func (p *Poller) Run(ctx context.Context) {
	tether := p.Tether
	if tether == nil {
		tether = NewTether(p.Clock)
	}
	tether.hold()
	defer tether.drop()
	pause, said := firstPause, ""
	for ctx.Err() == nil {
		err := p.pass(ctx, tether)
		if err == nil {
			if said != "" {
				p.Log.Info("updates are coming in again")
			}
			pause, said = firstPause, ""
			continue
		}
		if ctx.Err() != nil {
			return
		}
		if words := Explain(err); words != said {
			p.Log.Error("updates do not come in", "why", words)
			said = words
		}
		_ = p.Clock.Sleep(ctx, max(pause, asked(err)))
		pause = min(2*pause, longPause)
	}
}

// pass fetches once and has what came taken.
func (p *Poller) pass(ctx context.Context, tether *Tether) error {
	offset, _, err := p.Intake.Offset(ctx)
	if err != nil {
		return err
	}
	batch, err := p.Client.updates(ctx, offset, patience)
	tether.reclaim()
	if err != nil {
		return err
	}
	if p.Polled != nil {
		p.Polled()
	}
	if len(batch) == 0 {
		return nil
	}
	updates, readable := number(batch, offset)
	if err := p.Intake.Take(ctx, updates); err != nil {
		return err
	}
	if !readable {
		return errNoIDs
	}
	return nil
}

var errNoIDs = errors.New("the platform sent updates without numbers; they are kept as they came")

// number reads the id and the chat of each update. One without an id gets the
// lowest that it can have, since ids rise by one: the offset after it then skips
// nothing that was not handed out. It reports whether any id could be read.
func number(batch []json.RawMessage, offset int64) (updates []dialog.Arrival, readable bool) {
	next := offset
	for _, raw := range batch {
		id, chat, ok := envelope(raw)
		if !ok {
			id = next
		}
		readable = readable || ok
		next = id + 1
		updates = append(updates, dialog.Arrival{ID: id, Raw: raw, Chat: chat, Next: next})
	}
	return updates, readable
}

// asked is how long the platform asked us to wait.
func asked(err error) time.Duration {
	if f := (*Failure)(nil); errors.As(err, &f) {
		return f.After
	}
	return 0
}

// Explain is the failure of a call in a sentence for whoever runs the program,
// with what to do about it.
func Explain(err error) string {
	f := (*Failure)(nil)
	if !errors.As(err, &f) {
		return err.Error()
	}
	switch f.Class {
	case classConflict:
		return "another program polls with this bot's token, or a webhook is set for it: stop the other one, or remove the webhook"
	case classToken:
		return "the platform refuses the bot token: check that it is the bot's present token and that telegram.api_url is right"
	case classUnreachable:
		return "the Bot API server cannot be reached: check the network and telegram.api_url"
	default:
		return f.Error()
	}
}
