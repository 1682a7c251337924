package audit

import (
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/sha256"
	"errors"

	"golang.org/x/crypto/chacha20poly1305"
)

// The format of what is sealed, restated: HKDF-SHA-256 with the purpose as info,
// XChaCha20-Poly1305 with the nonce in front and the label as additional data,
// HMAC-SHA-256 over label, zero and text.

const keySize = 32

func derive(key []byte, purpose string) ([]byte, error) {
	return hkdf.Key(sha256.New, key, nil, "handrail "+purpose, keySize)
}

var errSealed = errors.New("what is sealed cannot be opened with this master key")

func unseal(key []byte, label string, sealed []byte) ([]byte, error) {
	box, err := chacha20poly1305.NewX(key)
	if err != nil || len(sealed) < chacha20poly1305.NonceSizeX {
		return nil, errSealed
	}
	plain, err := box.Open(nil, sealed[:chacha20poly1305.NonceSizeX], sealed[chacha20poly1305.NonceSizeX:], []byte(label))
	if err != nil {
		return nil, errSealed
	}
	return plain, nil
}

func keyed(key []byte, label, text string) []byte {
	mac := hmac.New(sha256.New, key)
	mac.Write([]byte(label))
	mac.Write([]byte{0})
	mac.Write([]byte(text))
	return mac.Sum(nil)
}
