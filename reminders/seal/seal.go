// Package seal keeps what identifies a person unreadable at rest. Everybody has
// a key of her own, wrapped under the clinic's master key; names, messages and
// results are sealed under it. Rotating the master key rewraps the keys and
// touches nothing else; destroying one key makes everything about that person
// unreadable here, and in every backup that is made from then on. One from before
// still holds her key, until it is rotated away.
//
// It owns the table people: who has a key, and which chat is whose. A chat id is
// kept twice, sealed, and as a keyed hash by which it is found.
//
// The cryptography is XChaCha20-Poly1305 (random nonces of 192 bits, safe to
// draw for every message), HMAC-SHA-256 and HKDF (RFC 5869) from the standard
// library and golang.org/x/crypto. The package refuses to read what was sealed
// for another person or another purpose.
package seal

import (
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/crypto/chacha20poly1305"
)

// KeySize is the size of a master key, in bytes.
const KeySize = 32

// ErrSealed says that something could not be unsealed: the master key is
// another one, the bytes were changed, or the person has been erased.
var ErrSealed = errors.New("cannot be unsealed: the master key is not the one it was sealed with, or the record was changed or erased")

// ErrErased is the ErrSealed of somebody whose key has been destroyed.
var ErrErased = fmt.Errorf("the person has been erased: %w", ErrSealed)

// NewMasterKey draws a master key and writes it as it is configured: 32 bytes in
// base64.
func NewMasterKey() string {
	return base64.StdEncoding.EncodeToString(draw(KeySize))
}

// ParseMasterKey reads what NewMasterKey wrote.
func ParseMasterKey(s string) ([]byte, error) {
	key, err := base64.StdEncoding.DecodeString(strings.TrimSpace(s))
	if err != nil || len(key) != KeySize {
		return nil, errors.New("the master key must be 32 random bytes in base64: `handrail key` prints a new one")
	}
	return key, nil
}

// box is an authenticated cipher that carries its nonce in front.
type box struct{ aead cipher.AEAD }

func newBox(key []byte) (box, error) {
	aead, err := chacha20poly1305.NewX(key)
	return box{aead}, err
}

func (b box) seal(label string, plain []byte) []byte {
	nonce := make([]byte, b.aead.NonceSize(), b.aead.NonceSize()+len(plain)+b.aead.Overhead())
	fill(nonce)
	return b.aead.Seal(nonce, nonce, plain, []byte(label))
}

func (b box) open(label string, sealed []byte) ([]byte, error) {
	n := b.aead.NonceSize()
	if len(sealed) < n {
		return nil, ErrSealed
	}
	plain, err := b.aead.Open(nil, sealed[:n], sealed[n:], []byte(label))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", label, ErrSealed)
	}
	return plain, nil
}

func derive(key []byte, purpose string) ([]byte, error) {
	return hkdf.Key(sha256.New, key, nil, "handrail "+purpose, KeySize)
}

func digest(key []byte, label string, data []byte) []byte {
	mac := hmac.New(sha256.New, key)
	mac.Write([]byte(label))
	mac.Write([]byte{0})
	mac.Write(data)
	return mac.Sum(nil)
}

func draw(n int) []byte {
	b := make([]byte, n)
	fill(b)
	return b
}

// fill never fails: crypto/rand.Read ends the program rather than return less
// than it was asked for.
func fill(b []byte) { _, _ = rand.Read(b) }

// NewToken draws 128 random bits as 22 characters that are safe in a link, a
// button or a file name.
func NewToken() string { return base64.RawURLEncoding.EncodeToString(draw(16)) }
