package main

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"handrail.example/reminders/store"
	"handrail.example/triage"
	"handrail.example/triage/rules"
)

// landed are the numbers of the schemas of which there is a dump.
func landed(t *testing.T) (all []int64) {
	t.Helper()
	names, err := filepath.Glob("../../testdata/schemas/*.sql")
	if err != nil || len(names) < 5 {
		t.Fatalf("%d dumps: %v", len(names), err)
	}
	for _, name := range names {
		n, err := strconv.ParseInt(strings.TrimSuffix(filepath.Base(name), ".sql"), 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, n)
	}
	return all
}

// asOf is a file of an older schema that holds, of what a newer one holds, all that has
// a place in it.
func asOf(t *testing.T, n int64, newer string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "clinic.sqlite")
	db, err := sql.Open("sqlite3", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	schema, err := os.ReadFile(fmt.Sprintf("../../testdata/schemas/%05d.sql", n))
	if err != nil {
		t.Fatal(err)
	}
	run := func(query string, args ...any) {
		t.Helper()
		if _, err := db.Exec(query, args...); err != nil {
			t.Fatalf("schema %d: %v", n, err)
		}
	}
	run(string(schema))
	run(`ATTACH ? AS newer`, newer)
	run(`INSERT INTO schema_version (version_id, is_applied) SELECT version_id, 1 FROM newer.schema_version WHERE version_id <= ?`, n)
	rows, err := db.Query(`SELECT m.name, group_concat('"' || p.name || '"') FROM main.sqlite_master m, pragma_table_info(m.name) p
		WHERE m.type = 'table' AND m.name NOT LIKE 'sqlite_%' AND m.name <> 'schema_version' GROUP BY 1`)
	if err != nil {
		t.Fatal(err)
	}
	columns := make(map[string]string)
	for rows.Next() {
		var table, names string
		if err := rows.Scan(&table, &names); err != nil {
			t.Fatal(err)
		}
		columns[table] = names
	}
	rows.Close()
	for table, names := range columns {
		run(fmt.Sprintf(`INSERT INTO main."%s" (%s) SELECT %s FROM newer."%s"`, table, names, names, table))
	}
	return path
}

// lives is the invented clinic's file after some days, closed.
func lives(t *testing.T) (path string, master []byte, now time.Time) {
	t.Helper()
	d, _ := backedUpDemo(t)
	stop := d.runs(t)
	for range 12 {
		if _, err := d.next(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	stop()
	if err := d.db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
		p, err := d.book.ByHandle(ctx, tx, "P-101")
		if err == nil {
			_, err = d.desk.Open(ctx, tx, triage.Opening{Key: "planted", Person: p.Person, Reason: triage.Question, Urgency: rules.SameDay, Words: "when?"})
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
	path = filepath.Join(t.TempDir(), "lived.sqlite")
	if err := store.Copy(context.Background(), d.database, path); err != nil {
		t.Fatal(err)
	}
	return path, d.master, d.time.Now()
}
