// Package store keeps everything that the program knows in one SQLite file.
//
// It owns the file, its schema and the transactions. One writer at a time holds
// the only writing connection; pages read through connections of their own that
// cannot write. A transaction reads the clock once, when it begins: Tx.Now is
// the only "now" that anything inside it may use.
//
// The package refuses nested transactions, a file that is not what its settings
// promise, and SQL that asks the database for the time.
package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"sync"

	"github.com/jmoiron/sqlx"

	"handrail.example/reminders/clock"
)

// Durability is what a committed transaction survives.
type Durability string

// The durabilities.
const (
	// Full survives a power cut. It is what a clinic runs on.
	Full Durability = "FULL"
	// Relaxed survives a crash of the program but perhaps not of the machine:
	// for rehearsals with very many patients, which say so.
	Relaxed Durability = "OFF"
)

// readers is how many views may be open at once: common practice, no source.
const readers = 8

// DB is an open store.
type DB struct {
	clock clock.Clock
	turn  chan struct{} // holds one token: the right to write
	pool  *sqlx.DB      // the writing connection's pool of one
	conn  *sqlx.Conn
	stmts map[string]*sqlx.Stmt // prepared on conn; guarded by turn
	file  kept                  // guarded by turn
	ro    *sqlx.DB
	close sync.Once
	over  chan struct{} // closed when the store is
}

// Open opens the file at path, creating it and its tables where they are
// missing, and checks that every connection has the settings that the rest of
// the program leans on. Close it after use.
func Open(ctx context.Context, path string, durability Durability, clk clock.Clock) (*DB, error) {
	if engine != nil {
		return nil, engine
	}
	if err := check(path); err != nil {
		return nil, err
	}
	db := &DB{clock: clk, turn: make(chan struct{}, 1), stmts: make(map[string]*sqlx.Stmt), file: kept{path: path}, over: make(chan struct{})}
	db.turn <- struct{}{}
	if err := db.open(ctx, path, durability); err != nil {
		_ = db.Close() // the cause says more
		return nil, fmt.Errorf("open the database %s: %w", path, err)
	}
	return db, nil
}

// What is wrong with a file that Open refuses.
var (
	// ErrDamaged: it is not a database, or no longer a whole one.
	ErrDamaged = errors.New("the file is damaged or is not a Handrail database; keep it, and restore the latest backup under its name")
	// ErrForeign: it is a database, but another program's.
	ErrForeign = errors.New("the file holds the tables of another program; name another file")
	// ErrNewer: a later version of the program has written it.
	ErrNewer = errors.New("the file was written by a newer version of this program; start that version, or restore a backup made before the upgrade")
)

func (db *DB) open(ctx context.Context, path string, durability Durability) error {
	var err error
	// Every setting stands in the DSN, since an Exec would reach one pooled
	// connection only. Immediate, because a transaction that reads before it
	// writes otherwise fails with "busy" whatever the time-out.
	dsn := dsnOf(path, url.Values{
		"_journal_mode": {"WAL"}, "_synchronous": {string(durability)}, "_busy_timeout": {"5000"},
		"_foreign_keys": {"on"}, "_txlock": {"immediate"}, "_cache_size": {"-65536"},
		// What was overwritten is wiped: an erased key must not live on in a free
		// page. And REPLACE must not slip past the triggers that forbid deletion.
		"_secure_delete": {"on"}, "_recursive_triggers": {"on"},
	})
	if db.pool, err = sqlx.Open("sqlite3", dsn); err != nil {
		return err
	}
	db.pool.SetMaxOpenConns(1)
	if err = intact(ctx, db.pool); err != nil {
		return err
	}
	if err = migrate(ctx, db.pool.DB, migrationFiles()); err != nil {
		return err
	}
	if db.conn, err = db.pool.Connx(ctx); err != nil {
		return err
	}
	if err = assert(ctx, db.conn, durability); err != nil {
		return err
	}
	if db.ro, err = sqlx.Open("sqlite3", dsnOf(path, url.Values{
		"mode": {"ro"}, "_busy_timeout": {"5000"}, "_query_only": {"on"}, "_txlock": {"deferred"}, "_stmt_cache_size": {"64"},
	})); err != nil {
		return err
	}
	db.ro.SetMaxOpenConns(readers)
	db.ro.SetMaxIdleConns(readers)
	return db.ro.PingContext(ctx)
}

// Close waits for the transaction in progress and closes the file.
func (db *DB) Close() error {
	var errs []error
	db.close.Do(func() {
		close(db.over)
		if db.ro != nil {
			errs = append(errs, db.ro.Close())
		}
		if db.conn != nil {
			<-db.turn
			for _, s := range db.stmts {
				errs = append(errs, s.Close())
			}
			errs = append(errs, db.conn.Close())
		}
		if db.pool != nil {
			errs = append(errs, db.pool.Close())
		}
	})
	return errors.Join(errs...)
}

func dsnOf(path string, settings url.Values) string {
	return (&url.URL{Scheme: "file", Opaque: url.PathEscape(path), RawQuery: settings.Encode()}).String()
}

// check catches what SQLite would report in words that help nobody.
func check(path string) error {
	if dir := filepath.Dir(path); dir != "" {
		if info, err := os.Stat(dir); err != nil || !info.IsDir() {
			return fmt.Errorf("there is no folder %s for the database: create it, or name another file", dir)
		}
	}
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		return fmt.Errorf("%s is a folder: name a file for the database", path)
	}
	// Patients' data: nobody but the owner may read the file. SQLite gives its
	// companions the same mode.
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return fmt.Errorf("the database %s cannot be opened for writing (%w): check its owner and permissions", path, errors.Unwrap(err))
	}
	return f.Close()
}

func intact(ctx context.Context, pool *sqlx.DB) error {
	var verdict string
	if err := pool.GetContext(ctx, &verdict, "PRAGMA quick_check(1)"); err != nil {
		if damaged(err) {
			return ErrDamaged
		}
		return err
	}
	if verdict != "ok" {
		return ErrDamaged
	}
	var tables, ours int
	if err := pool.QueryRowxContext(ctx, `SELECT count(*), coalesce(sum(name = 'schema_version'), 0) FROM sqlite_master WHERE type = 'table'`).Scan(&tables, &ours); err != nil {
		return err
	}
	if tables > 0 && ours == 0 {
		return ErrForeign
	}
	return nil
}

func assert(ctx context.Context, conn *sqlx.Conn, durability Durability) error {
	level := map[Durability]string{Full: "2", Relaxed: "0"}[durability]
	for _, want := range []struct{ setting, value string }{
		{"journal_mode", "wal"}, {"synchronous", level}, {"foreign_keys", "1"}, {"busy_timeout", "5000"},
		{"secure_delete", "1"}, {"recursive_triggers", "1"},
	} {
		var got string
		if err := conn.GetContext(ctx, &got, "PRAGMA "+want.setting); err != nil {
			return err
		}
		if got != want.value {
			return fmt.Errorf("the database runs with %s %q, not %q: is it on a network disk? Move it to a local one", want.setting, got, want.value)
		}
	}
	return nil
}

// ErrNested says that a transaction was begun inside another.
var ErrNested = errors.New("a transaction was begun inside another")

var errClosed = errors.New("the database is closed")

type inTx struct{}

// Within runs fn in one writing transaction and commits when fn returns nil.
// An error or a panic undoes everything. The context that fn is given cannot be
// cancelled: a cancelled statement would undo the transaction behind fn's back
// and let the next statement run on its own. Within refuses to nest.
func (db *DB) Within(ctx context.Context, fn func(ctx context.Context, tx *Tx) error) error {
	after, err := db.write(ctx, fn)
	if err != nil {
		return err
	}
	for _, f := range after {
		f()
	}
	return nil
}

// write is Within without what comes after the commit, which may well want to
// write again.
func (db *DB) write(ctx context.Context, fn func(ctx context.Context, tx *Tx) error) (after []func(), err error) {
	if ctx.Value(inTx{}) != nil {
		return nil, ErrNested
	}
	select {
	case <-db.turn:
		defer func() { db.turn <- struct{}{} }()
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-db.over:
		return nil, errClosed
	}
	if db.conn == nil {
		return nil, errors.New("the database was opened to be looked at only")
	}
	if err := db.file.whole(); err != nil {
		return nil, err
	}
	ctx = context.WithValue(context.WithoutCancel(ctx), inTx{}, true)
	w := writer{db}
	if _, err := w.run(ctx, "BEGIN IMMEDIATE", nil); err != nil {
		return nil, fmt.Errorf("begin: %w", err)
	}
	tx := &Tx{Now: atStored(db.clock.Now()), exec: w}
	defer tx.end()
	committed := false
	defer func() {
		if !committed {
			// The cause is on its way up already; a failed rollback adds nothing.
			_, _ = w.run(ctx, "ROLLBACK", nil)
		}
	}()
	if err := fn(ctx, tx); err != nil {
		return nil, err
	}
	if tx.broken != nil {
		return nil, tx.broken
	}
	if _, err := w.run(ctx, "COMMIT", nil); err != nil {
		return nil, fmt.Errorf("commit: %w", err)
	}
	committed = true
	return tx.after, nil
}

// Read runs fn on one consistent view of the store, beside any writer. Writing
// in it fails.
func (db *DB) Read(ctx context.Context, fn func(ctx context.Context, tx *Tx) error) error {
	if ctx.Value(inTx{}) != nil {
		return ErrNested
	}
	view, err := db.ro.BeginTxx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return fmt.Errorf("begin to read: %w", err)
	}
	defer func() { _ = view.Rollback() }()
	tx := &Tx{Now: atStored(db.clock.Now()), exec: reader{view}}
	defer tx.end()
	return fn(context.WithValue(ctx, inTx{}, true), tx)
}
