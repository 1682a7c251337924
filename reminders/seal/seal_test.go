package seal_test

import (
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"handrail.example/reminders/clock"
	"handrail.example/reminders/seal"
	"handrail.example/reminders/store"
)

func key(fill byte) []byte { return bytes.Repeat([]byte{fill}, seal.KeySize) }

// world is a store with a ready vault in it.
type world struct {
	t     *testing.T
	db    *store.DB
	vault *seal.Vault
	path  string
}

func setup(t *testing.T) *world {
	t.Helper()
	w := &world{t: t, path: filepath.Join(t.TempDir(), "clinic.sqlite")}
	db, err := store.Open(t.Context(), w.path, store.Relaxed, clock.System{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	w.db, w.vault = db, vaultOf(t, key(1))
	w.within(w.vault.Ready)
	return w
}

func vaultOf(t *testing.T, master []byte) *seal.Vault {
	t.Helper()
	v, err := seal.NewVault(master)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func (w *world) within(fn func(ctx context.Context, tx *store.Tx) error) {
	w.t.Helper()
	if err := w.db.Within(w.t.Context(), fn); err != nil {
		w.t.Fatal(err)
	}
}

func (w *world) add() (p seal.Person) {
	w.t.Helper()
	w.within(func(ctx context.Context, tx *store.Tx) (err error) {
		p, err = w.vault.Add(ctx, tx)
		return err
	})
	return p
}

// erase destroys a person's key.
func (w *world) erase(p seal.Person) {
	w.t.Helper()
	w.within(func(ctx context.Context, tx *store.Tx) error { return w.vault.Destroy(ctx, tx, p) })
}

func TestRoundTrip(t *testing.T) {
	t.Parallel()
	w := setup(t)
	people := []seal.Person{seal.House, w.add(), w.add()}
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SampledFrom(people).Draw(t, "person")
		label := rapid.String().Draw(t, "label")
		plain := rapid.SliceOf(rapid.Byte()).Draw(t, "plain")
		w.within(func(ctx context.Context, tx *store.Tx) error {
			a, err := w.vault.Seal(ctx, tx, p, label, plain)
			if err != nil {
				return err
			}
			b, err := w.vault.Seal(ctx, tx, p, label, plain)
			if err != nil {
				return err
			}
			if bytes.Equal(a, b) {
				t.Error("the same text sealed twice gives the same bytes")
			}
			got, err := w.vault.Open(ctx, tx, p, label, a)
			if err != nil || !bytes.Equal(got, plain) {
				t.Errorf("got %q (%v), want %q", got, err, plain)
			}
			return nil
		})
	})
}

func TestOpenRefuses(t *testing.T) {
	t.Parallel()
	w := setup(t)
	her, other, gone := w.add(), w.add(), w.add()
	const text = "Maribel Tosk"
	sealed := make(map[seal.Person][]byte)
	w.within(func(ctx context.Context, tx *store.Tx) (err error) {
		for _, p := range []seal.Person{her, gone} {
			if sealed[p], err = w.vault.Seal(ctx, tx, p, "name", []byte(text)); err != nil {
				return err
			}
		}
		return nil
	})
	w.erase(gone)
	changed := bytes.Clone(sealed[her])
	changed[len(changed)-1] ^= 1
	for name, c := range map[string]struct {
		vault  *seal.Vault
		person seal.Person
		label  string
		sealed []byte
		is     error
	}{
		"another person's key": {w.vault, other, "name", sealed[her], seal.ErrSealed},
		"another purpose":      {w.vault, her, "note", sealed[her], seal.ErrSealed},
		"another master key":   {vaultOf(t, key(2)), her, "name", sealed[her], seal.ErrSealed},
		"changed bytes":        {w.vault, her, "name", changed, seal.ErrSealed},
		"too few bytes":        {w.vault, her, "name", sealed[her][:10], seal.ErrSealed},
		"nothing":              {w.vault, her, "name", nil, seal.ErrSealed},
		"an erased person":     {w.vault, gone, "name", sealed[gone], seal.ErrErased},
	} {
		t.Run(name, func(t *testing.T) {
			w.within(func(ctx context.Context, tx *store.Tx) error {
				got, err := c.vault.Open(ctx, tx, c.person, c.label, c.sealed)
				if !errors.Is(err, c.is) || !errors.Is(err, seal.ErrSealed) || got != nil {
					t.Errorf("got %q (%v), want %v", got, err, c.is)
				}
				if err != nil && strings.Contains(err.Error(), "Maribel") {
					t.Errorf("the error quotes what was sealed: %v", err)
				}
				return nil
			})
		})
	}
	w.within(func(ctx context.Context, tx *store.Tx) error {
		if _, err := w.vault.Seal(ctx, tx, gone, "name", []byte(text)); !errors.Is(err, seal.ErrErased) {
			t.Errorf("sealing for an erased person: got %v, want ErrErased", err)
		}
		if _, err := w.vault.Seal(ctx, tx, 999, "name", []byte(text)); err == nil {
			t.Error("something was sealed for nobody")
		}
		return nil
	})
}

func TestMasterKeyMustFit(t *testing.T) {
	t.Parallel()
	w := setup(t)
	w.within(func(ctx context.Context, tx *store.Tx) error {
		if err := vaultOf(t, key(2)).Ready(ctx, tx); !errors.Is(err, seal.ErrWrongMaster) || strings.Contains(err.Error(), "\n") {
			t.Errorf("got %v, want the one sentence of ErrWrongMaster", err)
		}
		return vaultOf(t, key(1)).Ready(ctx, tx)
	})
	// A vault that only reads may be made ready in a view.
	if err := w.db.Read(t.Context(), vaultOf(t, key(1)).Ready); err != nil {
		t.Error(err)
	}
	var n int
	w.within(func(ctx context.Context, tx *store.Tx) error { return tx.Get(ctx, &n, `SELECT count(*) FROM people`) })
	if n != 1 {
		t.Errorf("%d people after making ready three times, want the house alone", n)
	}
}

func TestMasterKeyText(t *testing.T) {
	t.Parallel()
	a, b := seal.NewMasterKey(), seal.NewMasterKey()
	if a == b {
		t.Error("two new keys are the same")
	}
	for name, c := range map[string]struct {
		text string
		ok   bool
	}{
		"new":             {a, true},
		"with a line end": {a + "\n", true},
		"empty":           {"", false},
		"short":           {base64.StdEncoding.EncodeToString(make([]byte, 31)), false},
		"long":            {base64.StdEncoding.EncodeToString(make([]byte, 33)), false},
		"words":           {"correct horse battery staple", false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := seal.ParseMasterKey(c.text)
			if (err == nil) != c.ok || c.ok && len(got) != seal.KeySize {
				t.Errorf("got %d bytes (%v), want ok %v", len(got), err, c.ok)
			}
			if err != nil && c.text != "" && strings.Contains(err.Error(), c.text) {
				t.Error("the error quotes the key")
			}
		})
	}
	for _, n := range []int{0, 16, 31, 33} {
		if _, err := seal.NewVault(make([]byte, n)); err == nil {
			t.Errorf("a master key of %d bytes was taken", n)
		}
	}
}

func TestChats(t *testing.T) {
	t.Parallel()
	w := setup(t)
	her, other := w.add(), w.add()
	link := func(p seal.Person, chat string, want bool) {
		t.Helper()
		w.within(func(ctx context.Context, tx *store.Tx) error {
			if got, err := w.vault.Link(ctx, tx, p, chat); err != nil || got != want {
				t.Errorf("link %d to %s: got %v (%v), want %v", p, chat, got, err, want)
			}
			return nil
		})
	}
	at := func(p seal.Person, want string) {
		t.Helper()
		w.within(func(ctx context.Context, tx *store.Tx) error {
			if got, linked, err := w.vault.Chat(ctx, tx, p); err != nil || got != want || linked != (want != "") {
				t.Errorf("chat of %d: got %q, %v (%v), want %q", p, got, linked, err, want)
			}
			if want == "" {
				return nil
			}
			if got, known, err := w.vault.Find(ctx, tx, want); err != nil || !known || got != p {
				t.Errorf("whose is %s: got %d, %v (%v), want %d", want, got, known, err, p)
			}
			return nil
		})
	}
	at(her, "")
	link(her, "4711", true)
	link(her, "4711", true)    // again changes nothing
	link(other, "4711", false) // it is somebody else's
	at(her, "4711")
	at(other, "")
	link(her, "4712", true) // she has a new phone
	at(her, "4712")
	link(other, "4711", true)
	at(other, "4711")
	w.erase(other)
	at(other, "")
}

// Hashes and digests are what rows are found and compared by, so they must come
// out the same in every run of the program, and differ in all else.
func TestHashesAreStable(t *testing.T) {
	t.Parallel()
	w := setup(t)
	her, other := w.add(), w.add()
	again := vaultOf(t, key(1))
	w.within(func(ctx context.Context, tx *store.Tx) error {
		if err := again.Ready(ctx, tx); err != nil {
			return err
		}
		if !bytes.Equal(w.vault.Hash("chat", "4711"), again.Hash("chat", "4711")) {
			t.Error("another run hashes otherwise")
		}
		if bytes.Equal(w.vault.Hash("chat", "4711"), w.vault.Hash("code", "4711")) {
			t.Error("two purposes hash alike")
		}
		if bytes.Equal(w.vault.Hash("chat", "4711"), w.vault.Hash("chat", "4712")) {
			t.Error("two chats hash alike")
		}
		d := func(v *seal.Vault, p seal.Person, label, plain string) string {
			b, err := v.Digest(ctx, tx, p, label, []byte(plain))
			if err != nil {
				t.Fatal(err)
			}
			return string(b)
		}
		same := d(w.vault, her, "outbox", "hello")
		if same != d(again, her, "outbox", "hello") {
			t.Error("another run digests otherwise")
		}
		for what, differs := range map[string]string{
			"person": d(w.vault, other, "outbox", "hello"), "label": d(w.vault, her, "inbox", "hello"), "text": d(w.vault, her, "outbox", "hallo"),
			"place of the border": d(w.vault, her, "outboxh", "ello"),
		} {
			if differs == same {
				t.Errorf("another %s digests alike", what)
			}
		}
		return nil
	})
}

func TestHashBeforeReadyIsRefused(t *testing.T) {
	t.Parallel()
	defer func() {
		if recover() == nil {
			t.Error("a vault that was not ready hashed with no key")
		}
	}()
	vaultOf(t, key(1)).Hash("chat", "4711")
}

// Neither the file nor what stands beside it says a word, before or after the
// person has been erased; and the key of an erased person is gone from them too.
func TestFileSaysNothing(t *testing.T) {
	t.Parallel()
	w := setup(t)
	const name, chat = "Citlali-Vern-canary", "99887766554433"
	her := w.add()
	var wrapped []byte
	w.within(func(ctx context.Context, tx *store.Tx) error {
		if _, err := w.vault.Link(ctx, tx, her, chat); err != nil {
			return err
		}
		sealed, err := w.vault.Seal(ctx, tx, her, "name", []byte(name))
		if err != nil {
			return err
		}
		if err := tx.Get(ctx, &wrapped, `SELECT wrapped FROM people WHERE id = ?`, her); err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `INSERT INTO patients (person_id, handle, name, language, created_at) VALUES (?, 'P-105', ?, 'es', ?)`, her, sealed, store.At(tx.Now))
		return err
	})
	w.absent(name, chat)
	if !w.holds(wrapped) {
		t.Error("the search does not find what is there")
	}
	w.erase(her)
	if err := w.db.Close(); err != nil { // folds the log into the file
		t.Fatal(err)
	}
	w.absent(name, chat, string(wrapped))
}

func (w *world) absent(words ...string) {
	w.t.Helper()
	for _, word := range words {
		if w.holds([]byte(word)) {
			w.t.Errorf("the files hold %q", word)
		}
	}
}

func (w *world) holds(word []byte) bool {
	w.t.Helper()
	files, err := filepath.Glob(w.path + "*")
	if err != nil || len(files) == 0 {
		w.t.Fatal("no files to search", err)
	}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			w.t.Fatal(err)
		}
		if bytes.Contains(b, word) {
			return true
		}
	}
	return false
}

func TestTokens(t *testing.T) {
	t.Parallel()
	seen := make(map[string]bool)
	for range 1000 {
		token := seal.NewToken()
		if len(token) != 22 || strings.Trim(token, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_") != "" {
			t.Fatalf("%q is not 22 plain characters", token)
		}
		if seen[token] {
			t.Fatalf("%q was drawn twice", token)
		}
		seen[token] = true
	}
}

func FuzzParseMasterKey(f *testing.F) {
	f.Add(seal.NewMasterKey())
	f.Add("")
	f.Add("AAAA====")
	f.Fuzz(func(t *testing.T, s string) {
		if k, err := seal.ParseMasterKey(s); err == nil && len(k) != seal.KeySize {
			t.Errorf("%q gave %d bytes", s, len(k))
		}
	})
}

func FuzzOpen(f *testing.F) {
	f.Add([]byte{})
	f.Add(make([]byte, 24))
	f.Add(make([]byte, 64))
	db, err := store.Open(context.Background(), filepath.Join(f.TempDir(), "clinic.sqlite"), store.Relaxed, clock.System{})
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { _ = db.Close() })
	v, err := seal.NewVault(key(1))
	if err != nil {
		f.Fatal(err)
	}
	if err := db.Within(context.Background(), v.Ready); err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, sealed []byte) {
		if err := db.Within(t.Context(), func(ctx context.Context, tx *store.Tx) error {
			if plain, err := v.Open(ctx, tx, seal.House, "name", sealed); !errors.Is(err, seal.ErrSealed) {
				t.Errorf("bytes that nobody sealed opened as %q (%v)", plain, err)
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
	})
}
