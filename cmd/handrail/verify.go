package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/desk"
)

const verifyArgs = "--config F [--head ROW:LINK]"

// runVerify looks at everything in the database and says what is wrong and what to do.
// It changes nothing, and may run while the database is served. Its output names rows
// and handles, and nobody. It ends with 0 when it finds nothing.
func runVerify(ctx context.Context, args []string, e env) error {
	var path string
	var heads []triage.Head
	flags := newFlags("verify")
	flags.StringVar(&path, "config", "", "")
	flags.Func("head", "", func(s string) error {
		h, err := triage.ParseHead(s)
		heads = append(heads, h)
		return err
	})
	if err := parse(flags, args, verifyArgs); err != nil {
		return err
	}
	c, s, err := readConfig(path, e.getenv)
	if err != nil {
		return err
	}
	found, err := outside(ctx, c.Database)
	if err != nil {
		return err
	}
	said := "the file is damaged: nothing else was looked at"
	if len(found) == 0 {
		a, err := viewApp(ctx, c, s)
		if err != nil {
			return err
		}
		defer a.db.Close()
		var head triage.Head
		if found, head, err = a.inside(ctx, heads); err != nil {
			return err
		}
		said = "the record of what staff did ends at " + head.String()
	}
	for _, f := range found {
		fmt.Fprintf(e.stdout, "%s: %s\n    do: %s\n", f.At, f.What, f.Do)
	}
	if len(found) > 0 {
		return fmt.Errorf("%d findings; %s", len(found), said)
	}
	_, err = fmt.Fprintf(e.stdout, "nothing found; %s\n", said)
	return err
}

// outside looks at the file as SQLite does.
func outside(ctx context.Context, path string) (found []store.Finding, err error) {
	state, err := store.Examine(ctx, path)
	if err != nil {
		return nil, err
	}
	for _, f := range state.Faults {
		do := "stop `handrail serve`, move the file away and keep it, and `handrail restore` the latest backup"
		if strings.Contains(f, "points to nothing") {
			do = "the row was changed by something else than the program: compare it with the last backup, or restore that"
		}
		found = append(found, store.Finding{At: "the file", What: f, Do: do})
	}
	return found, nil
}

// viewApp wires the parts over a database that is only looked at.
func viewApp(ctx context.Context, c config, s secrets) (*app, error) {
	policy, err := readPolicy(c.Policy)
	if err != nil {
		return nil, err
	}
	a := &app{setting: setting{database: c.Database, master: s.master, policy: policy, clock: clock.System{}, log: slog.New(slog.DiscardHandler)}}
	return a, a.view(ctx)
}

// view opens the database of an app's setting to be looked at only.
func (a *app) view(ctx context.Context) (err error) {
	if a.vault, err = seal.NewVault(a.master); err != nil {
		return err
	}
	phrases, err := phrase.Load()
	if err != nil {
		return err
	}
	if a.db, err = store.View(ctx, a.database, a.clock); err != nil {
		return err
	}
	if err := a.db.Read(ctx, a.vault.Ready); err != nil {
		return errors.Join(err, a.db.Close())
	}
	a.wire(phrases)
	return nil
}

// inside looks at what the file holds, in one view of it: keys, patients, cases and
// colleagues, what is promised, what came in, how staff sign in, and the record.
func (a *app) inside(ctx context.Context, heads []triage.Head) (found []store.Finding, head triage.Head, err error) {
	err = a.db.Read(ctx, func(ctx context.Context, tx *store.Tx) error {
		for _, check := range []func(context.Context, *store.Tx) ([]store.Finding, error){
			a.vault.Check, a.book.Check, a.outbox.Check, a.talk.Check, a.checkDesk, a.checkNotes,
			func(ctx context.Context, tx *store.Tx) (more []store.Finding, err error) {
				more, head, err = a.desk.Check(ctx, tx, heads...)
				return more, err
			},
		} {
			more, err := check(ctx, tx)
			found = append(found, more...)
			if err != nil {
				return err
			}
		}
		return nil
	})
	return found, head, err
}

func (a *app) checkNotes(ctx context.Context, tx *store.Tx) (found []store.Finding, err error) {
	all, err := a.book.Patients(ctx, tx)
	if errors.Is(err, seal.ErrSealed) {
		return nil, nil // found already: a name, or a key, does not open
	}
	for _, p := range all {
		more, err := a.desk.CheckNotes(ctx, tx, p.ID, p.Person)
		if found = append(found, more...); err != nil {
			return found, err
		}
	}
	return found, err
}

func (a *app) checkDesk(ctx context.Context, tx *store.Tx) ([]store.Finding, error) {
	return desk.Check(ctx, tx, a.vault, a.desk.WhoWorked)
}
