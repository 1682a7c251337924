package main

import (
	"database/sql"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"handrail.example/reminders/backup"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

// TestKilledWhileKeepingSafe kills the real program (SIGKILL) at random moments of a
// backup, a restore and an upgrade, and finds what was there before or what should be
// there after, and never a half of it.
func TestKilledWhileKeepingSafe(t *testing.T) {
	t.Parallel()
	v := newVictim(t)
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 0))
	folder := filepath.Join(v.folder, "backups")
	if err := os.Mkdir(folder, 0o700); err != nil {
		t.Fatal(err)
	}
	t.Run("a backup", func(t *testing.T) { v.killBackups(t, rnd, folder) })
	t.Run("a restore", func(t *testing.T) { v.killRestores(t, rnd, folder) })
	t.Run("an upgrade", func(t *testing.T) { v.killUpgrades(t, rnd) })
}

// timed runs a command to its end and says how long it took.
func (v *victim) timed(t *testing.T, args ...string) time.Duration {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), v.binary, args...)
	cmd.Env = v.env
	begun := time.Now()
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %v\n%s", args, err, out)
	}
	return time.Since(begun)
}

// killed runs a command and kills it within about the time that it takes; it reports
// whether it had come to its end before.
func (v *victim) killed(t *testing.T, rnd *rand.Rand, takes time.Duration, args ...string) (ended bool) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), v.binary, args...)
	cmd.Env = v.env
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	time.Sleep(time.Duration(rnd.Int64N(int64(takes + takes/8))))
	_ = cmd.Process.Kill()
	_ = cmd.Wait()
	return cmd.ProcessState.ExitCode() >= 0
}

func (v *victim) backupKey(t *testing.T) []byte {
	t.Helper()
	key, err := seal.BackupKey(v.setting.master)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func (v *victim) killBackups(t *testing.T, rnd *rand.Rand, folder string) {
	stop := v.start(t) // it serves meanwhile
	defer stop()
	args := []string{"backup", "--config", v.config, "--to", folder}
	takes := v.timed(t, args...)
	proved, cut := make(map[string]bool), 0
	for range kills(t) {
		v.write(t, rnd.IntN(len(v.chats)))
		if !v.killed(t, rnd, takes, args...) {
			cut++
		}
		all, err := backup.List(folder)
		if err != nil {
			t.Fatal(err)
		}
		for _, b := range all {
			if proved[b.Path] {
				continue
			}
			v.prove(t, b.Path)
			proved[b.Path] = true
		}
	}
	v.timed(t, args...)
	left, err := filepath.Glob(filepath.Join(folder, ".*"))
	beside, err2 := filepath.Glob(v.setting.database + ".being-*")
	if len(left)+len(beside) > 0 || err != nil || err2 != nil {
		t.Errorf("left behind after the next backup: %q %q", left, beside)
	}
	if cut < kills(t)/4 {
		t.Errorf("only %d were cut short: this proves little", cut)
	}
	t.Logf("%d cut short, %d backups, each whole", cut, len(proved)+1)
}

// prove opens a backup and reads all of it.
func (v *victim) prove(t *testing.T, path string) {
	t.Helper()
	to := filepath.Join(t.TempDir(), "proved.sqlite")
	m, err := backup.Extract(path, v.backupKey(t), to)
	if err != nil {
		t.Errorf("half a backup under a backup's name: %v", err)
		return
	}
	state, err := store.Examine(t.Context(), to)
	if err != nil || len(state.Faults) > 0 || !maps.Equal(state.Rows, m.Rows) {
		t.Errorf("%+v: %v", state, err)
	}
}

func (v *victim) killRestores(t *testing.T, rnd *rand.Rand, folder string) {
	all, err := backup.List(folder)
	if err != nil || len(all) == 0 {
		t.Fatal("no backup", err)
	}
	target := filepath.Join(t.TempDir(), "restored.sqlite")
	args := []string{"restore", "--from", all[0].Path, "--to", target}
	takes := v.timed(t, args...)
	whole, none := 0, 0
	for range kills(t) {
		if err := os.Remove(target); err != nil && !os.IsNotExist(err) {
			t.Fatal(err)
		}
		v.killed(t, rnd, takes, args...)
		if _, err := os.Lstat(target); os.IsNotExist(err) {
			none++
			continue
		}
		whole++
		state, err := store.Examine(t.Context(), target)
		if err != nil || len(state.Faults) > 0 || state.Rows["restores"] != 1 || state.Rows["patients"] != theirNumber || state.Schema != store.Schema() {
			t.Errorf("half a database under its name: %+v: %v", state, err)
		}
		for _, suffix := range []string{"-wal", "-shm"} {
			_ = os.Remove(target + suffix) // of the look that was just taken
		}
	}
	_ = os.Remove(target)
	v.timed(t, args...) // what the last kill left stands in nobody's way
	if left, err := filepath.Glob(target + ".being-*"); err != nil || len(left) > 0 {
		t.Errorf("left behind: %q %v", left, err)
	}
	if none == 0 {
		t.Error("none was cut short: this proves nothing")
	}
	t.Logf("%d times there was nothing, %d times the whole", none, whole)
}

func (v *victim) killUpgrades(t *testing.T, rnd *rand.Rand) {
	old := asOf(t, 4, v.setting.database)
	many, err := sql.Open("sqlite3", old)
	if err != nil {
		t.Fatal(err)
	}
	// Long enough to be cut short in the middle.
	if _, err := many.Exec(`INSERT INTO staff (id, person_id, handle, name, role, languages, created_at) VALUES (900, 2, 'x', x'00', 'lead', 'en', '2026-03-01T08:00:00.000Z');
		WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 15000)
		INSERT INTO staff_actions (at, staff_id, action) SELECT '2026-03-01T08:00:00.000Z', 900, 'see_cases' FROM n`); err != nil {
		t.Fatal(err)
	}
	many.Close()
	before, err := store.Examine(t.Context(), old)
	if err != nil {
		t.Fatal(err)
	}
	content, err := os.ReadFile(old)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "clinic.sqlite")
	config := filepath.Join(t.TempDir(), "config.yaml")
	if err := os.WriteFile(config, fmt.Appendf(nil, "database: %s\n", path), 0o600); err != nil {
		t.Fatal(err)
	}
	fresh := func() {
		t.Helper()
		for _, suffix := range []string{"-wal", "-shm", "-journal"} {
			_ = os.Remove(path + suffix)
		}
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	args := []string{"audit", "--config", config, "--from", "2020-01-01", "--to", "2020-01-01"}
	fresh()
	takes := v.timed(t, args...)
	counts := make(map[int64]int)
	for range kills(t) {
		fresh()
		v.killed(t, rnd, takes, args...)
		state, err := store.Examine(t.Context(), path)
		if err != nil || len(state.Faults) > 0 || state.Schema != 4 && state.Schema != store.Schema() {
			t.Errorf("half an upgrade: %+v: %v", state, err)
			continue
		}
		counts[state.Schema]++
		for table, n := range before.Rows {
			if got := state.Rows[table]; got < n || table != "schema_version" && !strings.HasPrefix(table, "staff") && table != "people" && got != n {
				t.Errorf("schema %d: %d rows in %s, there were %d", state.Schema, got, table, n)
			}
		}
	}
	t.Logf("schemas found: %v", counts)
}
