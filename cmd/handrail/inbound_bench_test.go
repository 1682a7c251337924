package main

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"handrail.example/dialog"
	"handrail.example/reminders/store"
)

// day is how many messages the writers send before the clinic is put back to
// where it was.
const day = 20 * writers

// together is how many messages are handled in one commit.
const together = 20

// BenchmarkInbound is a patient's message, from the raw update to its committed
// effects and the queued reply, on the disk of the test folder. Like the program,
// all four commit twice: what came in, before it is confirmed to the platform, and
// then what follows from it. The floor writes the very same rows, which were
// recorded while the program handled the same messages, by prepared statements on
// a connection of its own. Each reports what a commit of one page takes on this
// disk, and the floors the rate of ours beside theirs.
func BenchmarkInbound(b *testing.B) {
	for _, patients := range []int{100, 100_000} {
		b.Run(fmt.Sprintf("patients=%d", patients), func(b *testing.B) {
			c := newBenchClinic(b, patients)
			writes := c.record(b)
			for _, kind := range []struct {
				suffix string
				n      int
			}{{"", 1}, {"_group", together}} {
				var ours time.Duration
				b.Run("ours"+kind.suffix, func(b *testing.B) { ours = c.ours(b, kind.n) })
				b.Run("floor"+kind.suffix, func(b *testing.B) {
					floor := c.floor(b, writes, kind.n)
					b.ReportMetric(float64(floor)/float64(ours), "ours/floor")
					b.ReportMetric(float64((ours - floor).Microseconds()), "ours-above-µs")
				})
			}
		})
	}
}

// perDay runs handle for each message, b.N in all, in groups of n, and has fresh
// put the clinic back, unmeasured, before the first of each day. It reports the
// time per message.
func perDay(b *testing.B, n int, fresh func(), handle func(from, to int)) time.Duration {
	at, cpu := day, time.Duration(0)
	for i := 0; i < b.N; i += n {
		if at == day {
			b.StopTimer()
			fresh()
			at = 0
			b.StartTimer()
		}
		start := cpuTime()
		handle(at, at+n)
		cpu += cpuTime() - start
		at += n
	}
	per := b.Elapsed() / time.Duration(b.N)
	b.ReportMetric(float64(cpu)/float64(b.N), "cpu-ns/op")
	b.ReportMetric(float64(fsyncTime(b)), "fsync-ns")
	return per
}

func (c *benchClinic) ours(b *testing.B, n int) time.Duration {
	b.ReportAllocs()
	var a *app
	var arrivals []dialog.Arrival
	var took time.Duration
	defer func() { a.db.Close() }()
	per := perDay(b, n, func() {
		if a != nil {
			a.db.Close()
		}
		a = c.open(b, c.fresh(b), store.Full, nil)
		arrivals = c.day()
	}, func(from, to int) {
		start := time.Now()
		if err := a.intake.Take(b.Context(), arrivals[from:to]); err != nil {
			b.Fatal(err)
		}
		took += time.Since(start)
		if _, err := a.worker.Tick(b.Context()); err != nil {
			b.Fatal(err)
		}
	})
	b.ReportMetric(float64(took)/float64(b.N), "intake-ns/op")
	return per
}

func (c *benchClinic) day() []dialog.Arrival {
	all := make([]dialog.Arrival, day)
	for n := range all {
		all[n] = c.update(n)
	}
	return all
}

// floor replays what was written for each message: first what the intake wrote,
// then all else.
func (c *benchClinic) floor(b *testing.B, writes [][2][]write, n int) time.Duration {
	b.ReportAllocs()
	var f *bare
	var took time.Duration
	defer func() { f.db.Close() }()
	per := perDay(b, n, func() {
		if f != nil {
			f.db.Close()
		}
		f = openBare(b, c.fresh(b))
	}, func(from, to int) {
		start := time.Now()
		f.replay(b, writes[from:to], 0)
		took += time.Since(start)
		f.replay(b, writes[from:to], 1)
	})
	b.ReportMetric(float64(took)/float64(b.N), "intake-ns/op")
	return per
}

// bare is a connection with the settings of the store and statements that stay
// prepared.
type bare struct {
	db    *sql.DB
	stmts map[string]*sql.Stmt
}

func openBare(b *testing.B, file string) *bare {
	b.Helper()
	db, err := sql.Open("sqlite3", "file:"+file+"?_journal_mode=WAL&_synchronous=FULL&_busy_timeout=5000&_foreign_keys=on&_txlock=immediate"+
		"&_cache_size=-65536&_secure_delete=on&_recursive_triggers=on")
	if err != nil {
		b.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	return &bare{db, make(map[string]*sql.Stmt)}
}

// replay writes one part of what each message wrote, in one transaction.
func (f *bare) replay(b *testing.B, writes [][2][]write, part int) {
	for _, w := range writes {
		for _, w := range w[part] {
			f.prepare(b, w.query)
		}
	}
	tx, err := f.db.Begin()
	if err != nil {
		b.Fatal(err)
	}
	for _, w := range writes {
		for _, w := range w[part] {
			if _, err := tx.Stmt(f.stmts[w.query]).Exec(w.args...); err != nil {
				b.Fatal(err, w.query)
			}
		}
	}
	if err := tx.Commit(); err != nil {
		b.Fatal(err)
	}
}

func (f *bare) prepare(b *testing.B, query string) {
	if f.stmts[query] != nil {
		return
	}
	s, err := f.db.Prepare(query)
	if err != nil {
		b.Fatal(err)
	}
	f.stmts[query] = s
}

// cpuTime is the time on processors that this process has had: unlike the time on
// the wall it does not depend on what else the machine has to do.
func cpuTime() time.Duration {
	var use syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &use); err != nil {
		return 0
	}
	return time.Duration(use.Utime.Nano() + use.Stime.Nano())
}

// fsyncTime is what it takes to put a page on the disk.
func fsyncTime(b *testing.B) time.Duration {
	b.Helper()
	f, err := os.Create(filepath.Join(b.TempDir(), "page"))
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	const n = 50
	page := make([]byte, 4096)
	start := time.Now()
	for range n {
		if _, err := f.Write(page); err != nil {
			b.Fatal(err)
		}
		if err := f.Sync(); err != nil {
			b.Fatal(err)
		}
	}
	return time.Since(start) / n
}

// write is one row written.
type write struct {
	query string
	args  []any
}

// record has the program handle a day, and notes each row that it writes: what the
// intake writes for each message, and what its handling does. It proves that
// replaying this gives the same rows.
func (c *benchClinic) record(b *testing.B) [][2][]write {
	b.Helper()
	file := c.fresh(b)
	a := c.open(b, file, store.Relaxed, nil)
	defer a.db.Close()
	tables := watch(b, a.db)
	all := make([][2][]write, day)
	for n, u := range c.day() {
		if err := a.intake.Take(b.Context(), []dialog.Arrival{u}); err != nil {
			b.Fatal(err)
		}
		all[n][0] = noted(b, a.db, tables)
		if _, err := a.worker.Tick(b.Context()); err != nil {
			b.Fatal(err)
		}
		all[n][1] = noted(b, a.db, tables)
	}
	again := c.fresh(b)
	f := openBare(b, again)
	f.replay(b, all, 0)
	f.replay(b, all, 1)
	same(b, f.db, file, tables)
	if err := f.db.Close(); err != nil {
		b.Fatal(err)
	}
	return all
}

// table is a table and its columns, the first being its key.
type table struct {
	name    string
	columns []string
}

// watch has the writing connection note every column that a row is given.
func watch(b *testing.B, db *store.DB) map[string]table {
	b.Helper()
	tables := make(map[string]table)
	if err := db.Within(b.Context(), func(ctx context.Context, tx *store.Tx) error {
		if _, err := tx.Exec(ctx, `CREATE TEMP TABLE noted (n INTEGER PRIMARY KEY, tab TEXT, op TEXT, id ANY, col TEXT, val ANY)`); err != nil {
			return err
		}
		var names []string
		if err := tx.Select(ctx, &names, `SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' AND name <> 'schema_version'`); err != nil {
			return err
		}
		for _, name := range names {
			t := table{name: name}
			if err := tx.Select(ctx, &t.columns, `SELECT name FROM pragma_table_info(?) ORDER BY pk = 0, cid`, name); err != nil {
				return err
			}
			tables[name] = t
			for _, trigger := range t.triggers() {
				if _, err := tx.Exec(ctx, trigger); err != nil {
					return err
				}
			}
		}
		return nil
	}); err != nil {
		b.Fatal(err)
	}
	return tables
}

func (t table) triggers() []string {
	insert, update := "", ""
	for _, c := range t.columns {
		insert += fmt.Sprintf("INSERT INTO noted (tab, op, id, col, val) VALUES ('%s', 'INSERT', NEW.%s, '%s', NEW.%s);\n", t.name, t.columns[0], c, c)
		update += fmt.Sprintf("INSERT INTO noted (tab, op, id, col, val) SELECT '%s', 'UPDATE', NEW.%s, '%s', NEW.%s WHERE OLD.%s IS NOT NEW.%s;\n", t.name, t.columns[0], c, c, c, c)
	}
	return []string{
		fmt.Sprintf("CREATE TEMP TRIGGER note_insert_%s AFTER INSERT ON main.%s BEGIN %s END", t.name, t.name, insert),
		fmt.Sprintf("CREATE TEMP TRIGGER note_update_%s AFTER UPDATE ON main.%s BEGIN %s END", t.name, t.name, update),
		fmt.Sprintf("CREATE TEMP TRIGGER note_delete_%s AFTER DELETE ON main.%s BEGIN INSERT INTO noted (tab, op, id) VALUES ('%s', 'DELETE', OLD.%s); END",
			t.name, t.name, t.name, t.columns[0]),
	}
}

// noted turns what was noted since the last call into statements.
func noted(b *testing.B, db *store.DB, tables map[string]table) []write {
	b.Helper()
	var notes []struct {
		Tab, Op string
		ID      any
		Col     *string
		Val     any
	}
	if err := db.Within(b.Context(), func(ctx context.Context, tx *store.Tx) error {
		if err := tx.Select(ctx, &notes, `SELECT tab, op, id, col, val FROM noted ORDER BY n`); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `DELETE FROM noted`)
		return err
	}); err != nil {
		b.Fatal(err)
	}
	var all []write
	for i := 0; i < len(notes); {
		first := notes[i]
		t := tables[first.Tab]
		if first.Op == "DELETE" {
			all = append(all, write{fmt.Sprintf("DELETE FROM %s WHERE %s = ?", t.name, t.columns[0]), []any{first.ID}})
			i++
			continue
		}
		var cols []string
		var args []any
		for ; i < len(notes) && notes[i].Tab == first.Tab && notes[i].Op == first.Op && notes[i].ID == first.ID && !slices.Contains(cols, *notes[i].Col); i++ {
			cols, args = append(cols, *notes[i].Col), append(args, notes[i].Val)
		}
		if first.Op == "INSERT" {
			all = append(all, write{fmt.Sprintf("INSERT INTO %s (%s) VALUES (?%s)", t.name, strings.Join(cols, ", "), strings.Repeat(", ?", len(cols)-1)), args})
		} else {
			all = append(all, write{fmt.Sprintf("UPDATE %s SET %s = ? WHERE %s = ?", t.name, strings.Join(cols, " = ?, "), t.columns[0]), append(args, first.ID)})
		}
	}
	return all
}

// same fails unless two files hold the same rows.
func same(b *testing.B, db *sql.DB, other string, tables map[string]table) {
	b.Helper()
	if _, err := db.Exec(`ATTACH ? AS other`, other); err != nil {
		b.Fatal(err)
	}
	for name := range tables {
		var differ int
		if err := db.QueryRow(fmt.Sprintf(`SELECT count(*) FROM (SELECT * FROM main.%[1]s EXCEPT SELECT * FROM other.%[1]s
			UNION ALL SELECT * FROM (SELECT * FROM other.%[1]s EXCEPT SELECT * FROM main.%[1]s))`, name)).Scan(&differ); err != nil || differ > 0 {
			b.Fatalf("the floor leaves %d rows of %s otherwise than the program does: %v", differ, name, err)
		}
	}
}
