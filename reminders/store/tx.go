package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"runtime/debug"
	"strconv"
	"time"

	"github.com/jmoiron/sqlx"
)

// Tx is one transaction. It is handed down as an argument, never kept.
type Tx struct {
	// Now is the instant at which the transaction began, UTC, in the
	// milliseconds that the store keeps.
	Now    time.Time
	exec   executor
	after  []func()
	depth  int   // of Try inside Try
	broken error // why no further statement may run
	kept   map[any]any
}

// executor runs one statement; the writer and the reader differ in how.
type executor interface {
	get(ctx context.Context, dst any, query string, args []any) error
	sel(ctx context.Context, dst any, query string, args []any) error
	run(ctx context.Context, query string, args []any) (sql.Result, error)
}

// Get reads exactly one row into dst; sql.ErrNoRows when there is none. A
// statement with RETURNING goes through Get or Select, never through Exec.
func (tx *Tx) Get(ctx context.Context, dst any, query string, args ...any) error {
	if tx.broken != nil {
		return tx.broken
	}
	return tx.note(tx.exec.get(ctx, dst, query, args))
}

// Find is Get for a row that may be missing: it reports whether there was one.
func (tx *Tx) Find(ctx context.Context, dst any, query string, args ...any) (bool, error) {
	err := tx.Get(ctx, dst, query, args...)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	return err == nil, err
}

// Select reads any number of rows into the slice that dst points to.
func (tx *Tx) Select(ctx context.Context, dst any, query string, args ...any) error {
	if tx.broken != nil {
		return tx.broken
	}
	return tx.note(tx.exec.sel(ctx, dst, query, args))
}

// Exec changes rows and reports how many.
func (tx *Tx) Exec(ctx context.Context, query string, args ...any) (int64, error) {
	if tx.broken != nil {
		return 0, tx.broken
	}
	res, err := tx.exec.run(ctx, query, args)
	if err != nil {
		return 0, tx.note(err)
	}
	return res.RowsAffected()
}

// Try runs fn so that an error or a panic in it undoes what fn did and nothing
// else; the transaction goes on. A panic comes back as an error that names its
// type only, since its value may quote a patient.
func (tx *Tx) Try(ctx context.Context, fn func() error) (err error) {
	name := "try_" + strconv.Itoa(tx.depth)
	if _, err := tx.Exec(ctx, "SAVEPOINT "+name); err != nil {
		return err
	}
	tx.depth++
	promised := len(tx.after)
	defer func() {
		tx.depth--
		if p := recover(); p != nil {
			err = fmt.Errorf("panic of type %T\n%s", p, debug.Stack())
		}
		if err != nil {
			tx.after = tx.after[:promised]
			clear(tx.kept)
			_, undone := tx.Exec(ctx, "ROLLBACK TO "+name)
			err = errors.Join(err, undone)
		}
		_, released := tx.Exec(ctx, "RELEASE "+name)
		err = errors.Join(err, released)
	}()
	return fn()
}

// Kept is a place for what is read again and again in one transaction, under keys
// of types of one's own. It is gone with the transaction, and whatever undoes a
// part of the transaction empties it.
func (tx *Tx) Kept() map[any]any {
	if tx.kept == nil {
		tx.kept = make(map[any]any)
	}
	return tx.kept
}

// Broken reports why the transaction cannot go on; nil while it can.
func (tx *Tx) Broken() error { return tx.broken }

// note remembers a failure after which the database may have undone the whole
// transaction on its own (disk full, out of memory): whatever ran next would
// stand by itself. A breach of a constraint undoes its one statement only.
func (tx *Tx) note(err error) error {
	if fromEngine(err) && !breach(err) {
		tx.broken = err
	}
	return err
}

var errOver = errors.New("a transaction was used after its end")

func (tx *Tx) end() { tx.broken, tx.kept = errOver, nil }

// AfterCommit has f called once the transaction is on disk. It is for nudges
// only: what must happen is a row, not a function.
func (tx *Tx) AfterCommit(f func()) { tx.after = append(tx.after, f) }

// writer runs statements on the writing connection, each prepared once.
type writer struct{ db *DB }

func (w writer) stmt(ctx context.Context, query string) (*sqlx.Stmt, error) {
	if s := w.db.stmts[query]; s != nil {
		return s, nil
	}
	if len(w.db.stmts) == statements {
		w.forget()
	}
	s, err := w.db.conn.PreparexContext(ctx, w.db.pool.Rebind(query))
	if err != nil {
		return nil, err
	}
	w.db.stmts[query] = s
	return s, nil
}

// statements is how many stay prepared. The program's own are far fewer; the
// bound is for lists that are spelled out, each length a text of its own.
const statements = 512

func (w writer) forget() {
	for _, s := range w.db.stmts {
		_ = s.Close() // nothing is lost with a statement
	}
	clear(w.db.stmts)
}

func (w writer) get(ctx context.Context, dst any, query string, args []any) error {
	s, err := w.stmt(ctx, query)
	if err != nil {
		return err
	}
	return s.GetContext(ctx, dst, args...)
}

func (w writer) sel(ctx context.Context, dst any, query string, args []any) error {
	s, err := w.stmt(ctx, query)
	if err != nil {
		return err
	}
	return s.SelectContext(ctx, dst, args...)
}

func (w writer) run(ctx context.Context, query string, args []any) (sql.Result, error) {
	s, err := w.stmt(ctx, query)
	if err != nil {
		return nil, err
	}
	return s.ExecContext(ctx, args...)
}

// reader runs statements in a view.
type reader struct{ view *sqlx.Tx }

func (r reader) get(ctx context.Context, dst any, query string, args []any) error {
	return r.view.GetContext(ctx, dst, r.view.Rebind(query), args...)
}

func (r reader) sel(ctx context.Context, dst any, query string, args []any) error {
	return r.view.SelectContext(ctx, dst, r.view.Rebind(query), args...)
}

func (r reader) run(ctx context.Context, query string, args []any) (sql.Result, error) {
	return r.view.ExecContext(ctx, r.view.Rebind(query), args...)
}

// Time is an instant as the store keeps it: UTC text of fixed width, which
// sorts as time does. The zero Time is NULL.
type Time struct{ time.Time }

const timeLayout = "2006-01-02T15:04:05.000Z"

// At is t for a statement's argument.
func At(t time.Time) Time { return Time{atStored(t)} }

func atStored(t time.Time) time.Time {
	if t.IsZero() {
		return time.Time{}
	}
	return t.UTC().Truncate(time.Millisecond)
}

// Value writes the instant for the database.
func (t Time) Value() (driver.Value, error) {
	if t.IsZero() {
		return nil, nil
	}
	return t.UTC().Format(timeLayout), nil
}

// Text is the instant as the database has it; "" for the zero Time.
func (t Time) Text() string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(timeLayout)
}

// Scan reads what Value wrote.
func (t *Time) Scan(v any) error {
	switch v := v.(type) {
	case nil:
		*t = Time{}
		return nil
	case string:
		at, err := time.Parse(timeLayout, v)
		// Parse forgives what would not sort: an hour of one digit, a comma for the
		// point.
		if err != nil || len(v) != len(timeLayout) || v[len("2006-01-02T15:04:05")] != '.' {
			return errors.New("an instant in the database is not in the form that the store writes")
		}
		*t = Time{at}
		return nil
	}
	return fmt.Errorf("an instant in the database is a %T", v)
}
