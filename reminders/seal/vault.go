package seal

import (
	"context"
	"errors"
	"fmt"

	"handrail.example/reminders/store"
)

// Person is the number of somebody with a key.
type Person int64

// House is the clinic itself. What belongs to nobody yet is sealed under its key.
const House Person = 1

// Vault seals and unseals under people's keys. It keeps nobody's key in memory
// beyond the transaction, so that an erased key is gone with it.
type Vault struct {
	wrap box
	// index keys the hashes by which chats and codes are found. It comes from
	// the house's key, not from the master key, so that these hashes outlive a
	// change of master key.
	index []byte
}

// NewVault opens the vault with a master key of KeySize bytes. It can find
// nobody before Ready has been called.
func NewVault(master []byte) (*Vault, error) {
	if len(master) != KeySize {
		return nil, fmt.Errorf("the master key has %d bytes, not %d", len(master), KeySize)
	}
	wrapKey, err := derive(master, "wrap")
	if err != nil {
		return nil, err
	}
	wrap, err := newBox(wrapKey)
	if err != nil {
		return nil, err
	}
	return &Vault{wrap: wrap}, nil
}

// ErrWrongMaster says that the master key is not the one the store was made with.
var ErrWrongMaster = errors.New("the master key does not fit this database: set the one it was made with")

// Ready makes the house's key where there is none and proves that the master key
// is the one the store was made with. Call it once, before anything else.
func (v *Vault) Ready(ctx context.Context, tx *store.Tx) error {
	var n int
	if err := tx.Get(ctx, &n, `SELECT count(*) FROM people WHERE id = ?`, House); err != nil {
		return err
	}
	if n == 0 {
		if p, err := v.Add(ctx, tx); err != nil || p != House {
			return errors.Join(err, errHouse(p))
		}
	}
	key, err := v.key(ctx, tx, House)
	if errors.Is(err, ErrSealed) {
		return ErrWrongMaster
	}
	if err != nil {
		return err
	}
	v.index, err = derive(key, "index")
	return err
}

func errHouse(p Person) error {
	if p == House || p == 0 {
		return nil
	}
	return fmt.Errorf("the house is person %d, not %d: the database has lost rows, restore a backup", p, House)
}

// Add makes a person with a key of her own and no chat yet.
func (v *Vault) Add(ctx context.Context, tx *store.Tx) (Person, error) {
	var p Person
	err := tx.Get(ctx, &p, `INSERT INTO people (wrapped, created_at) VALUES (?, ?) RETURNING id`,
		v.wrap.seal("person key", draw(KeySize)), store.At(tx.Now))
	return p, err
}

// Link says that chat is p's from now on. It reports false, and changes nothing,
// when the chat is somebody else's.
func (v *Vault) Link(ctx context.Context, tx *store.Tx, p Person, chat string) (bool, error) {
	if other, known, err := v.Find(ctx, tx, chat); err != nil || known {
		return known && other == p, err
	}
	sealed, err := v.Seal(ctx, tx, p, "chat", []byte(chat))
	if err != nil {
		return false, err
	}
	_, err = tx.Exec(ctx, `UPDATE people SET chat_hash = ?, chat = ? WHERE id = ?`, v.Hash("chat", chat), sealed, p)
	delete(tx.Kept(), p) // it holds no chat
	return err == nil, err
}

// Find is the person whose chat it is; false when nobody's.
func (v *Vault) Find(ctx context.Context, tx *store.Tx, chat string) (Person, bool, error) {
	return v.FindHash(ctx, tx, v.Hash("chat", chat))
}

// FindHash is Find for a chat of which only Hash("chat", …) is at hand.
func (v *Vault) FindHash(ctx context.Context, tx *store.Tx, hash []byte) (Person, bool, error) {
	var p Person
	known, err := tx.Find(ctx, &p, `SELECT id FROM people WHERE chat_hash = ?`, hash)
	return p, known, err
}

// Chat is where p can be reached; false when she has no chat.
func (v *Vault) Chat(ctx context.Context, tx *store.Tx, p Person) (string, bool, error) {
	r, err := v.Ring(ctx, tx, p)
	if errors.Is(err, ErrErased) {
		return "", false, nil
	}
	if err != nil {
		return "", false, err
	}
	return r.Chat()
}

// Ring is one person's key, to unseal several things with in one transaction. It
// is not to be kept.
type Ring struct {
	key  []byte
	box  box
	chat []byte
}

// Ring fetches p's key, once in a transaction.
func (v *Vault) Ring(ctx context.Context, tx *store.Tx, p Person) (Ring, error) {
	if r, known := tx.Kept()[p].(Ring); known {
		return r, nil
	}
	var row struct{ Wrapped, Chat []byte }
	if err := tx.Get(ctx, &row, `SELECT wrapped, chat FROM people WHERE id = ?`, p); err != nil {
		return Ring{}, fmt.Errorf("key of person %d: %w", p, err)
	}
	key, err := v.unwrap(p, row.Wrapped)
	if err != nil {
		return Ring{}, err
	}
	r := Ring{key: key, chat: row.Chat}
	if r.box, err = newBox(key); err != nil {
		return Ring{}, err
	}
	tx.Kept()[p] = r
	return r, nil
}

// Open reads what Seal made; ErrSealed when that cannot be.
func (r Ring) Open(label string, sealed []byte) ([]byte, error) { return r.box.open(label, sealed) }

// Chat is where the person can be reached; false when she has no chat.
func (r Ring) Chat() (string, bool, error) {
	if r.chat == nil {
		return "", false, nil
	}
	chat, err := r.box.open("chat", r.chat)
	return string(chat), err == nil, err
}

// Seal makes plain unreadable without p's key. The label says what it is, in a
// fixed word; Open wants the same.
func (v *Vault) Seal(ctx context.Context, tx *store.Tx, p Person, label string, plain []byte) ([]byte, error) {
	r, err := v.Ring(ctx, tx, p)
	if err != nil {
		return nil, err
	}
	return r.box.seal(label, plain), nil
}

// Open reads what Seal made; ErrSealed when that cannot be.
func (v *Vault) Open(ctx context.Context, tx *store.Tx, p Person, label string, sealed []byte) ([]byte, error) {
	r, err := v.Ring(ctx, tx, p)
	if err != nil {
		return nil, err
	}
	return r.Open(label, sealed)
}

// digestOf is where the key of a person's digests is kept in a transaction.
type digestOf Person

// Digest tells whether two things sealed for p are the same without unsealing
// either: sealing twice never gives the same bytes.
func (v *Vault) Digest(ctx context.Context, tx *store.Tx, p Person, label string, plain []byte) ([]byte, error) {
	if key, known := tx.Kept()[digestOf(p)].([]byte); known {
		return digest(key, label, plain), nil
	}
	r, err := v.Ring(ctx, tx, p)
	if err != nil {
		return nil, err
	}
	key, err := derive(r.key, "digest")
	if err != nil {
		return nil, err
	}
	tx.Kept()[digestOf(p)] = key
	return digest(key, label, plain), nil
}

// Hash is the keyed hash by which something that must stay unreadable is found
// again: a chat id, a code.
func (v *Vault) Hash(label, s string) []byte {
	if v.index == nil {
		panic("seal: a hash was asked for before the vault was ready")
	}
	return digest(v.index, label, []byte(s))
}

func (v *Vault) key(ctx context.Context, tx *store.Tx, p Person) ([]byte, error) {
	var wrapped []byte
	if err := tx.Get(ctx, &wrapped, `SELECT wrapped FROM people WHERE id = ?`, p); err != nil {
		return nil, fmt.Errorf("key of person %d: %w", p, err)
	}
	return v.unwrap(p, wrapped)
}

func (v *Vault) unwrap(p Person, wrapped []byte) ([]byte, error) {
	if wrapped == nil {
		return nil, fmt.Errorf("person %d: %w", p, ErrErased)
	}
	return v.wrap.open("person key", wrapped)
}
