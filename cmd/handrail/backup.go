package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"handrail.example/dialog/phrase"
	"handrail.example/reminders/backup"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/reminders/wake"
	"handrail.example/triage"
)

// backupConfig is where and when backups are made, and how many stay.
type backupConfig struct {
	// To is the folder that they are kept in, best on another disk. Empty: none are
	// made by the clock.
	To string `yaml:"to"`
	// At is when, in cron's five fields, on the clinic's clock.
	At string `yaml:"at"`
	// Keep is how many stay.
	Keep backup.Keep `yaml:"keep"`
}

// defaultBackup is what a configuration that names a folder alone has: common
// practice, no source.
var defaultBackup = backupConfig{At: "30 2 * * *", Keep: backup.Keep{Daily: 7, Weekly: 4, Monthly: 12}}

func (c backupConfig) check(fs *plan.Faults) {
	if c.To != "" && !isFolder(c.To) {
		note(fs, "backup.to", c.To, "must be a folder that exists, best on another disk than the database")
	}
	job := wake.Job{Name: "backup", Schedule: c.At, Run: func(context.Context) error { return nil }}
	if (&wake.Loop{Zone: time.UTC, Jobs: []wake.Job{job}}).Check() != nil {
		note(fs, "backup.at", c.At, "must be five fields of cron's notation, such as 30 2 * * * for half past two at night")
	}
	if k := c.Keep; k.Daily < 1 || k.Weekly < 0 || k.Monthly < 0 {
		note(fs, "backup.keep", fmt.Sprintf("%d/%d/%d", k.Daily, k.Weekly, k.Monthly), "must keep one of a day at least, and no fewer than none of a week or a month")
	}
}

const backupArgs = "--config F [--to FOLDER]"

// runBackup makes one backup, whether or not the database is being served.
func runBackup(ctx context.Context, args []string, e env) error {
	var path, to string
	flags := newFlags("backup")
	flags.StringVar(&path, "config", "", "")
	flags.StringVar(&to, "to", "", "")
	if err := parse(flags, args, backupArgs); err != nil {
		return err
	}
	a, err := openQuiet(ctx, path, e)
	if err != nil {
		return err
	}
	defer a.db.Close()
	if to == "" {
		to = a.backup.To
	}
	if !isFolder(to) {
		return refusedf("backup: name a folder that exists with --to, or as backup.to in the configuration")
	}
	done, err := a.backUp(ctx, to, triage.OnServer)
	if err != nil {
		return err
	}
	for _, f := range done.faults {
		fmt.Fprintf(e.stderr, "handrail: the record of what staff did does not hold at row %d: %s; keep the database as it is, and run handrail verify\n", f.Row, f.What)
	}
	_, err = fmt.Fprintf(e.stdout, "%s\n%d bytes, schema %d, read back and found whole; the record of what staff did ends at %s\nIt opens with the master key only, which is not in it.\n",
		done.Path, done.Size, done.Schema, done.Head)
	return err
}

// backedUp is a backup that has been made, with what is wrong with the record in it.
type backedUp struct {
	backup.Made
	faults []triage.RecordFault
}

// backUp makes a backup of the database, reads it back, and puts it on record.
func (a *app) backUp(ctx context.Context, folder string, from triage.Place) (done backedUp, err error) {
	unlock, err := only(a.database+".backup.lock", "another backup of this database is being made: wait for its end")
	if err != nil {
		return done, err
	}
	defer unlock()
	key, err := seal.BackupKey(a.master)
	if err != nil {
		return done, err
	}
	published := publishedIn(folder, key)
	m := backup.Maker{Database: a.database, Folder: folder, Key: key, Look: func(ctx context.Context, path string) (string, error) {
		head, faults, err := a.recordIn(ctx, path, published)
		done.faults = faults
		return head.String(), err
	}}
	if done.Made, err = m.Make(ctx, a.clock.Now()); err != nil {
		return done, explainBackup(err)
	}
	return done, a.db.Within(ctx, func(ctx context.Context, tx *store.Tx) error {
		note := fmt.Sprintf("%s, the record to %s", filepath.Base(done.Path), done.Head)
		if from == triage.OnServer {
			return a.didOnServer(ctx, tx, triage.BackUp, triage.Ref{}, note)
		}
		who, err := a.desk.Server(ctx, tx, from)
		if err != nil {
			return err
		}
		return a.desk.Did(ctx, tx, who, triage.BackUp, triage.Ref{}, note)
	})
}

// publishedIn is the head of the record that the latest backup in a folder tells. The
// record must still pass through it.
func publishedIn(folder string, key []byte) []triage.Head {
	all, err := backup.List(folder)
	if err != nil || len(all) == 0 {
		return nil
	}
	m, err := backup.Open(all[0].Path, key)
	if err != nil {
		return nil // of another key, as after a change of it
	}
	if h, err := triage.ParseHead(m.Head); err == nil {
		return []triage.Head{h}
	}
	return nil
}

// recordIn walks along the record in a file of its own.
func (a *app) recordIn(ctx context.Context, path string, published []triage.Head) (head triage.Head, faults []triage.RecordFault, err error) {
	db, err := store.View(ctx, path, a.clock)
	if err != nil {
		return head, nil, err
	}
	defer db.Close()
	err = db.Read(ctx, func(ctx context.Context, tx *store.Tx) error {
		head, faults, err = a.desk.CheckRecord(ctx, tx, published...)
		return err
	})
	return head, faults, err
}

// explainBackup says what can be done about a disk that is full or may not be written.
func explainBackup(err error) error {
	var p *os.PathError
	if errors.As(err, &p) {
		return fmt.Errorf("%w: nothing was left under a backup's name; free some space or mend the folder's owner and permissions, and try again", err)
	}
	return err
}

// only is lock with another sentence for whoever comes second.
func only(path, busy string) (unlock func(), err error) {
	unlock, err = lock(path)
	var r refusal
	if errors.As(err, &r) {
		return nil, refusedf("%s", busy)
	}
	return unlock, err
}

// backupJobs make backups by the clock and watch over their age.
func (a *app) backupJobs() []wake.Job {
	if a.backup.To == "" {
		return nil
	}
	return []wake.Job{
		{Name: "backup", Schedule: a.backup.At, Run: a.backUpByClock},
		{Name: "watch the age of backups", Schedule: "41 * * * *", Run: a.watchBackups},
	}
}

// tidyCopies removes what a backup or a restore that was cut short has left beside the
// database, unless one is being made just now.
func (a *app) tidyCopies() {
	unlock, err := lock(a.database + ".backup.lock")
	if err != nil {
		return
	}
	defer unlock()
	if err := errors.Join(backup.Tidy(a.database, a.backup.To), backup.Remove(a.database+restoring)); err != nil {
		a.log.Error("what a backup left that was cut short cannot be removed", "err", err)
	}
}

// sayOfBackups says in the log what is done about backups, and where the record of what
// staff did ends: `handrail verify --head` finds out whether it has been written anew
// since.
func (a *app) sayOfBackups(ctx context.Context) {
	if a.backup.To == "" {
		a.log.Warn("no backups are made by the clock: name a folder as backup.to in the configuration")
	}
	var head triage.Head
	if err := a.db.Read(ctx, func(ctx context.Context, tx *store.Tx) (err error) {
		head, err = a.desk.RecordEnd(ctx, tx)
		return err
	}); err != nil {
		a.log.Error("the end of the record cannot be read", "err", err)
		return
	}
	a.log.Info("the record of what staff did", "ends", head)
}

// backUpByClock makes a backup, removes those that need not be kept, and tells
// administrators what went wrong.
func (a *app) backUpByClock(ctx context.Context) error {
	done, err := a.backUp(ctx, a.backup.To, triage.ByProgram)
	if err != nil {
		now := a.clock.Now()
		return errors.Join(err, a.notify(ctx, "backup/failed/"+a.dayOf(now), "notice.backup_failed", phrase.Args{"at": a.wallClock(now), "why": briefly(err)}))
	}
	// The head stands in the log, so that a record which is written anew shows.
	a.log.Info("backup made and read back", "file", done.Path, "bytes", done.Size, "record", done.Head)
	var told error
	if len(done.faults) > 0 {
		f := done.faults[0]
		a.log.Error("the record of what staff did does not hold", "row", f.Row, "what", f.What)
		told = a.notify(ctx, "record/"+a.dayOf(a.clock.Now()), "notice.record_broken", phrase.Args{"row": fmt.Sprint(f.Row)})
	}
	n, err := backup.Rotate(a.backup.To, a.backup.Keep, a.policy.Location())
	if n > 0 {
		a.log.Info("old backups removed", "files", n)
	}
	return errors.Join(told, err)
}

func (a *app) dayOf(t time.Time) string { return t.In(a.policy.Location()).Format(time.DateOnly) }

func (a *app) wallClock(t time.Time) string {
	return t.In(a.policy.Location()).Format("2006-01-02 15:04")
}

// briefly is the first line of an error.
func briefly(err error) string {
	line, _, _ := strings.Cut(err.Error(), "\n")
	return line
}

// notify tells administrators something, once for a key.
func (a *app) notify(ctx context.Context, key, sentence string, args phrase.Args) error {
	return a.db.Within(ctx, func(ctx context.Context, tx *store.Tx) error { return a.desk.Notice(ctx, tx, key, sentence, args) })
}

// watchBackups tells administrators, once a day, that the latest backup in the folder
// is older than it should be. It looks at the folder itself: what is on record may
// have been removed since.
func (a *app) watchBackups(ctx context.Context) error {
	now := a.clock.Now()
	all, err := backup.List(a.backup.To)
	if err != nil {
		return errors.Join(err, a.notify(ctx, "backup/failed/"+a.dayOf(now), "notice.backup_failed", phrase.Args{"at": a.wallClock(now), "why": "the folder cannot be read"}))
	}
	if len(all) == 0 {
		// The first turn may lie ahead.
		if due, err := a.backupsDue(ctx); err != nil || !due {
			return err
		}
		return a.notify(ctx, "backup/old/"+a.dayOf(now), "notice.backup_none", nil)
	}
	if wake.Turns(a.backup.At, a.policy.Location(), all[0].Made, now, 2) < 2 {
		return nil
	}
	return a.notify(ctx, "backup/old/"+a.dayOf(now), "notice.backup_old", phrase.Args{"at": a.wallClock(all[0].Made)})
}

// backupsDue reports whether there should be a backup: one was made before, or turns
// have been missed since the first start.
func (a *app) backupsDue(ctx context.Context) (due bool, err error) {
	err = a.db.Read(ctx, func(ctx context.Context, tx *store.Tx) error {
		due, err = a.desk.EverDid(ctx, tx, triage.BackUp)
		return err
	})
	if err != nil || due {
		return due, err
	}
	return a.chores.Missed(ctx, "backup", 2)
}
