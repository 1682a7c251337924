package main

import (
	"bytes"
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"handrail.example/bot/loopback"
	"handrail.example/reminders/backup"
	"handrail.example/reminders/clock"
	"handrail.example/reminders/plan"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
	"handrail.example/triage"
)

// backsUp makes a backup by the command and returns its file.
func (p *premises) backsUp(to string) string {
	p.t.Helper()
	out := p.run(context.Background(), "backup", "--config", p.config, "--to", to)
	if out.code != 0 || out.stderr != "" {
		p.t.Fatalf("%+v", out)
	}
	path, _, _ := strings.Cut(out.stdout, "\n")
	return path
}

func (p *premises) folderFor(name string) string {
	p.t.Helper()
	path := filepath.Join(p.folder, name)
	if err := os.Mkdir(path, 0o700); err != nil {
		p.t.Fatal(err)
	}
	return path
}

// Planted in the clinic's file: none of it may be read in a backup, whether or not it
// is sealed in the file itself.
var plantedInBackup = []string{"Citlali Vern", "P-105", "orrel", "Tamsin", "SQLite format", "INSERT", "enrolled", "answer_case", "me duele mucho", "handrail-"}

func TestBackupAndRestore(t *testing.T) {
	t.Parallel()
	p := newPremises(t, polling)
	p.takesOn("me duele mucho", "and another")
	p.write(p.database+".being-copied", "left by a backup that was cut short")
	serving := p.serve()
	eventually(t, "it serves and has tidied up", func() bool { return p.served() && !exists(p.database+".being-copied") })
	made := p.backsUp(p.folderFor("backups"))
	sealed, err := os.ReadFile(made)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range plantedInBackup {
		if bytes.Contains(sealed, []byte(s)) {
			t.Errorf("%q can be read in the backup", s)
		}
	}
	restore := func(args ...string) outcome { return p.run(t.Context(), append([]string{"restore"}, args...)...) }
	p.refusedOutcome(restore("--from", made, "--to", p.database), 2, "being served")
	serving.end()
	p.refusedOutcome(restore("--from", made, "--to", p.database), 2, "exists", "writes over nothing")
	if err := os.Rename(p.database, p.database+".old"); err != nil {
		t.Fatal(err)
	}
	p.write(p.database+"-wal", "left by what was there before")
	p.refusedOutcome(restore("--from", made, "--to", p.database), 2, "-wal exists")
	if err := os.Remove(p.database + "-wal"); err != nil {
		t.Fatal(err)
	}
	p.refusesBadBackups(made, restore)
	out := restore("--from", made, "--to", p.database)
	if out.code != 0 || out.stderr != "" || !strings.Contains(out.stdout, "erase anew") {
		t.Fatalf("%+v", out)
	}
	p.on(func(ctx context.Context, a *app, tx *store.Tx) error {
		id, err := a.book.NumberOf(ctx, tx, "P-105")
		if err != nil {
			return err
		}
		all, err := a.desk.Deeds(ctx, tx, id)
		if err != nil || len(all) != 2 || all[0].Note != "me duele mucho" {
			t.Errorf("%+v: %v", all, err)
		}
		ever, err := a.desk.EverDid(ctx, tx, triage.RestoreData)
		if _, faults, bad := a.desk.CheckRecord(ctx, tx); !ever || len(faults) > 0 {
			t.Errorf("that it was restored is on record %v, faults %v, %v", ever, faults, bad)
		}
		return err
	})
	// It serves, and the next backup finds the record to pass through the last one.
	again := p.serve()
	eventually(t, "it serves", func() bool { return p.served() })
	p.backsUp(filepath.Join(p.folder, "backups"))
	if out := again.end(); out.code != 0 {
		t.Errorf("%+v", out)
	}
}

// served reports whether the program holds the database.
func (p *premises) served() bool {
	unlock, err := lock(p.database + ".lock")
	if err == nil {
		unlock()
	}
	return err != nil
}

// refusesBadBackups tries what cannot be proved, and finds nothing under the
// database's name afterwards.
func (p *premises) refusesBadBackups(made string, restore func(...string) outcome) {
	p.t.Helper()
	whole, err := os.ReadFile(made)
	if err != nil {
		p.t.Fatal(err)
	}
	changed := bytes.Clone(whole)
	changed[len(changed)/2] ^= 1
	for name, c := range map[string]struct {
		bytes []byte
		says  string
	}{
		"changed": {changed, "was changed or is not whole"}, "cut off": {whole[:len(whole)-100], "was changed or is not whole"},
		"no backup": {[]byte("SQLite format 3"), "was changed or is not whole"},
	} {
		path := filepath.Join(p.folder, "bad "+name)
		p.write(path, string(c.bytes))
		p.refusedOutcome(restore("--from", path, "--to", p.database), 2, c.says)
	}
	p.refusedOutcome(restore("--from", filepath.Join(p.folder, "none"), "--to", p.database), 2, "no such file")
	p.refusedOutcome(restore("--from", made, "--to", filepath.Join(p.folder, "none", "x.sqlite")), 2, "there is no folder")
	key := p.env[envKey]
	p.env[envKey] = seal.NewMasterKey()
	p.refusedOutcome(restore("--from", made, "--to", p.database), 2, "another master key")
	p.env[envKey] = "nonsense"
	p.refusedOutcome(restore("--from", made, "--to", p.database), 2, "32 random bytes")
	p.env[envKey] = key
	if left, err := filepath.Glob(p.database + "*"); err != nil || strings.Contains(strings.Join(left, " "), ".being-") || exists(p.database) {
		p.t.Errorf("left behind: %q %v", left, err)
	}
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

func TestBackupRefuses(t *testing.T) {
	t.Parallel()
	p := newPremises(t, polling)
	p.refusedOutcome(p.run(t.Context(), "backup", "--config", p.config), 2, "name a folder")
	p.refusedOutcome(p.run(t.Context(), "backup", "--config", p.config, "--to", filepath.Join(p.folder, "none")), 2, "name a folder")
	unlock, err := lock(p.database + ".backup.lock")
	if err != nil {
		t.Fatal(err)
	}
	defer unlock()
	p.refusedOutcome(p.run(t.Context(), "backup", "--config", p.config, "--to", p.folder), 2, "another backup")
}

func TestBackupConfig(t *testing.T) {
	t.Parallel()
	p := newPremises(t, polling)
	for text, says := range map[string]string{
		"backup: {to: /nowhere/at/all}":                           "backup.to",
		"backup: {to: " + p.folder + ", at: whenever}":            "backup.at",
		"backup: {to: " + p.folder + ", keep: {daily: 0}}":        "backup.keep",
		"backup: {to: " + p.folder + ", keep: {fortnightly: 26}}": "fortnightly",
	} {
		p.write(filepath.Join(p.folder, "bad.yaml"), "database: "+p.database+"\n"+text+"\n")
		p.refusedOutcome(p.run(t.Context(), "check", "--config", filepath.Join(p.folder, "bad.yaml")), 2, says)
	}
	good, _, err := parseConfig([]byte("database: "+p.database+"\nbackup: {to: "+p.folder+"}\n"), p.getenv)
	if err != nil || good.Backup.At != "30 2 * * *" || good.Backup.Keep != (backup.Keep{Daily: 7, Weekly: 4, Monthly: 12}) {
		t.Errorf("%+v: %v", good.Backup, err)
	}
}

// backedUpDemo is the invented clinic with backups by the clock.
func backedUpDemo(t *testing.T) (d *demo, folder string) {
	t.Helper()
	folder = t.TempDir()
	var log lockedBuffer
	d, err := newDemo(t.Context(), t.TempDir(), 0, false, slog.New(slog.NewTextHandler(&log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.close() })
	d.backup = backupConfig{To: folder, At: "30 2 * * *", Keep: backup.Keep{Daily: 2}}
	d.chores.Jobs = append(d.chores.Jobs, d.backupJobs()...)
	return d, folder
}

func (d *demo) runs(t *testing.T) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	wait, err := d.start(ctx, d.poller.Run)
	if err != nil {
		t.Fatal(err)
	}
	return func() { cancel(); wait() }
}

// Backups are made every night on the clinic's clock, the spare ones go, and each is
// on record as the program's doing.
func TestBackupsByTheClock(t *testing.T) {
	t.Parallel()
	d, folder := backedUpDemo(t)
	d.backup.Keep.Daily = 1
	stop := d.runs(t)
	if err := d.forward(t.Context(), 2*24*time.Hour); err != nil {
		t.Fatal(err)
	}
	stop()
	all, err := backup.List(folder)
	if err != nil || len(all) != 1 || all[0].Made.In(d.policy.Location()).Format("15:04") != "02:30" || d.time.Now().Sub(all[0].Made) > 24*time.Hour {
		t.Errorf("%v: %v", all, err)
	}
	if err := d.db.Read(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		deeds, err := d.desk.DeedsBetween(ctx, tx, time.Unix(0, 0), tx.Now)
		n := 0
		for _, x := range deeds {
			if x.Action == triage.BackUp && x.From.Place == triage.ByProgram && strings.HasPrefix(x.Note, "handrail-") {
				n++
			}
		}
		if n != 2 {
			t.Errorf("%d backups on record", n)
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
}

// said counts what the bot has written to a chat with words in it.
func (d *demo) said(chat int64, words string) (n int) {
	for _, m := range d.server.Messages(chat) {
		if m.From == loopback.FromBot && strings.Contains(m.Text, words) {
			n++
		}
	}
	return n
}

// administrator takes one on, with a chat.
func (d *demo) administrator(t *testing.T, chat int64) {
	t.Helper()
	d.server.Introduce(loopback.Person{Chat: chat, Name: "Administrator", Language: "en", Started: true})
	if err := d.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		_, code, err := d.desk.AddStaff(ctx, tx, triage.Newcomer{Handle: "keeper", Name: "Invented Keeper", Role: triage.Administrator, Languages: []string{"en"}})
		if err == nil {
			_, _, err = d.desk.Join(ctx, tx, code, "9001")
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
}

// A backup that fails, and one that has become old, is told to the administrator, once
// a day.
func TestFailedAndOldBackupsAreTold(t *testing.T) {
	t.Parallel()
	d, folder := backedUpDemo(t)
	d.administrator(t, 9001)
	stop := d.runs(t)
	defer stop()
	forward := func(by time.Duration) {
		t.Helper()
		if err := d.forward(t.Context(), by); err != nil {
			t.Fatal(err)
		}
	}
	forward(30 * time.Hour)
	if n := d.said(9001, "backup"); n > 0 {
		t.Errorf("told %d times of what is well", n)
	}
	if err := os.Rename(folder, folder+".gone"); err != nil {
		t.Fatal(err)
	}
	forward(24 * time.Hour)
	if n := d.said(9001, "No backup could be made"); n < 1 || n > 2 {
		t.Errorf("told %d times that the folder is gone", n)
	}
	if err := os.Rename(folder+".gone", folder); err != nil {
		t.Fatal(err)
	}
	// Somebody has stopped the job; the watch goes on.
	if err := d.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		_, err := tx.Exec(ctx, `INSERT INTO job_runs (job, ran_at) VALUES ('backup', ?) ON CONFLICT (job) DO UPDATE SET ran_at = excluded.ran_at`, store.At(tx.Now.AddDate(0, 0, 2)))
		return err
	}); err != nil {
		t.Fatal(err)
	}
	all, err := backup.List(folder)
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range all[1:] {
		_ = os.Remove(b.Path)
	}
	if err := os.Rename(all[0].Path, filepath.Join(folder, "handrail-2020-01-01T00-00-00Z.backup")); err != nil {
		t.Fatal(err)
	}
	if err := d.watchBackups(t.Context()); err != nil {
		t.Fatal(err)
	}
	forward(time.Hour)
	if n := d.said(9001, "more than one turn was missed"); n != 1 {
		t.Errorf("told %d times that the latest is old", n)
	}
}

// Where there is no administrator to tell, a case is.
func TestNoticeWithoutAnAdministrator(t *testing.T) {
	t.Parallel()
	d, _ := backedUpDemo(t)
	if err := d.notify(t.Context(), "backup/old/2026-03-11", "notice.backup_none", nil); err != nil {
		t.Fatal(err)
	}
	if err := d.db.Read(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		live, err := d.desk.Live(ctx, tx)
		for _, c := range live {
			if c.Reason == triage.Running {
				story, err := d.desk.Story(ctx, tx, c, "en")
				if !strings.Contains(story, "There is no backup yet") {
					t.Errorf("it says %q", story)
				}
				return err
			}
		}
		t.Error("no case")
		return err
	}); err != nil {
		t.Fatal(err)
	}
}

// A record that was changed, or written anew, since the last backup is found by the
// next one.
func TestBackupFindsAChangedRecord(t *testing.T) {
	t.Parallel()
	d, folder := backedUpDemo(t)
	if err := d.backUpByClock(t.Context()); err != nil {
		t.Fatal(err)
	}
	// Whoever has the key cuts off the end and gives the record a new head.
	if err := d.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		for _, q := range []string{`DROP TRIGGER staff_actions_stay`, `DELETE FROM staff_actions`, `DELETE FROM record_head`} {
			if _, err := tx.Exec(ctx, q); err != nil {
				return err
			}
		}
		_, err := d.desk.BeginRecord(ctx, tx)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	done, err := d.backUp(t.Context(), folder, triage.ByProgram)
	if err != nil || len(done.faults) != 1 || !strings.Contains(done.faults[0].What, "published") {
		t.Errorf("%+v: %v", done.faults, err)
	}
}

// After a restore no patient gets what fell due since the backup; a person hears of
// each of them, and of the time that is in no file.
func TestAfterARestoreNothingOldIsSent(t *testing.T) {
	t.Parallel()
	d, folder := backedUpDemo(t)
	stop := d.runs(t)
	if err := d.forward(t.Context(), time.Hour); err != nil {
		t.Fatal(err)
	}
	stop()
	done, err := d.backUp(t.Context(), folder, triage.ByProgram)
	if err != nil {
		t.Fatal(err)
	}
	restored := filepath.Join(t.TempDir(), "restored.sqlite")
	if _, _, err := restore(t.Context(), d.master, done.Path, restored); err != nil {
		t.Fatal(err)
	}
	later := clock.NewVirtual(d.time.Now().Add(30 * time.Hour))
	s, err := newStage(t.Context(), later, loopback.Config{}, setting{database: restored, durability: store.Full, master: d.master, policy: plan.DefaultPolicy(), log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer s.close()
	var due, ahead int
	count := func(n *int, query string) {
		t.Helper()
		if err := s.db.Read(t.Context(), func(ctx context.Context, tx *store.Tx) error { return tx.Get(ctx, n, query, store.At(tx.Now)) }); err != nil {
			t.Fatal(err)
		}
	}
	const toPatients = ` FROM outbox WHERE state = 'queued' AND person_id IN (SELECT person_id FROM patients) AND due_at `
	count(&due, `SELECT count(DISTINCT person_id)`+toPatients+`<= ?`)
	count(&ahead, `SELECT count(*)`+toPatients+`> ?`)
	if due < 3 || ahead < 3 {
		t.Fatalf("%d patients with something due and %d messages ahead: this proves nothing", due, ahead)
	}
	ctx, cancel := context.WithCancel(t.Context())
	wait, err := s.start(ctx, s.poller.Run)
	if err != nil {
		t.Fatal(err)
	}
	if err := later.Advance(t.Context(), later.Now().Add(2*time.Second)); err != nil {
		t.Fatal(err)
	}
	cancel()
	wait()
	var sent, cases, still int
	count(&sent, `SELECT count(*) FROM outbox WHERE state = 'sent' AND kind IN ('dose', 'reminder') AND sent_at > (SELECT max(made_at) FROM restores) AND sent_at <= ?`)
	count(&cases, `SELECT count(DISTINCT person_id) FROM cases WHERE reason = 'restored' AND person_id <> 1 AND opened_at <= ?`)
	count(&still, `SELECT count(*)`+toPatients+`<= ?`)
	if sent != 0 || cases != due || still != 0 {
		t.Errorf("%d reminders sent, cases for %d of %d patients, %d messages still due", sent, cases, due, still)
	}
	if err := s.db.Read(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		var open int
		err := tx.Get(ctx, &open, `SELECT count(*) FROM restores WHERE settled_at IS NULL`)
		if open != 0 {
			t.Error("it is not settled")
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
}

// The backup of a clinic that has lived for a while holds, readable, no name, no handle
// and no sentence of anybody's.
func TestBackupOfALivingClinicShowsNothing(t *testing.T) {
	t.Parallel()
	lived, master, now := lives(t)
	key, err := seal.BackupKey(master)
	if err != nil {
		t.Fatal(err)
	}
	m := backup.Maker{Database: lived, Folder: t.TempDir(), Key: key, Look: func(context.Context, string) (string, error) { return "0:", nil }}
	made, err := m.Make(t.Context(), now)
	if err != nil {
		t.Fatal(err)
	}
	sealed, err := os.ReadFile(made.Path)
	if err != nil {
		t.Fatal(err)
	}
	plain, err := os.ReadFile(lived)
	if err != nil {
		t.Fatal(err)
	}
	script, err := readScenario()
	if err != nil {
		t.Fatal(err)
	}
	var words []string
	for _, p := range script.Patients {
		words = append(words, append(strings.Fields(p.Name), p.Name, p.Handle)...)
	}
	for _, s := range script.Staff {
		words = append(words, s.Name, s.Handle)
	}
	words = append(words, "period_start", "stimulated", "when?", "cycle/1/plan", now.UTC().Format("2006-01-02"))
	readable := 0
	for _, w := range words {
		if bytes.Contains(plain, []byte(w)) {
			readable++
		}
		if len(w) > 3 && bytes.Contains(sealed, []byte(w)) {
			t.Errorf("%q can be read in the backup", w)
		}
	}
	if readable < 15 {
		t.Errorf("only %d of %d words can be read in the file itself: this proves little", readable, len(words))
	}
}

// A backup of every schema that landed is restored as one of today, and nothing is
// found in it.
func TestRestoreOfEveryLandedSchema(t *testing.T) {
	t.Parallel()
	lived, master, now := lives(t)
	key, err := seal.BackupKey(master)
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range landed(t) {
		m := backup.Maker{Database: asOf(t, n, lived), Folder: t.TempDir(), Key: key, Look: func(context.Context, string) (string, error) { return "0:", nil }}
		made, err := m.Make(t.Context(), now)
		if err != nil {
			t.Fatal(err)
		}
		to := filepath.Join(t.TempDir(), "restored.sqlite")
		if got, faults, err := restore(t.Context(), master, made.Path, to); err != nil || len(faults) > 0 || got.Schema != n {
			t.Errorf("schema %d: %v %v", n, faults, err)
		}
		if said := verified(t, to, master, now); len(said) > 0 {
			t.Errorf("schema %d: found %q", n, said)
		}
	}
}

// offRecordCommands are the commands that leave no row, each with why.
var offRecordCommands = map[string]string{
	"demo": "an invented clinic", "rehearse": "an invented clinic", "unit": "opens no database", "plan": "opens no database", "chart": "opens no database",
	"protocols": "opens no database", "policy": "opens no database", "check": "opens no database",
	"serve":  "it is the program; what staff do through it is on record",
	"verify": "it writes nothing, so that it can look at a file that is not what it should be, and shows nobody",
}

// Every command that shows or changes something of the clinic's leaves a row from the
// command line.
func TestEveryCommandIsOnRecord(t *testing.T) {
	t.Parallel()
	p := newPremises(t, polling)
	p.takesOn("a note")
	if out := p.run(t.Context(), "staff", "add", "--config", p.config, "--handle", "keeper", "--name", "Invented Keeper", "--role", "administrator"); out.code != 0 {
		t.Fatal(out)
	}
	made, first := p.backsUp(p.folderFor("backups")), p.env[envKey]
	restored := filepath.Join(p.folder, "restored.sqlite")
	p.env[envNewKey] = seal.NewMasterKey()
	p.write(filepath.Join(p.folder, "lab.json"), labBundle)
	lines := map[string][]string{
		"staff":   {"staff", "add", "--config", p.config, "--handle", "quoy", "--name", "Bastian Quoy", "--role", "coordinator"},
		"read":    {"read", "--export-corrections", "--config", p.config},
		"audit":   {"audit", "--config", p.config, "--of", "P-105"},
		"records": {"records", "--config", p.config, "--of", "P-105", "--by", "orrel"},
		"export":  {"export", "--config", p.config, "--by", "orrel", "--as", "csv", "--list", "patients"},
		"import":  {"import", "--config", p.config, "--by", "orrel", "--as", "fhir", filepath.Join(p.folder, "lab.json")},
		"key":     {"key", "rotate", "--config", p.config},
		"erase":   {"erase", "--config", p.config, "--of", "P-105", "--by", "keeper", "--records", filepath.Join(p.folder, "hers"), "--as", "plain", "--confirm", "P-105"},
		"backup":  {"backup", "--config", p.config, "--to", filepath.Join(p.folder, "backups")},
		"restore": {"restore", "--from", made, "--to", restored},
	}
	for _, c := range commands {
		if _, off := offRecordCommands[c.name]; off {
			continue
		}
		line, known := lines[c.name]
		if !known {
			t.Errorf("%s is neither walked nor on the list of those that leave no row", c.name)
			continue
		}
		before, key := p.fromCommandLine(p.database), p.env[envKey]
		if c.name == "restore" {
			p.env[envKey] = first // the key of that time
		}
		if out := p.run(t.Context(), line...); out.code != 0 {
			t.Errorf("%s: %+v", c.name, out)
			continue
		}
		if c.name == "restore" {
			// Its row is in the file that it made, after those of taking two on: that the
			// backup was made came after it.
			if got := p.fromCommandLine(restored); got != 3 {
				t.Errorf("restore left %d rows in the file that it made", got-2)
			}
			p.env[envKey] = key
			continue
		}
		if c.name == "key" {
			p.env[envKey] = p.env[envNewKey]
		}
		if got := p.fromCommandLine(p.database); got != before+1 {
			t.Errorf("%s left %d rows", c.name, got-before)
		}
	}
	// After an erasure and a change of key there is nothing to find either.
	if out := p.run(t.Context(), "verify", "--config", p.config); out.code != 0 {
		t.Errorf("%+v", out)
	}
}

// fromCommandLine counts the rows of the record that come from the command line.
func (p *premises) fromCommandLine(path string) (n int) {
	p.t.Helper()
	db, err := store.View(context.Background(), path, clock.System{})
	if err != nil {
		p.t.Fatal(err)
	}
	defer db.Close()
	if err := db.Read(context.Background(), func(ctx context.Context, tx *store.Tx) error {
		return tx.Get(ctx, &n, `SELECT count(*) FROM staff_actions WHERE place = 'command'`)
	}); err != nil {
		p.t.Fatal(err)
	}
	return n
}
