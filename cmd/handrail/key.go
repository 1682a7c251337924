package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"

	"handrail.example/reminders/clock"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

const keyArgs = "[rotate --config F]"

// Where the key is that is to take the master key's place.
const (
	envNewKey     = "HANDRAIL_NEW_MASTER_KEY"
	envNewKeyFile = "HANDRAIL_NEW_MASTER_KEY_FILE"
)

// runKey prints a new master key, or puts one in the place of the one in use.
func runKey(ctx context.Context, args []string, e env) error {
	switch {
	case len(args) == 0:
		_, err := fmt.Fprintln(e.stdout, seal.NewMasterKey())
		return err
	case args[0] == "rotate":
		return runRotate(ctx, args[1:], e)
	}
	return refusedf("key takes no arguments and prints a new master key; key rotate --config F puts the one in %s, or in the file that %s names, in its place", envNewKey, envNewKeyFile)
}

// runRotate rewraps every person's key. It works on a clinic that is not being
// served: what is serving holds the old key in memory.
func runRotate(ctx context.Context, args []string, e env) error {
	var path string
	flags := newFlags("key rotate")
	flags.StringVar(&path, "config", "", "")
	if err := parse(flags, args, "key rotate --config F"); err != nil {
		return err
	}
	c, s, err := readConfig(path, e.getenv)
	if err != nil {
		return err
	}
	var fs plan.Faults
	next := readMaster(envNewKey, envNewKeyFile, e.getenv, &fs)
	if err := fs.Or(); err != nil {
		return refused(err)
	}
	if string(next) == string(s.master) {
		return refusedf("%s is the key in use already: `handrail key` prints a new one", envNewKey)
	}
	if _, err := os.Stat(c.Database); err != nil {
		return refusedf("the database %s is not there (%v): name the configuration of the one to change", c.Database, cause(err))
	}
	unlock, err := lock(c.Database + ".lock")
	if err != nil {
		return err
	}
	defer unlock()
	n, err := rotate(ctx, c.Database, s.master, next)
	if err != nil {
		return err
	}
	if n == 0 {
		_, err = fmt.Fprintf(e.stdout, "The keys are wrapped under the new master key already. %s", rotated)
		return err
	}
	log := slog.New(slog.NewTextHandler(e.stderr, nil))
	if err := noteRotation(ctx, c, next, log); err != nil {
		return fmt.Errorf("the new key is in force, but that it was changed is not on record: %w", err)
	}
	log.Info("master key changed", "keys", n)
	_, err = fmt.Fprintf(e.stdout, "%d keys are wrapped under the new master key. %s", n, rotated)
	return err
}

// noteRotation puts on record that the master key was changed, under the new one.
func noteRotation(ctx context.Context, c config, next []byte, log *slog.Logger) error {
	a, err := openApp(ctx, c, secrets{master: next}, log, nil)
	if err != nil {
		return err
	}
	return errors.Join(a.seenOnServer(ctx, triage.RotateKey, "changed the master key"), a.db.Close())
}

const rotated = `The old one opens this database no more.
Now put the new key where the old one was (` + envKey + ` or the file of ` + envKeyFile + `), start the program,
make a backup, and then delete the old key. Backups that were made before open with the old key only:
delete them with it, or keep it apart from everything else for as long as you keep them.
`

// rotate wraps the keys of a database under another master key; 0 where they are
// already. Interrupted at any moment it leaves the old key in force, or the new one,
// and can be run again.
func rotate(ctx context.Context, database string, old, next []byte) (n int, err error) {
	from, err := seal.NewVault(old)
	if err != nil {
		return 0, err
	}
	to, err := seal.NewVault(next)
	if err != nil {
		return 0, err
	}
	db, err := store.Open(ctx, database, store.Full, clock.System{})
	if err != nil {
		return 0, err
	}
	defer db.Close()
	err = db.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		if done, err := to.Fits(ctx, tx); err != nil || done {
			return err
		}
		if fits, err := from.Fits(ctx, tx); err != nil || !fits {
			if err == nil {
				err = seal.ErrWrongMaster
			}
			return err
		}
		n, err = from.Rewrap(ctx, tx, to)
		return err
	})
	return n, err
}
