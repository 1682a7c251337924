package store

import (
	"errors"
	"fmt"
	"os"
)

// ErrCut says that the file was cut short, replaced or removed under the running
// program.
var ErrCut = errors.New("the database file was cut short, replaced or removed while the program was running: nothing more is written to it; stop the program, restore the latest backup under its name, and start again")

// kept is the file as it was when it was last looked at.
type kept struct {
	path string
	was  os.FileInfo
}

// whole refuses a file that is no longer the one that was opened, or shorter than it
// was: SQLite would go on from what it remembers of it, and what it writes would be
// lost with the file. What comes in then stays with the platform, which keeps it for a
// day. A database never becomes shorter by itself, since nothing here vacuums it.
func (k *kept) whole() error {
	is, err := os.Stat(k.path)
	if err != nil {
		return fmt.Errorf("%w (%w)", ErrCut, errors.Unwrap(err))
	}
	if k.was != nil && (!os.SameFile(k.was, is) || is.Size() < k.was.Size()) {
		return ErrCut
	}
	k.was = is
	return nil
}
