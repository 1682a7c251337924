package main

import (
	"bufio"
	"context"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"handrail.example/reminders/store"
)

// cuts is how many power cuts are tried.
const cuts = 40

// TestPowerCut records every write and every sync of the real program's database
// files with strace, and then makes of them what a power cut at a random moment may
// leave: what was synced before, and of later writes any, whole or torn off at a
// sector. From each the program must start, hold all that it had confirmed to the
// platform by then, have marked all that it had sent, and have done for each message
// everything or nothing.
func TestPowerCut(t *testing.T) {
	t.Parallel()
	strace, err := exec.LookPath("strace")
	if err != nil {
		t.Skip("strace is not installed: what a power cut leaves cannot be replayed without it")
	}
	// Where it may not trace, it fails on anything; later a failure is the program's.
	if err := exec.Command(strace, "-o", os.DevNull, "true").Run(); err != nil {
		t.Skipf("strace does not trace here (%v): what a power cut leaves cannot be replayed", err)
	}
	v := newVictim(t)
	before, err := os.ReadFile(v.setting.database)
	if err != nil {
		t.Fatal(err)
	}
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 0))
	disk := v.record(t, strace, rnd)
	disk.before = before
	if len(disk.deeds) < 1000 || v.total() < 50 {
		t.Fatalf("only %d writes and %d messages: this proves nothing", len(disk.deeds), v.total())
	}
	t.Logf("%d messages, %d writes and syncs", v.total(), len(disk.deeds))
	for range cuts {
		at := 1 + rnd.IntN(len(disk.deeds)-1)
		w := *v
		w.setting.database = disk.cut(t, rnd, at)
		w.setting.durability = store.Relaxed
		w.auditCut(t, disk.deeds[at].at)
	}
}

// record runs the program under strace for some seconds in which people write.
func (v *victim) record(t *testing.T, strace string, rnd *rand.Rand) recordedDisk {
	t.Helper()
	log := filepath.Join(v.folder, "writes")
	cmd := exec.CommandContext(t.Context(), strace, "-f", "-ttt", "-y", "-xx", "-s", "100000", "-qq", "-e", "signal=none",
		"-e", "trace=pwrite64,ftruncate,fsync,fdatasync,unlink", "-o", log, v.binary, "serve", "--config", v.config)
	cmd.Env = v.env
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	for until := time.Now().Add(6 * time.Second); time.Now().Before(until); {
		v.write(t, rnd.IntN(len(v.chats)))
		time.Sleep(time.Duration(rnd.IntN(60)) * time.Millisecond)
	}
	v.waitForRest(t)
	if err := syscall.Kill(-cmd.Process.Pid, syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Fatalf("the program did not end well under strace: %v", err)
	}
	return readDeeds(t, log, v.setting.database)
}

// recordedDisk is what was done to two files, by their names.
type recordedDisk struct {
	database string
	before   []byte
	deeds    []deed
}

// deed is one thing done to a file.
type deed struct {
	at   time.Time
	file string
	what string // pwrite64, ftruncate, sync or unlink
	from int64  // where, or the new length
	data []byte
}

// The lines of strace. A sync is done when it returns, which may be on a line of
// its own.
var (
	callLine    = regexp.MustCompile(`^(\d+)\s+(\d+)\.(\d+) (\w+)\((?:\d+<([^>]*)>|"([^"]*)")(?:, "([^"]*)")?(?:, (\d+))?(?:, (\d+))?(.*)$`)
	resumedLine = regexp.MustCompile(`^(\d+)\s+(\d+)\.(\d+) <\.\.\. f(?:data)?sync resumed`)
)

func readDeeds(t *testing.T, log, database string) recordedDisk {
	t.Helper()
	f, err := os.Open(log)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	d := recordedDisk{database: database}
	waits := make(map[string]deed) // syncs that have not returned, by thread
	lines := bufio.NewScanner(f)
	lines.Buffer(nil, 1<<24)
	for lines.Scan() {
		if m := resumedLine.FindStringSubmatch(lines.Text()); m != nil {
			if s, known := waits[m[1]]; known {
				s.at = stamp(m[2], m[3])
				d.deeds = append(d.deeds, s)
				delete(waits, m[1])
			}
			continue
		}
		m := callLine.FindStringSubmatch(lines.Text())
		if m == nil {
			continue
		}
		x := deed{at: stamp(m[2], m[3]), file: string(unhex(t, m[5]+m[6])), what: m[4]}
		if x.file != database && x.file != database+"-wal" {
			continue
		}
		switch x.what {
		case "pwrite64":
			x.data, x.from = unhex(t, m[7]), number(t, m[9])
		case "ftruncate":
			x.from = number(t, m[8])
		case "fsync", "fdatasync":
			if x.what = "sync"; strings.Contains(m[10], "unfinished") {
				waits[m[1]] = x
				continue
			}
		}
		d.deeds = append(d.deeds, x)
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
	return d
}

func stamp(seconds, micros string) time.Time {
	s, _ := strconv.ParseInt(seconds, 10, 64)
	m, _ := strconv.ParseInt(micros, 10, 64)
	return time.Unix(s, m*1000)
}

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, `\x`, ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func number(t *testing.T, s string) int64 {
	t.Helper()
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// cut is a copy of the files as a power cut before a deed may leave them.
func (d recordedDisk) cut(t *testing.T, rnd *rand.Rand, at int) (database string) {
	t.Helper()
	database = filepath.Join(t.TempDir(), "clinic.sqlite")
	for _, suffix := range []string{"", "-wal"} {
		var content []byte
		if suffix == "" {
			content = append(content, d.before...)
		}
		synced := 0
		for i, x := range d.deeds[:at] {
			if x.file == d.database+suffix && x.what == "sync" {
				synced = i
			}
		}
		for i, x := range d.deeds[:at] {
			if x.file != d.database+suffix || i > synced && rnd.IntN(2) == 0 {
				continue
			}
			if i > synced && rnd.IntN(4) == 0 {
				x.data = x.data[:rnd.IntN(len(x.data)/512+1)*512]
			}
			content = x.apply(content)
		}
		if suffix != "" && content == nil {
			continue
		}
		if err := os.WriteFile(database+suffix, content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return database
}

func (x deed) apply(content []byte) []byte {
	switch x.what {
	case "pwrite64":
		if grow := int(x.from) + len(x.data) - len(content); grow > 0 {
			content = append(content, make([]byte, grow)...)
		}
		copy(content[x.from:], x.data)
	case "ftruncate":
		content = append(content, make([]byte, max(0, int(x.from)-len(content)))...)[:x.from]
	case "unlink":
		return nil
	}
	return content
}

// auditCut looks at what a power cut at an instant has left.
func (v *victim) auditCut(t *testing.T, at time.Time) {
	t.Helper()
	confirmed, sent := int64(0), 0
	for _, c := range v.server.Calls() {
		switch {
		case !c.At.Before(at):
		case strings.EqualFold(c.Method, "getUpdates"):
			next, _ := strconv.ParseInt(c.Params["offset"], 10, 64)
			confirmed = max(confirmed, next)
		case strings.EqualFold(c.Method, "sendMessage"):
			sent++
		}
	}
	v.open(t, func(ctx context.Context, _ *app, tx *store.Tx) error {
		var kept, marked, torn int
		for _, id := range v.updates {
			var there int
			if err := tx.Get(ctx, &there, `SELECT count(*) FROM inbox WHERE external_id = ?`, fmt.Sprint(id)); err != nil {
				return err
			}
			if kept += there; there == 0 && id < confirmed {
				t.Errorf("update %d was confirmed and is lost", id)
			}
		}
		if err := tx.Get(ctx, &marked, `SELECT count(*) FROM outbox WHERE state IN ('sending', 'sent')`); err != nil {
			return err
		}
		if marked < sent {
			t.Errorf("%d messages had been sent and only %d are marked: the others would be sent again as if for the first time", sent, marked)
		}
		// Handled with a case and an answer, or waiting with neither.
		if err := tx.Get(ctx, &torn, `SELECT count(*) FROM inbox i WHERE (state = 'handled') <> ((SELECT count(*) FROM cases WHERE key LIKE 'inbox/' || i.id || '/%')
			+ (SELECT count(*) FROM case_events WHERE cause LIKE 'inbox/' || i.id || '/%' AND what = 'wrote') = 1)
			OR (state = 'handled') <> EXISTS (SELECT 1 FROM outbox WHERE topic = 'inbox/' || i.id)`); err != nil {
			return err
		}
		if torn > 0 {
			t.Errorf("of %d messages %d are half done", kept, torn)
		}
		return nil
	})
}
