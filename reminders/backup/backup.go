// Package backup makes sealed copies of the clinic's file, looks after a folder of
// them, and opens them again.
//
// A backup is one file in the age format (age-encryption.org/v1), whose file key is
// wrapped under a key that hangs on the clinic's master key. In it stand a line that
// names the form, a line of JSON that says what follows (the Manifest), and the SQLite
// file as it was at one moment. Nothing of it can be read, changed, cut off or added to
// without the key.
//
// It owns no table and no key. It writes under another name, reads back what it wrote,
// and only then gives it its own; whatever interrupts it leaves no half of a backup
// under such a name. It refuses a backup that it cannot prove to be whole, one of
// another key, and one that a newer program made.
package backup

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"filippo.io/age"

	"handrail.example/reminders/store"
)

// magic names the form.
const magic = "handrail backup 1\n"

// Manifest says what a backup holds.
type Manifest struct {
	Made time.Time `json:"made"`
	store.State
	// Head is the end of the record of what staff did.
	Head string `json:"head"`
	Size int64  `json:"size"` // of the file, in bytes
	Sum  string `json:"sha256"`
}

// What is wrong with a file that Open and Extract refuse.
var (
	ErrKey   = errors.New("the backup was made under another master key: set the key that the clinic had then")
	ErrWhole = errors.New("the backup was changed or is not whole: take another one")
	ErrNewer = errors.New("the backup was made by a newer version of this program: restore it with that version")
)

// Maker makes backups.
type Maker struct {
	Database string // the file
	Folder   string // where backups are kept
	Key      []byte // 32 bytes
	// Look reads a copy of the file and says where the record in it ends.
	Look func(ctx context.Context, path string) (head string, err error)

	create func(path string) (file, error) // nil for the disk's own
}

// file is what a backup is written to.
type file interface {
	io.Writer
	Sync() error
	Close() error
}

func createFile(path string) (file, error) {
	return os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
}

// Made is a backup that has been made and read back.
type Made struct {
	Path string
	Manifest
}

// Make makes a backup of the file as it is at one moment near now. Only one may be
// made of a file at a time: the caller sees to that.
func (m *Maker) Make(ctx context.Context, now time.Time) (made Made, err error) {
	if err := Tidy(m.Database, m.Folder); err != nil {
		return Made{}, err
	}
	path, err := m.free(now)
	if err != nil {
		return Made{}, err
	}
	copied := m.Database + copySuffix
	defer func() { err = errors.Join(err, Remove(copied)) }()
	if err := store.Copy(ctx, m.Database, copied); err != nil {
		return Made{}, err
	}
	made = Made{Path: path, Manifest: Manifest{Made: now.UTC()}}
	if err := m.describe(ctx, copied, &made.Manifest); err != nil {
		return Made{}, err
	}
	part := filepath.Join(m.Folder, "."+filepath.Base(path)+partSuffix)
	defer func() { err = errors.Join(err, Remove(part)) }()
	if err := m.seal(copied, part, made.Manifest); err != nil {
		return Made{}, fmt.Errorf("write the backup: %w", err)
	}
	if err := Remove(copied); err != nil {
		return Made{}, err
	}
	if err := m.readBack(ctx, part, made.Manifest); err != nil {
		return Made{}, fmt.Errorf("read the backup back: %w", err)
	}
	return made, place(part, path)
}

// The names of what is being worked on. What a kill leaves under them is removed
// before the next backup.
const (
	copySuffix  = ".being-copied"
	checkSuffix = ".being-checked"
	partSuffix  = ".part"
)

// Tidy removes what a backup of a database to a folder has left that was cut short: a
// copy of the database is as readable as that. The caller sees to it that none is being
// made.
func Tidy(database, folder string) error {
	if err := errors.Join(Remove(database+copySuffix), Remove(database+checkSuffix)); err != nil || folder == "" {
		return err
	}
	parts, err := filepath.Glob(filepath.Join(folder, "."+prefix+"*"+partSuffix))
	for _, p := range parts {
		err = errors.Join(err, Remove(p))
	}
	return err
}

// Remove removes a file of SQLite's with what stands beside it; one that is not there
// is as good.
func Remove(path string) error {
	var errs []error
	for _, name := range []string{path, path + "-wal", path + "-shm", path + "-journal"} {
		if err := os.Remove(name); err != nil && !errors.Is(err, os.ErrNotExist) {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// describe says what a copy holds, and refuses one that is not whole.
func (m *Maker) describe(ctx context.Context, path string, d *Manifest) (err error) {
	if d.State, err = store.Examine(ctx, path); err != nil {
		return err
	}
	if len(d.Faults) > 0 {
		return fmt.Errorf("the database is damaged (%s): `handrail verify` says more", d.Faults[0])
	}
	if d.Head, err = m.Look(ctx, path); err != nil {
		return err
	}
	d.Size, d.Sum, err = sumOf(path)
	return err
}

func sumOf(path string) (int64, string, error) {
	f, err := os.Open(path)
	if err != nil {
		return 0, "", err
	}
	defer func() { _ = f.Close() }() // only read
	sum := sha256.New()
	n, err := io.Copy(sum, f)
	return n, hex.EncodeToString(sum.Sum(nil)), err
}

// seal writes the file at path, with its manifest in front, sealed to part.
func (m *Maker) seal(path, part string, d Manifest) (err error) {
	from, err := os.Open(path)
	if err != nil {
		return err
	}
	defer func() { _ = from.Close() }() // only read
	create := m.create
	if create == nil {
		create = createFile
	}
	out, err := create(part)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	sealed, err := age.Encrypt(out, wrapper(m.Key))
	if err != nil {
		return err
	}
	head, err := json.Marshal(d)
	if err != nil {
		return err
	}
	for _, r := range []io.Reader{strings.NewReader(magic), bytes.NewReader(append(head, '\n')), from} {
		if _, err := io.Copy(sealed, r); err != nil {
			return err
		}
	}
	if err := sealed.Close(); err != nil {
		return err
	}
	return out.Sync()
}

// readBack opens what was written and finds in it what was put in.
func (m *Maker) readBack(ctx context.Context, part string, want Manifest) (err error) {
	opened := m.Database + checkSuffix
	defer func() { err = errors.Join(err, Remove(opened)) }()
	got, err := Extract(part, m.Key, opened)
	if err != nil {
		return err
	}
	var again Manifest
	if err := m.describe(ctx, opened, &again); err != nil {
		return err
	}
	again.Made = got.Made
	if !same(got, want) || !same(again, want) {
		return ErrWhole
	}
	return nil
}

func same(a, b Manifest) bool {
	x, errX := json.Marshal(a)
	y, errY := json.Marshal(b)
	return errX == nil && errY == nil && bytes.Equal(x, y)
}

// place gives a finished file its name, so that it is there after a power cut too.
func place(part, path string) error {
	if err := os.Rename(part, path); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(path))
}

func syncFolder(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// Place gives a finished file a name that nobody has, and has it there after a power
// cut.
func Place(from, to string) error {
	// A link fails where a rename would write over.
	switch err := os.Link(from, to); {
	case errors.Is(err, os.ErrExist):
		return err
	case err != nil: // a disk without links
		if _, err := os.Lstat(to); !errors.Is(err, os.ErrNotExist) {
			return errors.Join(os.ErrExist, err)
		}
		return place(from, to)
	}
	return errors.Join(os.Remove(from), syncFolder(filepath.Dir(to)))
}

// opening is a backup that is being read.
type opening struct {
	file *os.File
	rest *bufio.Reader
}

// longestManifest bounds the line that says what follows.
const longestManifest = 1 << 20

func begin(path string, key []byte) (Manifest, *opening, error) {
	f, err := os.Open(path)
	if err != nil {
		return Manifest{}, nil, err
	}
	m, o, err := beginFile(f, key)
	if err != nil {
		return m, nil, errors.Join(err, f.Close())
	}
	return m, o, nil
}

func beginFile(f *os.File, key []byte) (m Manifest, o *opening, err error) {
	plain, err := age.Decrypt(bufio.NewReader(f), wrapper(key))
	var other *age.NoIdentityMatchError
	switch {
	case errors.As(err, &other):
		return m, nil, ErrKey
	case err != nil:
		return m, nil, ErrWhole
	}
	o = &opening{f, bufio.NewReaderSize(plain, 1<<16)}
	first, err := o.rest.ReadString('\n')
	if err != nil || first != magic {
		return m, nil, ErrWhole
	}
	line, err := io.ReadAll(io.LimitReader(lineReader{o.rest}, longestManifest))
	if err != nil || json.Unmarshal(line, &m) != nil {
		return m, nil, ErrWhole
	}
	if m.Schema > store.Schema() {
		return m, nil, ErrNewer
	}
	return m, o, nil
}

// lineReader ends with the line.
type lineReader struct{ r *bufio.Reader }

func (l lineReader) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	b, err := l.r.ReadByte()
	if err != nil {
		return 0, err
	}
	if p[0] = b; b == '\n' {
		return 0, io.EOF
	}
	return 1, nil
}

// Open reads what a backup says it holds. It has not been proved to hold it: Extract
// does that.
func Open(path string, key []byte) (Manifest, error) {
	m, o, err := begin(path, key)
	if err != nil {
		return m, err
	}
	return m, o.file.Close()
}

// Extract writes the file that a backup holds to a new file, and proves that it is
// the one that was put in.
func Extract(path string, key []byte, to string) (m Manifest, err error) {
	m, o, err := begin(path, key)
	if err != nil {
		return m, err
	}
	defer func() { _ = o.file.Close() }() // only read
	out, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return m, err
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	sum := sha256.New()
	n, err := io.Copy(writerOnly{out}, io.TeeReader(o.rest, sum))
	var disk *os.PathError
	switch {
	case errors.As(err, &disk):
		return m, err
	case err != nil, n != m.Size, hex.EncodeToString(sum.Sum(nil)) != m.Sum:
		return m, ErrWhole
	}
	return m, out.Sync()
}

// writerOnly keeps io.Copy from going around the reader that sums up.
type writerOnly struct{ io.Writer }
