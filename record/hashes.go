package record

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"errors"

	"turnstone/care"
)

// hashSize is how many bytes of a hash are kept. Among 32 event IDs a chance
// likeness comes once in some trillions of events, and they cost the most of
// all that cannot be compressed.
const hashSize = 6

// Hashes are short hashes of event IDs. Their JSON is one string; a list of
// numbers, as it was written before, is read too.
type Hashes []uint64

func hash(id care.EventID) uint64 {
	sum := sha256.Sum256([]byte(id))
	return binary.BigEndian.Uint64(sum[:8]) >> (8 * (8 - hashSize))
}

// MarshalJSON writes the hashes as base64.
func (h Hashes) MarshalJSON() ([]byte, error) {
	raw := make([]byte, 0, len(h)*hashSize)
	for _, n := range h {
		raw = append(raw, binary.BigEndian.AppendUint64(nil, n)[8-hashSize:]...)
	}
	return json.Marshal(base64.RawStdEncoding.EncodeToString(raw))
}

// UnmarshalJSON reads what MarshalJSON wrote, or a list of whole hashes.
func (h *Hashes) UnmarshalJSON(data []byte) error {
	*h = nil
	if bytes.HasPrefix(data, []byte("[")) {
		var whole []uint64
		err := json.Unmarshal(data, &whole)
		for _, n := range whole {
			*h = append(*h, n>>(8*(8-hashSize)))
		}
		return err
	}
	var text string
	if err := json.Unmarshal(data, &text); err != nil {
		return err
	}
	raw, err := base64.RawStdEncoding.DecodeString(text)
	if err != nil || len(raw)%hashSize != 0 {
		return errors.New("the hashes of the events are cut")
	}
	for ; len(raw) > 0; raw = raw[hashSize:] {
		*h = append(*h, binary.BigEndian.Uint64(append([]byte{0, 0}, raw[:hashSize]...)))
	}
	return nil
}
