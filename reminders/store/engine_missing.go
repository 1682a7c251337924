//go:build !cgo

package store

import "errors"

// engine says what to do about a build without SQLite, which is written in C.
var engine = errors.New("this build has no database in it: install a C compiler (gcc or clang) and build again with CGO_ENABLED=1")

// Taken is false: nothing was ever stored.
func Taken(error) bool { return false }

// Busy is false: there is nothing to wait for.
func Busy(error) bool { return false }

func damaged(error) bool    { return false }
func breach(error) bool     { return false }
func fromEngine(error) bool { return false }
