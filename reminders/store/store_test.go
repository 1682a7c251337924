package store_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"database/sql"
	"errors"
	"flag"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/mattn/go-sqlite3"

	"handrail.example/reminders/clock"
	"handrail.example/reminders/store"
	"handrail.example/reminders/store/storetest"
)

func open(t *testing.T, clk clock.Clock, path string, d store.Durability) *store.DB {
	t.Helper()
	db, err := store.Open(t.Context(), path, d, clk)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	})
	return db
}

func TestStore(t *testing.T) {
	t.Parallel()
	for _, d := range []store.Durability{store.Full, store.Relaxed} {
		t.Run(string(d), func(t *testing.T) {
			t.Parallel()
			storetest.Run(t, func(t *testing.T, clk clock.Clock) *store.DB {
				return open(t, clk, filepath.Join(t.TempDir(), "clinic.sqlite"), d)
			})
		})
	}
}

func TestSettingsHoldOnTheWritingConnection(t *testing.T) {
	t.Parallel()
	db := open(t, clock.System{}, filepath.Join(t.TempDir(), "clinic.sqlite"), store.Full)
	want := map[string]string{"journal_mode": "wal", "synchronous": "2", "foreign_keys": "1", "busy_timeout": "5000",
		"secure_delete": "1", "recursive_triggers": "1", "query_only": "0"}
	got := make(map[string]string)
	if err := db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		for name := range want {
			var value string
			if err := tx.Get(ctx, &value, "PRAGMA "+name); err != nil {
				return err
			}
			got[name] = value
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func TestFileIsForItsOwnerOnly(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "clinic.sqlite")
	db := open(t, clock.System{}, path, store.Full)
	if err := db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error { return tx.SetNextOffset(ctx, "a", 1) }); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{path, path + "-wal", path + "-shm"} {
		info, err := os.Stat(name)
		if err != nil {
			t.Fatal(err)
		}
		if info.Mode().Perm() != 0o600 {
			t.Errorf("%s has mode %v, want 0600", filepath.Base(name), info.Mode().Perm())
		}
	}
}

func TestWhatIsWrittenIsThereAfterwards(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "with space & 100% ümlaut?.sqlite")
	db, err := store.Open(t.Context(), path, store.Full, clock.System{})
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error { return tx.SetNextOffset(ctx, "a", 7) }); err != nil {
		t.Fatal(err)
	}
	for range 2 { // closing twice is allowed
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := os.Stat(path); err != nil {
		t.Errorf("the file is not where it was named: %v", err)
	}
	again := open(t, clock.System{}, path, store.Full)
	if err := again.Read(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		if got, _, err := tx.NextOffset(ctx, "a"); err != nil || got != 7 {
			t.Errorf("got %d (%v), want 7", got, err)
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
}

func TestOpenRefuses(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		arrange func(t *testing.T, dir string) string // gives the path to open
		is      error
		says    string
	}{
		"noise": {func(t *testing.T, dir string) string {
			noise := make([]byte, 64<<10)
			_, _ = rand.Read(noise)
			return write(t, dir, noise)
		}, store.ErrDamaged, "restore the latest backup"},
		"a file cut short":    {func(t *testing.T, dir string) string { return cut(t, dir) }, store.ErrDamaged, "restore the latest backup"},
		"a file scribbled on": {func(t *testing.T, dir string) string { return scribbled(t, dir) }, store.ErrDamaged, "restore the latest backup"},
		"another program's": {func(t *testing.T, dir string) string {
			path := filepath.Join(dir, "clinic.sqlite")
			execute(t, path, `CREATE TABLE recipes (name TEXT)`)
			return path
		}, store.ErrForeign, "name another file"},
		"a newer version's": {func(t *testing.T, dir string) string {
			path := whole(t, dir)
			execute(t, path, `INSERT INTO schema_version (version_id, is_applied) VALUES (99999, 1)`)
			return path
		}, store.ErrNewer, "start that version"},
		"a folder that is missing": {func(_ *testing.T, dir string) string { return filepath.Join(dir, "none", "clinic.sqlite") }, nil, "create it, or name another file"},
		"a folder for a file":      {func(_ *testing.T, dir string) string { return dir }, nil, "is a folder: name a file"},
		"a file beneath a file": {func(t *testing.T, dir string) string {
			return filepath.Join(write(t, dir, []byte("x")), "clinic.sqlite")
		}, nil, "create it, or name another file"},
		"a file that nobody may read": {func(t *testing.T, dir string) string {
			if os.Geteuid() == 0 {
				t.Skip("skipped: this test runs as root, who may read everything")
			}
			path := write(t, dir, nil)
			if err := os.Chmod(path, 0); err != nil {
				t.Fatal(err)
			}
			return path
		}, nil, "check its owner and permissions"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			db, err := store.Open(t.Context(), c.arrange(t, t.TempDir()), store.Full, clock.System{})
			if err == nil {
				_ = db.Close()
				t.Fatal("it was opened")
			}
			if c.is != nil && !errors.Is(err, c.is) {
				t.Errorf("got %v, want %v", err, c.is)
			}
			if !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "\n") {
				t.Errorf("it says %q, want one sentence with %q", err, c.says)
			}
		})
	}
}

// Settings that do not take hold, as on some network disks, end Open with the
// reason, and leave nothing open.
func TestOpenRefusesSettingsThatDoNotHold(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "clinic.sqlite")
	db, err := store.Open(t.Context(), path, "NORMAL", clock.System{})
	if err == nil {
		_ = db.Close()
		t.Fatal("it was opened")
	}
	if want := `synchronous "1"`; !strings.Contains(err.Error(), want) {
		t.Errorf("got %v, want it to name %s", err, want)
	}
	open(t, clock.System{}, path, store.Full)
}

func TestNothingIsWrittenAfterClose(t *testing.T) {
	t.Parallel()
	db := open(t, clock.System{}, filepath.Join(t.TempDir(), "clinic.sqlite"), store.Full)
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	put := func(ctx context.Context, tx *store.Tx) error { return tx.SetNextOffset(ctx, "a", 1) }
	if err := db.Within(context.Background(), put); err == nil {
		t.Error("a closed store was written to")
	}
	if err := db.Read(context.Background(), put); err == nil {
		t.Error("a closed store was read")
	}
}

func write(t *testing.T, dir string, content []byte) string {
	t.Helper()
	path := filepath.Join(dir, "clinic.sqlite")
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// whole is a sound file with some rows in it.
func whole(t *testing.T, dir string) string {
	t.Helper()
	path := filepath.Join(dir, "clinic.sqlite")
	db, err := store.Open(t.Context(), path, store.Full, clock.System{})
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		for i := range 2000 {
			if err := tx.SetNextOffset(ctx, strings.Repeat("source", 1+i%30)+string(rune('a'+i%26)), int64(i)); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

func cut(t *testing.T, dir string) string {
	path := whole(t, dir)
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, info.Size()/2); err != nil {
		t.Fatal(err)
	}
	return path
}

func scribbled(t *testing.T, dir string) string {
	path := whole(t, dir)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	copy(b[4096:], bytes.Repeat([]byte{0xff}, len(b)-4096))
	return write(t, dir, b)
}

func execute(t *testing.T, path, query string) {
	t.Helper()
	db, err := sql.Open("sqlite3", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if _, err := db.Exec(query); err != nil {
		t.Fatal(err)
	}
}

// Another process holds the file: the error is of the passing kind, and what
// comes after it is whole again.
func TestLockedByAnotherProcess(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "clinic.sqlite")
	db := open(t, clock.System{}, path, store.Full)
	other, err := sql.Open("sqlite3", "file:"+path+"?_txlock=immediate")
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	lock, err := other.Begin()
	if err != nil {
		t.Fatal(err)
	}
	put := func(ctx context.Context, tx *store.Tx) error { return tx.SetNextOffset(ctx, "a", 1) }
	err = db.Within(t.Context(), put) // after the busy time-out of five seconds
	if !store.Busy(err) {
		t.Errorf("got %v, want an error that Busy knows", err)
	}
	if err := lock.Rollback(); err != nil {
		t.Fatal(err)
	}
	if err := db.Within(t.Context(), put); err != nil {
		t.Errorf("after the lock was gone: %v", err)
	}
}

// The database undoes a whole transaction when the disk is full. What comes after
// the failed statement must not stand alone, even if its error is passed over.
func TestDiskFullUndoesEverything(t *testing.T) {
	t.Parallel()
	db := open(t, clock.System{}, filepath.Join(t.TempDir(), "clinic.sqlite"), store.Full)
	err := db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		if err := tx.SetNextOffset(ctx, "before", 1); err != nil {
			return err
		}
		var pages int
		if err := tx.Get(ctx, &pages, "PRAGMA page_count"); err != nil {
			return err
		}
		// The least that it takes: what is in use.
		var limit int
		if err := tx.Get(ctx, &limit, "PRAGMA max_page_count = 1"); err != nil {
			return err
		}
		for i := 0; ; i++ {
			if err := tx.SetNextOffset(ctx, strings.Repeat("x", 900)+string(rune('a'+i%26))+strings.Repeat("y", i), 1); err != nil {
				break // passed over, as no caller should
			}
			if i > 10_000 {
				t.Fatal("the disk never filled")
			}
		}
		_ = tx.SetNextOffset(ctx, "after", 1)
		return nil
	})
	if !store.Busy(err) {
		t.Errorf("got %v, want an error that Busy knows", err)
	}
	if err := db.Read(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		for _, name := range []string{"before", "after"} {
			if _, known, err := tx.NextOffset(ctx, name); err != nil || known {
				t.Errorf("%s: known %v, error %v; want nothing kept", name, known, err)
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
}

func TestBusyKnowsWhatPasses(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		err  error
		want bool
	}{
		"locked by another":   {sqlite3.Error{Code: sqlite3.ErrBusy}, true},
		"locked by ourselves": {sqlite3.Error{Code: sqlite3.ErrLocked}, true},
		"disk full":           {sqlite3.Error{Code: sqlite3.ErrFull}, true},
		"input or output":     {sqlite3.Error{Code: sqlite3.ErrIoErr}, true},
		"a breach":            {sqlite3.Error{Code: sqlite3.ErrConstraint}, false},
		"damage":              {sqlite3.Error{Code: sqlite3.ErrCorrupt}, false},
		"something else":      {errors.New("else"), false},
		"nothing":             {nil, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got := store.Busy(c.err); got != c.want {
				t.Errorf("got %v, want %v", got, c.want)
			}
		})
	}
}

func FuzzTimeScan(f *testing.F) {
	for _, seed := range []string{"2026-03-02T08:00:00.000Z", "2026-03-02T08:00:00Z", "0000-01-01T0:00:00,000Z", "", "2026-02-30T08:00:00.000Z", "x"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, s string) {
		var at store.Time
		if at.Scan(s) != nil || at.IsZero() {
			return
		}
		if v, err := at.Value(); err != nil || v != s {
			t.Errorf("%q was read and written as %v (%v)", s, v, err)
		}
	})
}

var update = flag.Bool("update", false, "write the dumps of the schema anew")

// TestSchemaDump keeps what each landed migration makes, so that later versions
// can be tried on it. A dump that has landed must never change.
func TestSchemaDump(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "clinic.sqlite")
	open(t, clock.System{}, path, store.Full)
	got := dump(t, path)
	golden := filepath.Join("..", "..", "testdata", "schemas", newest(t)+".sql")
	if *update {
		if err := os.MkdirAll(filepath.Dir(golden), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("the schema is not the one on record; write a new migration, or -update if this one has not landed (-want +got):\n%s", diff)
	}
}

// newest is the number of the last migration.
func newest(t *testing.T) string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join("migrations", "*.sql"))
	if err != nil || len(names) == 0 {
		t.Fatal("no migrations found", err)
	}
	number, _, _ := strings.Cut(filepath.Base(slices.Max(names)), "_")
	return number
}

// dump writes a schema as statements that make it again.
func dump(t *testing.T, path string) string {
	t.Helper()
	db, err := sql.Open("sqlite3", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	rows, err := db.Query(`SELECT sql FROM sqlite_master WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite_%' ORDER BY rowid`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var b strings.Builder
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			t.Fatal(err)
		}
		b.WriteString(s + ";\n")
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// Whoever cuts the file short, moves it or puts another one in its place has nothing
// more written to it, until what was there is back.
func TestFileIsNotTheOneThatWasOpened(t *testing.T) {
	t.Parallel()
	for name, harm := range map[string]func(path string, was []byte) error{
		"cut short": func(path string, was []byte) error { return os.Truncate(path, int64(len(was)/2)) },
		"moved":     func(path string, _ []byte) error { return os.Rename(path, path+".away") },
		"replaced": func(path string, was []byte) error {
			return errors.Join(os.Rename(path, path+".away"), os.WriteFile(path, was, 0o600))
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			path := filepath.Join(t.TempDir(), "clinic.sqlite")
			db, err := store.Open(t.Context(), path, store.Full, clock.System{})
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = db.Close() })
			write := func() error {
				return db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error { return tx.SetNextOffset(ctx, "test", 1) })
			}
			if err := write(); err != nil {
				t.Fatal(err)
			}
			was, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if err := harm(path, was); err != nil {
				t.Fatal(err)
			}
			for range 2 {
				if err := write(); !errors.Is(err, store.ErrCut) {
					t.Fatalf("wrote on: %v", err)
				}
			}
		})
	}
}
