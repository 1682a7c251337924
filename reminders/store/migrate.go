package store

import (
	"bytes"
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strconv"
	"strings"

	"github.com/pressly/goose/v3"
)

//go:embed migrations/*.sql
var migrations embed.FS

func migrationFiles() fs.FS {
	files, err := fs.Sub(migrations, "migrations")
	if err != nil {
		panic(err) // the folder is part of the program
	}
	return files
}

// Schema is the number of the newest migration that this program knows.
func Schema() int64 {
	names, err := fs.Glob(migrations, "migrations/*.sql")
	if err != nil || len(names) == 0 {
		panic("store: no migrations")
	}
	number, _, _ := strings.Cut(path.Base(names[len(names)-1]), "_")
	n, err := strconv.ParseInt(number, 10, 64)
	if err != nil {
		panic(err)
	}
	return n
}

// migrate brings the schema up to date. db is a pool of one. On a file that holds
// tables already all the migrations that are missing are one transaction: they leave
// the old schema or the newest, and never one in between.
func migrate(ctx context.Context, db *sql.DB, files fs.FS) error {
	var old bool
	if err := db.QueryRowContext(ctx, `SELECT count(*) > 0 FROM sqlite_master WHERE name = 'schema_version'`).Scan(&old); err != nil {
		return err
	}
	if !old {
		return up(ctx, db, files)
	}
	// At once for writing, or two that come together would both find the old schema.
	if _, err := db.ExecContext(ctx, `BEGIN IMMEDIATE`); err != nil {
		return err
	}
	err := up(ctx, db, inOne{files})
	if err == nil {
		err = keysHold(ctx, db)
	}
	if err == nil {
		_, err = db.ExecContext(ctx, `COMMIT`)
	}
	if err != nil {
		_, undone := db.ExecContext(context.WithoutCancel(ctx), `ROLLBACK`)
		if undone != nil && !strings.Contains(undone.Error(), "no transaction is active") {
			err = errors.Join(err, undone)
		}
	}
	return err
}

func up(ctx context.Context, db *sql.DB, files fs.FS) error {
	p, err := goose.NewProvider(goose.DialectSQLite3, db, files, goose.WithTableName("schema_version"), goose.WithDisableGlobalRegistry(true))
	if err != nil {
		return err
	}
	if _, err := p.Up(ctx); err != nil {
		return fmt.Errorf("bring the tables up to date; the file is as it was: %w", err)
	}
	current, target, err := p.GetVersions(ctx)
	if err != nil {
		return err
	}
	if current > target {
		return ErrNewer
	}
	return nil
}

// keysHold refuses a migration that leaves a row pointing nowhere.
func keysHold(ctx context.Context, db *sql.DB) error {
	var n int
	if err := db.QueryRowContext(ctx, `SELECT count(*) FROM pragma_foreign_key_check`).Scan(&n); err != nil {
		return err
	}
	if n > 0 {
		return fmt.Errorf("bring the tables up to date; the file is as it was: %d rows point nowhere: `handrail verify` of the version before names them", n)
	}
	return nil
}

// inOne has each migration leave the transaction to migrate.
type inOne struct{ files fs.FS }

func (o inOne) Open(name string) (fs.File, error) {
	f, err := o.files.Open(name)
	if err != nil || !strings.HasSuffix(name, ".sql") {
		return f, err
	}
	defer func() { _ = f.Close() }() // only read
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	text, err := fs.ReadFile(o.files, name)
	if err != nil {
		return nil, err
	}
	return &noTx{bytes.NewReader(append([]byte("-- +goose NO TRANSACTION\n"), text...)), info}, nil
}

// Glob lists as the folder does.
func (o inOne) Glob(pattern string) ([]string, error) { return fs.Glob(o.files, pattern) }

// noTx is a migration as goose reads it.
type noTx struct {
	*bytes.Reader
	info fs.FileInfo
}

func (f *noTx) Stat() (fs.FileInfo, error) { return f.info, nil }
func (f *noTx) Close() error               { return nil }
