// Package seal keeps what is stored from being read without its key:
// compressed first, then sealed with AES-256-GCM of the standard library. Keys
// come in two layers. A data key seals what belongs together, such as all that
// is kept of one person; a master key wraps the data keys. Whoever drops a
// data key has erased what it sealed, in every copy that there is.
//
// It touches no file and no store, and knows nothing of people.
package seal

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
)

// Codec is the first byte of everything sealed. What was stored before there
// was sealing begins with another byte.
const Codec = 1

// Overhead is how many bytes sealing adds to what could not be compressed:
// codec, key ID, nonce and tag, and the byte that says how it is packed.
const Overhead = 1 + idSize + nonceSize + tagSize + 1

const (
	idSize    = 12
	nonceSize = 12
	tagSize   = 16
)

// What becomes of keys, told by whoever keeps them.
var (
	// ErrDropped: the key was dropped, and what it sealed is erased.
	ErrDropped = errors.New("its key was dropped")
	// ErrUnknown: that key was never there; what was sealed with it is of another store, or the keys are of an older copy.
	ErrUnknown = errors.New("its key is not among the persons' keys, which are an older copy or another store's")
)

// ErrOpen says that it does not open. The key is another's, or the bytes were changed
// or moved to another place.
var ErrOpen = errors.New("it does not open with this key")

// A KeyID names a data key for as long as there is one, and is never used again.
type KeyID [idSize]byte

// NewKeyID makes a random ID.
func NewKeyID() (id KeyID) {
	fill(id[:])
	return id
}

// String is the ID in hexadecimal digits.
func (id KeyID) String() string { return hex.EncodeToString(id[:]) }

// ParseKeyID reads what String wrote.
func ParseKeyID(text string) (id KeyID, err error) {
	data, err := hex.DecodeString(text)
	if err != nil || len(data) != idSize {
		return id, fmt.Errorf("%q is no key ID: it has %d hexadecimal digits", text, 2*idSize)
	}
	return KeyID(data), nil
}

// A Key is a secret of 32 bytes. It prints as nothing, so that no log line and
// no error can hold one.
type Key struct{ secret [32]byte }

// NewKey makes a random key.
func NewKey() (k Key) {
	fill(k.secret[:])
	return k
}

// Format prints a key as a word that tells nothing, whatever the verb.
func (Key) Format(f fmt.State, _ rune) {
	if _, err := f.Write([]byte("[key]")); err != nil {
		return // nobody reads it then
	}
}

// Seal packs plain and seals it with k, whose ID is id. What it opens for is
// its place, such as "record of P": the same bytes in another place do not open.
func Seal(k Key, id KeyID, place string, plain []byte) []byte {
	packed := pack(plain)
	out := make([]byte, 1+idSize, 1+idSize+nonceSize+len(packed)+tagSize)
	out[0] = Codec
	copy(out[1:], id[:])
	return k.aead().Seal(out, nil, packed, []byte(place))
}

// Open returns what Seal was given for the same place.
func Open(k Key, place string, sealed []byte) ([]byte, error) {
	if _, ok := Of(sealed); !ok {
		return nil, fmt.Errorf("%w: it is not sealed", ErrOpen)
	}
	packed, err := k.aead().Open(nil, nil, sealed[1+idSize:], []byte(place))
	if err != nil {
		return nil, ErrOpen
	}
	return unpack(packed)
}

// Of tells which key something is sealed with; false if it is not sealed.
func Of(stored []byte) (id KeyID, ok bool) {
	if len(stored) < Overhead || stored[0] != Codec {
		return id, false
	}
	return KeyID(stored[1 : 1+idSize]), true
}

func (k Key) aead() cipher.AEAD {
	block, err := aes.NewCipher(k.secret[:])
	if err != nil {
		panic(err) // 32 bytes are always a key
	}
	aead, err := cipher.NewGCMWithRandomNonce(block)
	if err != nil {
		panic(err) // AES has the block size of GCM
	}
	return aead
}

func fill(b []byte) {
	if _, err := rand.Read(b); err != nil {
		panic(err) // crypto/rand never fails on a supported system
	}
}
