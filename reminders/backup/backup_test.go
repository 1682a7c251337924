package backup

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"filippo.io/age"

	"handrail.example/reminders/clock"
	"handrail.example/reminders/store"
)

var now = time.Date(2026, 3, 11, 8, 30, 0, 0, time.UTC)

// planted stands in the file as it is; a backup must hold none of it.
var planted = []string{"P-105-planted-handle", "2026-03-12T13:05:00.000Z", "SQLite format 3", "CREATE TABLE", "poll_state", "schema_version"}

// shop is a store with a folder for its backups.
type shop struct {
	t     testing.TB
	db    *store.DB
	maker Maker
}

func open(t testing.TB) *shop {
	t.Helper()
	s := &shop{t: t, maker: Maker{Database: filepath.Join(t.TempDir(), "clinic.sqlite"), Folder: t.TempDir(), Key: bytes.Repeat([]byte{7}, 32),
		Look: func(context.Context, string) (string, error) { return "1:head", nil }}}
	var err error
	if s.db, err = store.Open(t.Context(), s.maker.Database, store.Relaxed, clock.System{}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.db.Close() })
	s.write(func(ctx context.Context, tx *store.Tx) error {
		for i := range 300 {
			if err := tx.SetNextOffset(ctx, fmt.Sprintf("%s %d %s", planted[0], i, planted[1]), int64(i)); err != nil {
				return err
			}
		}
		return nil
	})
	return s
}

func (s *shop) write(f func(ctx context.Context, tx *store.Tx) error) {
	s.t.Helper()
	if err := s.db.Within(s.t.Context(), f); err != nil {
		s.t.Fatal(err)
	}
}

func (s *shop) makes(at time.Time) Made {
	s.t.Helper()
	m, err := s.maker.Make(s.t.Context(), at)
	if err != nil {
		s.t.Fatal(err)
	}
	return m
}

// left are the files in the folder of backups and beside the database that are no
// backup, and no part of the database.
func (s *shop) left() (names []string) {
	s.t.Helper()
	for _, folder := range []string{s.maker.Folder, filepath.Dir(s.maker.Database)} {
		entries, err := os.ReadDir(folder)
		if err != nil {
			s.t.Fatal(err)
		}
		for _, e := range entries {
			if !strings.HasSuffix(e.Name(), suffix) && !strings.HasSuffix(e.Name(), ".sqlite") && !strings.HasSuffix(e.Name(), ".sqlite-wal") && !strings.HasSuffix(e.Name(), ".sqlite-shm") {
				names = append(names, e.Name())
			}
		}
	}
	return names
}

func TestBackupHoldsTheFileAndShowsNothing(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.makes(now)
	if want := filepath.Join(s.maker.Folder, "handrail-2026-03-11T08-30-00Z.backup"); m.Path != want {
		t.Errorf("it is called %s", m.Path)
	}
	info, err := os.Stat(m.Path)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, error %v", info.Mode(), err)
	}
	sealed, err := os.ReadFile(m.Path)
	if err != nil {
		t.Fatal(err)
	}
	file, err := os.ReadFile(s.maker.Database)
	if err != nil {
		t.Fatal(err)
	}
	wal, _ := os.ReadFile(s.maker.Database + "-wal")
	for _, p := range planted {
		if !bytes.Contains(append(file, wal...), []byte(p)) {
			t.Fatalf("%q is not even in the file: this proves nothing", p)
		}
		if bytes.Contains(sealed, []byte(p)) {
			t.Errorf("%q can be read in the backup", p)
		}
	}
	to := filepath.Join(t.TempDir(), "restored.sqlite")
	got, err := Extract(m.Path, s.maker.Key, to)
	if err != nil || got.Head != "1:head" || got.Rows["poll_state"] != 300 || got.Schema != store.Schema() || !got.Made.Equal(now) {
		t.Errorf("%+v: %v", got, err)
	}
	if left := s.left(); len(left) > 0 {
		t.Errorf("left behind: %q", left)
	}
	// A second one in the same second has a name of its own.
	if again := s.makes(now); again.Path == m.Path {
		t.Error("it wrote over the one before")
	}
}

// A backup that was taken while others write is a state that was there at some moment:
// two rows that are written together are the same, and later backups are not earlier.
func TestBackupUnderLoad(t *testing.T) {
	t.Parallel()
	s := open(t)
	stop := make(chan struct{})
	var writers sync.WaitGroup
	writers.Go(func() {
		for n := int64(1); ; n++ {
			select {
			case <-stop:
				return
			default:
			}
			s.write(func(ctx context.Context, tx *store.Tx) error {
				if err := tx.SetNextOffset(ctx, "left", n); err != nil {
					return err
				}
				if err := tx.SetNextOffset(ctx, fmt.Sprintf("filling %d", n%500), n); err != nil {
					return err
				}
				return tx.SetNextOffset(ctx, "right", n)
			})
		}
	})
	last := int64(0)
	for i := range 8 {
		m := s.makes(now.Add(time.Duration(i) * time.Minute))
		to := filepath.Join(t.TempDir(), "restored.sqlite")
		if _, err := Extract(m.Path, s.maker.Key, to); err != nil {
			t.Fatal(err)
		}
		db, err := store.Open(t.Context(), to, store.Relaxed, clock.System{})
		if err != nil {
			t.Fatal(err)
		}
		if err := db.Read(t.Context(), func(ctx context.Context, tx *store.Tx) error {
			left, _, err := tx.NextOffset(ctx, "left")
			right, _, err2 := tx.NextOffset(ctx, "right")
			filled, _, err3 := tx.NextOffset(ctx, fmt.Sprintf("filling %d", left%500))
			if left != right || filled != left || left < last {
				t.Errorf("backup %d: left %d, right %d, filling %d, and %d before", i, left, right, filled, last)
			}
			last = left
			return errors.Join(err, err2, err3)
		}); err != nil {
			t.Fatal(err)
		}
		db.Close()
	}
	close(stop)
	writers.Wait()
	if last < 10 {
		t.Errorf("only %d transactions: this proves nothing", last)
	}
}

// Whatever is changed in a backup, cut off it or added to it, it is refused.
func TestBackupThatWasTamperedWithIsRefused(t *testing.T) {
	t.Parallel()
	s := open(t)
	whole, err := os.ReadFile(s.makes(now).Path)
	if err != nil {
		t.Fatal(err)
	}
	try := func(what string, b []byte) {
		t.Helper()
		path := filepath.Join(t.TempDir(), "x.backup")
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := Extract(path, s.maker.Key, path+".sqlite"); !errors.Is(err, ErrWhole) && !errors.Is(err, ErrKey) {
			t.Errorf("%s: %v", what, err)
		}
	}
	for at := 0; at < len(whole); at += 1 + len(whole)/150 {
		b := bytes.Clone(whole)
		b[at] ^= 1
		try(fmt.Sprintf("bit of byte %d", at), b)
		try(fmt.Sprintf("cut off at %d", at), whole[:at])
	}
	for at := range 300 { // the head, byte by byte
		b := bytes.Clone(whole)
		b[at] ^= 0x20
		try(fmt.Sprintf("byte %d", at), b)
	}
	const chunk = 64<<10 + 16 // of the age format
	try("without its last byte", whole[:len(whole)-1])
	try("something added", append(bytes.Clone(whole), 0))
	try("a chunk gone", append(bytes.Clone(whole[:300]), whole[300+chunk:]...))
	try("nothing", nil)
}

func TestBackupOfAnotherKeyOrAProgramToComeIsRefused(t *testing.T) {
	t.Parallel()
	s := open(t)
	m := s.makes(now)
	to := filepath.Join(t.TempDir(), "x.sqlite")
	if _, err := Extract(m.Path, bytes.Repeat([]byte{8}, 32), to); !errors.Is(err, ErrKey) {
		t.Errorf("another key: %v", err)
	}
	newer := filepath.Join(t.TempDir(), "newer.backup")
	d := m.Manifest
	d.Schema = 99999
	if err := s.maker.seal(s.maker.Database, newer, d); err != nil {
		t.Fatal(err)
	}
	if _, err := Extract(newer, s.maker.Key, to); !errors.Is(err, ErrNewer) {
		t.Errorf("a newer program's: %v", err)
	}
	// One that says of itself what is not so.
	d = m.Manifest
	d.Sum = strings.Repeat("0", 64)
	liar := filepath.Join(t.TempDir(), "liar.backup")
	if err := s.maker.seal(s.maker.Database, liar, d); err != nil {
		t.Fatal(err)
	}
	if _, err := Extract(liar, s.maker.Key, to); !errors.Is(err, ErrWhole) {
		t.Errorf("a liar: %v", err)
	}
}

// fullDisk takes so many bytes and no more.
type fullDisk struct {
	*os.File
	room int
}

func (f *fullDisk) Write(p []byte) (int, error) {
	if len(p) > f.room {
		n, _ := f.File.Write(p[:f.room])
		f.room = 0
		return n, &os.PathError{Op: "write", Path: f.Name(), Err: syscall.ENOSPC}
	}
	f.room -= len(p)
	return f.File.Write(p)
}

func TestFullDiskLeavesNoBackup(t *testing.T) {
	t.Parallel()
	s := open(t)
	info, err := os.Stat(s.makes(now).Path)
	if err != nil {
		t.Fatal(err)
	}
	for room := 0; room < int(info.Size()); room += 1 + int(info.Size())/7 {
		s.maker.create = func(path string) (file, error) {
			f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
			return &fullDisk{f, room}, err
		}
		if _, err := s.maker.Make(t.Context(), now.Add(time.Hour)); !errors.Is(err, syscall.ENOSPC) {
			t.Errorf("room for %d bytes: %v", room, err)
		}
		if all, err := List(s.maker.Folder); err != nil || len(all) != 1 || len(s.left()) > 0 {
			t.Errorf("room for %d bytes: %d backups, left %q, %v", room, len(all), s.left(), err)
		}
	}
}

// A disk that does not keep what it was given is found out before the backup has a
// name.
func TestBackupIsReadBack(t *testing.T) {
	t.Parallel()
	s := open(t)
	s.maker.create = func(path string) (file, error) {
		f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
		return &lossy{f}, err
	}
	if _, err := s.maker.Make(t.Context(), now); !errors.Is(err, ErrWhole) {
		t.Errorf("got %v", err)
	}
	if all, err := List(s.maker.Folder); err != nil || len(all) > 0 || len(s.left()) > 0 {
		t.Errorf("%v, left %q, %v", all, s.left(), err)
	}
}

// lossy loses a bit of every long write.
type lossy struct{ *os.File }

func (f *lossy) Write(p []byte) (int, error) {
	if len(p) > 1000 {
		p = bytes.Clone(p)
		p[500] ^= 1
	}
	return f.File.Write(p)
}

// What a kill has left is removed before the next backup, and is no backup.
func TestLeavingsAreRemoved(t *testing.T) {
	t.Parallel()
	s := open(t)
	for _, name := range []string{s.maker.Database + copySuffix, s.maker.Database + copySuffix + "-wal", s.maker.Database + checkSuffix, filepath.Join(s.maker.Folder, ".handrail-2026-03-10T08-30-00Z.backup.part")} {
		if err := os.WriteFile(name, []byte("half"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if all, err := List(s.maker.Folder); err != nil || len(all) > 0 {
		t.Errorf("%v %v", all, err)
	}
	s.makes(now)
	if left := s.left(); len(left) > 0 {
		t.Errorf("left behind: %q", left)
	}
}

func TestSpare(t *testing.T) {
	t.Parallel()
	zone, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	// One every night at 02:30 for 400 days, the latest first, and a second one by hand
	// on the last day.
	var all []Kept
	day := time.Date(2026, 3, 11, 2, 30, 0, 0, zone)
	for i := range 400 {
		all = append(all, Kept{fmt.Sprint(i), day.AddDate(0, 0, -i)})
	}
	all = append([]Kept{{"by hand", day.Add(8 * time.Hour)}}, all...)
	kept := func(k Keep) []string {
		spare := make(map[string]bool)
		for _, b := range k.Spare(all, zone) {
			spare[b.Path] = true
		}
		var names []string
		for _, b := range all {
			if !spare[b.Path] {
				names = append(names, b.Made.In(zone).Format("01-02"))
			}
		}
		return names
	}
	// 11 March 2026 is a Wednesday. The latest of each week is its Sunday's; of each
	// month its last day's.
	want := "03-11 03-10 03-09 03-08 03-07 03-06 03-05 03-01 02-28 02-22 01-31 12-31"
	if got := strings.Join(kept(Keep{7, 4, 4}), " "); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if got := kept(Keep{Daily: 1}); len(got) != 1 {
		t.Errorf("got %q", got)
	}
	if got := kept(Keep{}); len(got) != 1 {
		t.Errorf("the latest goes: %q", got)
	}
	if got := kept(Keep{7, 4, 12}); len(got) != 7+2+11 {
		t.Errorf("%d stay: %q", len(got), got)
	}
}

func TestRotateTouchesBackupsOnly(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	for _, name := range []string{"handrail-2026-03-11T08-30-00Z.backup", "handrail-2026-03-10T08-30-00Z.backup", "handrail-yesterday.backup", "notes.txt", ".handrail-2026-03-10T08-30-00Z.backup.part"} {
		if err := os.WriteFile(filepath.Join(folder, name), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if n, err := Rotate(folder, Keep{Daily: 1}, time.UTC); n != 1 || err != nil {
		t.Errorf("%d removed: %v", n, err)
	}
	left, err := os.ReadDir(folder)
	if err != nil || len(left) != 4 {
		t.Errorf("%v: %v", left, err)
	}
}

// Nothing that no backup was made of is taken for one, also where it is sealed under
// the right key.
func FuzzOpen(f *testing.F) {
	s := open(f)
	m, err := s.maker.Make(context.Background(), now)
	if err != nil {
		f.Fatal(err)
	}
	whole, err := os.ReadFile(m.Path)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(whole[:min(len(whole), 4096)])
	f.Add([]byte("age-encryption.org/v1\n-> handrail.example/master x\n\n--- \n"))
	var forged bytes.Buffer
	w, err := age.Encrypt(&forged, wrapper(s.maker.Key))
	if err != nil {
		f.Fatal(err)
	}
	if _, err := io.WriteString(w, magic+"{}\n"); err != nil || w.Close() != nil {
		f.Fatal(err)
	}
	f.Add(forged.Bytes())
	f.Fuzz(func(t *testing.T, b []byte) {
		path := filepath.Join(t.TempDir(), "x.backup")
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := Extract(path, s.maker.Key, path+".sqlite"); err == nil && len(b) < 4096 {
			t.Error("something that no backup was made of was taken for one")
		}
	})
}
