package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"

	"handrail.example/reminders/clock"
)

// dumps are the schemas that landed, by number.
func dumps(t *testing.T) map[int64]string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join("..", "..", "testdata", "schemas", "*.sql"))
	if err != nil || len(names) < 5 {
		t.Fatalf("%d dumps: %v", len(names), err)
	}
	all := make(map[int64]string)
	for _, name := range names {
		n, err := strconv.ParseInt(strings.TrimSuffix(filepath.Base(name), ".sql"), 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		all[n] = string(b)
	}
	return all
}

// older is a file of an older schema, with rows in its tables.
func older(t *testing.T, n int64, schema string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "clinic.sqlite")
	db := raw(t, path)
	run := func(query string) {
		t.Helper()
		if _, err := db.Exec(query); err != nil {
			t.Fatalf("schema %d: %v", n, err)
		}
	}
	run(schema)
	for v := int64(0); v <= n; v++ {
		if v == 0 || known(t, v) {
			run(fmt.Sprintf(`INSERT INTO schema_version (version_id, is_applied) VALUES (%d, 1)`, v))
		}
	}
	rows, err := filepath.Glob(filepath.Join("testdata", "rows", "*.sql"))
	if err != nil || len(rows) == 0 {
		t.Fatal("no rows", err)
	}
	for _, name := range rows {
		since, _ := strconv.ParseInt(strings.TrimSuffix(filepath.Base(name), ".sql"), 10, 64)
		if since <= n {
			b, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			run(string(b))
		}
	}
	return path
}

func raw(t *testing.T, path string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite3", path)
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	t.Cleanup(func() { db.Close() })
	return db
}

// known reports whether there is a migration of this number.
func known(t *testing.T, n int64) bool {
	t.Helper()
	names, err := fs.Glob(migrationFiles(), fmt.Sprintf("%05d_*.sql", n))
	if err != nil {
		t.Fatal(err)
	}
	return len(names) == 1
}

// tables are the tables with their columns.
func tables(t *testing.T, db *sql.DB) map[string][]string {
	t.Helper()
	rows, err := db.Query(`SELECT m.name, p.name FROM sqlite_master m, pragma_table_info(m.name) p WHERE m.type = 'table' AND m.name NOT LIKE 'sqlite_%' AND m.name <> 'schema_version' ORDER BY 1, p.cid`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	all := make(map[string][]string)
	for rows.Next() {
		var table, column string
		if err := rows.Scan(&table, &column); err != nil {
			t.Fatal(err)
		}
		all[table] = append(all[table], `"`+column+`"`)
	}
	return all
}

// content is everything in some tables and columns, as text.
func content(t *testing.T, db *sql.DB, of map[string][]string) map[string][]string {
	t.Helper()
	all := make(map[string][]string)
	for table, columns := range of {
		quoted := make([]string, len(columns))
		for i, c := range columns {
			quoted[i] = "quote(" + c + ")"
		}
		rows, err := db.Query(`SELECT ` + strings.Join(quoted, ` || ' ' || `) + ` FROM "` + table + `" ORDER BY 1`)
		if err != nil {
			t.Fatal(err)
		}
		for rows.Next() {
			var row string
			if err := rows.Scan(&row); err != nil {
				t.Fatal(err)
			}
			all[table] = append(all[table], row)
		}
		if err := errors.Join(rows.Err(), rows.Close()); err != nil {
			t.Fatal(err)
		}
	}
	return all
}

// Every schema that landed, with rows in every table, comes to the newest one with all
// that was in it, whole.
func TestEveryLandedSchemaIsBroughtUpToDate(t *testing.T) {
	t.Parallel()
	for n, schema := range dumps(t) {
		t.Run(fmt.Sprintf("%05d", n), func(t *testing.T) {
			t.Parallel()
			path := older(t, n, schema)
			before := raw(t, path)
			had := tables(t, before)
			want := content(t, before, had)
			for table := range had {
				if len(want[table]) == 0 && n <= 4 {
					t.Errorf("%s is empty: this proves nothing about it", table)
				}
			}
			before.Close()
			db, err := Open(t.Context(), path, Full, clock.System{})
			if err != nil {
				t.Fatal(err)
			}
			if err := db.Close(); err != nil {
				t.Fatal(err)
			}
			after := raw(t, path)
			if diff := cmp.Diff(want, content(t, after, had)); diff != "" {
				t.Errorf("what was in it is not in it any more (-before +after):\n%s", diff)
			}
			state, err := Examine(t.Context(), path)
			if err != nil || len(state.Faults) > 0 || state.Schema != Schema() {
				t.Errorf("%+v: %v", state, err)
			}
			fresh := filepath.Join(t.TempDir(), "fresh.sqlite")
			if db, err = Open(t.Context(), fresh, Full, clock.System{}); err != nil {
				t.Fatal(err)
			}
			db.Close()
			if diff := cmp.Diff(tables(t, raw(t, fresh)), tables(t, after)); diff != "" {
				t.Errorf("its tables are not those of a new file (-new +brought up):\n%s", diff)
			}
		})
	}
}

// upgrade is the migrations with one more, or two, at the end.
func upgrade(more ...string) fs.FS {
	all := fstest.MapFS{}
	names, err := fs.Glob(migrationFiles(), "*.sql")
	if err != nil {
		panic(err)
	}
	for _, name := range names {
		b, err := fs.ReadFile(migrationFiles(), name)
		if err != nil {
			panic(err)
		}
		all[name] = &fstest.MapFile{Data: b}
	}
	for i, sql := range more {
		all[fmt.Sprintf("%05d_planted.sql", 90000+i)] = &fstest.MapFile{Data: []byte("-- +goose Up\n" + sql)}
	}
	return all
}

// A migration that fails leaves the file as it was, also where others came before it
// in the same upgrade.
func TestFailedMigrationLeavesTheOldFile(t *testing.T) {
	t.Parallel()
	for name, more := range map[string][]string{
		"a statement that cannot be read": {"CREATE TABLE fine (x TEXT);", "CREATE TABLE;"},
		"a rule that old rows break":      {"CREATE UNIQUE INDEX broken ON staff_actions (at);"},
		"half of it went well":            {"CREATE TABLE a (x TEXT);\nDROP TABLE conversations;\nINSERT INTO nowhere VALUES (1);"},
		"a row that points nowhere":       {"UPDATE cases SET person_id = 999 WHERE id = 1;"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			path := older(t, 4, dumps(t)[4])
			db := raw(t, path)
			if _, err := db.Exec(`INSERT INTO staff_actions (id, at, staff_id, action) SELECT 99, at, staff_id, action FROM staff_actions WHERE id = 1`); err != nil {
				t.Fatal(err)
			}
			had := tables(t, db)
			want, version := content(t, db, had), versions(t, db)
			if err := migrate(t.Context(), db, upgrade(more...)); err == nil || !strings.Contains(err.Error(), "the file is as it was") {
				t.Fatalf("got %v", err)
			}
			if diff := cmp.Diff(had, tables(t, db)); diff != "" {
				t.Errorf("tables (-before +after):\n%s", diff)
			}
			if diff := cmp.Diff(want, content(t, db, had)); diff != "" {
				t.Errorf("rows (-before +after):\n%s", diff)
			}
			if got := versions(t, db); got != version {
				t.Errorf("schema %s, was %s", got, version)
			}
			// And the program's own migrations still go through.
			if err := migrate(t.Context(), db, migrationFiles()); err != nil {
				t.Error(err)
			}
		})
	}
}

func versions(t *testing.T, db *sql.DB) (s string) {
	t.Helper()
	if err := db.QueryRow(`SELECT group_concat(version_id) FROM schema_version`).Scan(&s); err != nil {
		t.Fatal(err)
	}
	return s
}

// Two that open an old file at once bring it up to date once.
func TestTwoBringOneFileUpToDate(t *testing.T) {
	t.Parallel()
	path := older(t, 1, dumps(t)[1])
	done := make(chan error)
	for range 4 {
		go func() {
			db, err := Open(context.Background(), path, Full, clock.System{})
			if err == nil {
				err = db.Close()
			}
			done <- err
		}()
	}
	for range 4 {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	if got := versions(t, raw(t, path)); strings.Count(got, fmt.Sprint(Schema())) != 1 {
		t.Errorf("versions %s", got)
	}
}
