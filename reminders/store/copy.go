package store

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"

	"github.com/jmoiron/sqlx"

	"handrail.example/reminders/clock"
)

// Copy writes what the file at path holds at one moment to a new file, whoever may be
// writing to it meanwhile. The copy is for its owner only, and as readable as the file
// itself: seal it, or remove it.
func Copy(ctx context.Context, path, to string) error {
	if engine != nil {
		return engine
	}
	f, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	// Not read-only: where nobody has the file open, a log that the last one left is
	// read only by whoever may also write it.
	db, err := sqlx.Open("sqlite3", dsnOf(path, url.Values{"mode": {"rw"}, "_busy_timeout": {"5000"}}))
	if err != nil {
		return err
	}
	defer func() { _ = db.Close() }() // only read
	// An empty file is as good as none.
	if _, err := db.ExecContext(ctx, `VACUUM INTO ?`, to); err != nil {
		return errors.Join(fmt.Errorf("copy the database: %w", err), os.Remove(to))
	}
	return nil
}

// View opens the file at path to be looked at only, beside whoever may be writing to
// it. It changes nothing, and refuses a file of another schema than the program's.
func View(ctx context.Context, path string, clk clock.Clock) (*DB, error) {
	db, err := look(ctx, path, clk)
	if err != nil {
		return nil, err
	}
	if err := db.known(ctx); err != nil {
		_ = db.Close() // the cause says more
		return nil, err
	}
	return db, nil
}

func look(ctx context.Context, path string, clk clock.Clock) (*DB, error) {
	if engine != nil {
		return nil, engine
	}
	if info, err := os.Stat(path); err != nil || info.IsDir() {
		return nil, fmt.Errorf("there is no database %s: name the file that the configuration names", path)
	}
	db := &DB{clock: clk, turn: make(chan struct{}, 1), stmts: make(map[string]*sqlx.Stmt), over: make(chan struct{})}
	db.turn <- struct{}{}
	var err error
	// Query-only rather than read-only, for the reason that Copy has.
	db.ro, err = sqlx.Open("sqlite3", dsnOf(path, url.Values{
		"mode": {"rw"}, "_busy_timeout": {"5000"}, "_query_only": {"on"}, "_txlock": {"deferred"}, "_stmt_cache_size": {"64"}}))
	if err != nil {
		return nil, err
	}
	db.ro.SetMaxOpenConns(readers)
	if err := db.ro.PingContext(ctx); err != nil {
		_ = db.Close()
		return nil, fmt.Errorf("look at the database %s: %w", path, err)
	}
	return db, nil
}

// ErrOlder says that a file has not been brought up to date.
var ErrOlder = errors.New("the file was written by an older version of this program: start `handrail serve` once, which brings it up to date")

func (db *DB) known(ctx context.Context) error {
	n, err := schemaOf(ctx, db.ro)
	switch {
	case err != nil:
		return err
	case n > Schema():
		return ErrNewer
	case n < Schema():
		return ErrOlder
	}
	return nil
}

func schemaOf(ctx context.Context, db *sqlx.DB) (n int64, err error) {
	var ours bool
	if err := db.GetContext(ctx, &ours, `SELECT count(*) > 0 FROM sqlite_master WHERE name = 'schema_version'`); err != nil {
		if damaged(err) {
			return 0, ErrDamaged
		}
		return 0, err
	}
	if !ours {
		return 0, ErrForeign
	}
	err = db.GetContext(ctx, &n, `SELECT coalesce(max(version_id), 0) FROM schema_version WHERE is_applied = 1`)
	return n, err
}

// State is what a file holds, by its outside.
type State struct {
	Schema int64            `json:"schema"`
	Rows   map[string]int64 `json:"rows"` // by table
	// Faults are what SQLite finds wrong with it; none in a whole file.
	Faults []string `json:"-"`
}

// longestFaults bounds what is listed of a file that is damaged all over.
const longestFaults = 20

// Examine reads the whole file at path and says what it holds and what is wrong with
// it. It changes nothing.
func Examine(ctx context.Context, path string) (State, error) {
	db, err := look(ctx, path, clock.System{})
	if err != nil {
		return State{}, err
	}
	defer func() { _ = db.Close() }() // only read
	s := State{Rows: make(map[string]int64)}
	if s.Schema, err = schemaOf(ctx, db.ro); err != nil {
		return s, err
	}
	if err := s.read(ctx, db.ro); damaged(err) {
		s.Faults = append(s.Faults, "a part of it cannot be read at all")
	} else if err != nil {
		return s, err
	}
	return s, nil
}

func (s *State) read(ctx context.Context, db *sqlx.DB) error {
	view, err := db.BeginTxx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = view.Rollback() }()
	var said []string
	if err := view.SelectContext(ctx, &said, fmt.Sprintf(`PRAGMA integrity_check(%d)`, longestFaults)); err != nil {
		return err
	}
	if len(said) != 1 || said[0] != "ok" {
		s.Faults = said
		return nil
	}
	var lost []string
	if err := view.SelectContext(ctx, &lost, fmt.Sprintf(`SELECT "table" || ' row ' || coalesce(rowid, '?') || ' points to nothing in ' || parent FROM pragma_foreign_key_check LIMIT %d`, longestFaults)); err != nil {
		return err
	}
	s.Faults = lost
	var tables []string
	if err := view.SelectContext(ctx, &tables, `SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name`); err != nil {
		return err
	}
	for _, t := range tables {
		var n int64
		if err := view.GetContext(ctx, &n, `SELECT count(*) FROM "`+t+`"`); err != nil {
			return err
		}
		s.Rows[t] = n
	}
	return nil
}
