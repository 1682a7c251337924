//go:build cgo

package store

import (
	"errors"

	"github.com/mattn/go-sqlite3" // the driver named "sqlite3"
)

// engine is what is wrong with the build; nil when SQLite is in it.
var engine error

// Taken reports whether err says that a unique key is in use already.
func Taken(err error) bool {
	var e sqlite3.Error
	return errors.As(err, &e) && (e.ExtendedCode == sqlite3.ErrConstraintUnique || e.ExtendedCode == sqlite3.ErrConstraintPrimaryKey)
}

// Busy reports whether err says that another process holds the file, or that
// the disk is full: a condition that passes, after which the same transaction
// may succeed.
func Busy(err error) bool {
	return code(err, sqlite3.ErrBusy, sqlite3.ErrLocked, sqlite3.ErrFull, sqlite3.ErrIoErr)
}

func damaged(err error) bool { return code(err, sqlite3.ErrNotADB, sqlite3.ErrCorrupt) }

// breach reports whether err is a constraint that a statement would have broken.
func breach(err error) bool { return code(err, sqlite3.ErrConstraint) }

// fromEngine reports whether err is SQLite's own.
func fromEngine(err error) bool {
	var e sqlite3.Error
	return errors.As(err, &e)
}

func code(err error, any ...sqlite3.ErrNo) bool {
	var e sqlite3.Error
	if !errors.As(err, &e) {
		return false
	}
	for _, c := range any {
		if e.Code == c {
			return true
		}
	}
	return false
}
