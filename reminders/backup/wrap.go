package backup

import (
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"

	"filippo.io/age"
	"golang.org/x/crypto/chacha20poly1305"
)

// wrapper wraps the file key of a backup under the clinic's key, in a stanza of our
// own: its argument tells which key it is, its body is the file key under
// XChaCha20-Poly1305 with a random nonce in front.
type wrapper []byte

const stanzaType = "handrail.example/master"

var (
	_ age.Recipient = wrapper(nil)
	_ age.Identity  = wrapper(nil)
)

// name tells one key from another, and says nothing of either.
func (w wrapper) name() (string, error) {
	b, err := hkdf.Key(sha256.New, w, nil, "handrail backup key name", 8)
	return hex.EncodeToString(b), err
}

// Wrap is age's.
func (w wrapper) Wrap(fileKey []byte) ([]*age.Stanza, error) {
	name, err := w.name()
	if err != nil {
		return nil, err
	}
	aead, err := chacha20poly1305.NewX(w)
	if err != nil {
		return nil, err
	}
	nonce := make([]byte, aead.NonceSize())
	_, _ = rand.Read(nonce) // never fails
	return []*age.Stanza{{Type: stanzaType, Args: []string{name}, Body: aead.Seal(nonce, nonce, fileKey, []byte(stanzaType))}}, nil
}

// Unwrap is age's.
func (w wrapper) Unwrap(stanzas []*age.Stanza) ([]byte, error) {
	name, err := w.name()
	if err != nil {
		return nil, err
	}
	aead, err := chacha20poly1305.NewX(w)
	if err != nil {
		return nil, err
	}
	for _, s := range stanzas {
		if s.Type != stanzaType || len(s.Args) != 1 || s.Args[0] != name {
			continue
		}
		if n := aead.NonceSize(); len(s.Body) > n {
			if key, err := aead.Open(nil, s.Body[:n], s.Body[n:], []byte(stanzaType)); err == nil {
				return key, nil
			}
		}
		return nil, errors.New("the wrapped key of the backup was changed")
	}
	return nil, age.ErrIncorrectIdentity
}
