package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"

	"handrail.example/reminders/backup"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/desk"
)

const restoreArgs = "--from BACKUP --to DATABASE"

// restoring is what a restored file is called before it has been proved.
const restoring = ".being-restored"

// runRestore makes a database of a backup. Under the database's name there is nothing,
// or the whole of it: never a half.
func runRestore(ctx context.Context, args []string, e env) error {
	var from, to string
	flags := newFlags("restore")
	flags.StringVar(&from, "from", "", "")
	flags.StringVar(&to, "to", "", "")
	if err := parse(flags, args, restoreArgs); err != nil {
		return err
	}
	if from == "" || to == "" {
		return refusedf("restore: name the backup with --from and the database with --to")
	}
	var fs plan.Faults
	master := readMaster(envKey, envKeyFile, e.getenv, &fs)
	if err := fs.Or(); err != nil {
		return refused(err)
	}
	if !isFolder(filepath.Dir(to)) {
		return refusedf("restore: there is no folder %s for the database: create it, or name another file", filepath.Dir(to))
	}
	unlock, err := only(to+".lock", "restore: this database is being served: stop that first, and move its file away")
	if err != nil {
		return err
	}
	defer unlock()
	if err := nothingAt(to); err != nil {
		return err
	}
	m, faults, err := restore(ctx, master, from, to)
	if err != nil {
		return explainRestore(err)
	}
	for _, f := range faults {
		fmt.Fprintf(e.stderr, "handrail: the record of what staff did did not hold at row %d when the backup was made: %s\n", f.Row, f.What)
	}
	_, err = fmt.Fprintf(e.stdout, afterRestore, to, m.Made.UTC().Format("2006-01-02 15:04:05"), m.Head)
	return err
}

// afterRestore is what to do next.
const afterRestore = `%s is as the database was at %s UTC; the record of what staff did ended at %s.
Nothing that was written, entered or sent since is in it. Now, in this order:
1. Run handrail verify --config F, and do what it says.
2. Do again what must not be undone: erase anew whoever was erased since, take off the staff whoever has
   left since, and take in anew whoever was taken in since. All codes that had not been used are void.
3. Start handrail serve --config F. It sends no patient what fell due since the backup, since she may have
   had it; for each such patient there is a case, and one more for what was written in that time. What is
   a case on the ladder rings again. The platform delivers again only what it had not been told to forget,
   at most 24 hours of it, and the program takes each message once.
4. Everybody signs in at the desk anew.
`

// nothingAt refuses to write over anything, the log of a database that was removed
// included: SQLite would play it back into the restored one.
func nothingAt(to string) error {
	for _, name := range []string{to, to + "-wal", to + "-shm", to + "-journal"} {
		if _, err := os.Lstat(name); !errors.Is(err, os.ErrNotExist) {
			return refusedf("restore: %s exists: move it away first; restore writes over nothing", name)
		}
	}
	return nil
}

// restore proves a backup, makes the database of it under another name, brings it up
// to date, and only then gives it its own.
func restore(ctx context.Context, master []byte, from, to string) (m backup.Manifest, faults []triage.RecordFault, err error) {
	key, err := seal.BackupKey(master)
	if err != nil {
		return m, nil, err
	}
	work := to + restoring
	if err := backup.Remove(work); err != nil {
		return m, nil, err
	}
	defer func() { err = errors.Join(err, backup.Remove(work)) }()
	if m, err = backup.Extract(from, key, work); err != nil {
		return m, nil, err
	}
	state, err := store.Examine(ctx, work)
	if err != nil {
		return m, nil, err
	}
	if len(state.Faults) > 0 || state.Schema != m.Schema {
		return m, nil, backup.ErrWhole
	}
	if faults, err = takeUp(ctx, master, work, m); err != nil {
		return m, faults, err
	}
	return m, faults, backup.Place(work, to)
}

// takeUp opens a restored file as the program does, which brings it up to date, and
// notes in it that it is one.
func takeUp(ctx context.Context, master []byte, path string, m backup.Manifest) (faults []triage.RecordFault, err error) {
	a, err := newApp(ctx, setting{database: path, durability: store.Full, master: master, policy: plan.DefaultPolicy(), clock: clock.System{}, log: slog.New(slog.DiscardHandler)})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, a.db.Close(), closed(path)) }()
	return faults, a.db.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		if _, faults, err = a.desk.CheckRecord(ctx, tx); err != nil {
			return err
		}
		if err := errors.Join(a.desk.NoteRestored(ctx, tx, m.Made), a.book.VoidCodes(ctx, tx), desk.EndAllSessions(ctx, tx)); err != nil {
			return err
		}
		return a.didOnServer(ctx, tx, triage.RestoreData, triage.Ref{}, fmt.Sprintf("from the backup of %s", m.Made.UTC().Format("2006-01-02T15:04:05Z")))
	})
}

// closed makes sure that a file which has been closed is all there is, on the disk.
func closed(path string) error {
	if _, err := os.Lstat(path + "-wal"); !errors.Is(err, os.ErrNotExist) {
		return errors.New("the restored file could not be closed: it is being read by something else")
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// explainRestore makes a refusal of what is wrong with the backup.
func explainRestore(err error) error {
	for _, known := range []error{backup.ErrKey, backup.ErrWhole, backup.ErrNewer} {
		if errors.Is(err, known) {
			return refusedf("restore: %w", known)
		}
	}
	var p *os.PathError
	if errors.As(err, &p) {
		return refusedf("restore: %w", p)
	}
	return err
}

// settleRestored sees to what fell due between a backup and its restoring, at the
// first start after it.
func (a *app) settleRestored(ctx context.Context) error {
	return a.db.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		held, err := a.desk.SettleRestored(ctx, tx)
		if held > 0 {
			a.log.Warn("the database is a backup: what fell due since is not sent and is before people", "messages", held)
		}
		return err
	})
}
