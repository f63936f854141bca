package seal

import (
	"bufio"
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base32"
	"encoding/base64"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// ErrNoMaster says that no master key opens a data key.
var ErrNoMaster = errors.New("the master key that wrapped it is not in the key file")

// WrappedSize is the size of a wrapped data key: the master's number, a nonce,
// the key and a tag.
const WrappedSize = 1 + nonceSize + 32 + tagSize

// Masters are the master keys of one house, and the secret that pseudonyms are
// made with. The newest master wraps; the older ones still open.
type Masters struct {
	// Again reads the key file again, for a data key that another process has
	// wrapped with a master made since. It is set once, or nil.
	Again func() (*Masters, error)

	mu       sync.RWMutex
	byNumber map[uint8]Key
	newest   uint8
	names    Key
}

// NewMasters makes the first master key and the secret of the pseudonyms.
func NewMasters() *Masters {
	return &Masters{byNumber: map[uint8]Key{1: NewKey()}, newest: 1, names: NewKey()}
}

// Newest is the number of the master that wraps.
func (m *Masters) Newest() int {
	m.mu.RLock()
	defer m.mu.RUnlock()
	return int(m.newest)
}

// Rotate adds a new master, which wraps from now on.
func (m *Masters) Rotate() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.newest == 255 {
		return errors.New("there are 255 master keys already; none can be added")
	}
	m.newest++
	m.byNumber[m.newest] = NewKey()
	return nil
}

// Wrap seals a data key with the newest master, for its own ID alone.
func (m *Masters) Wrap(id KeyID, k Key) []byte {
	m.mu.RLock()
	newest, master := m.newest, m.byNumber[m.newest]
	m.mu.RUnlock()
	return master.aead().Seal([]byte{newest}, nil, k.secret[:], wrapPlace(id))
}

// Unwrap returns the data key that Wrap was given.
func (m *Masters) Unwrap(id KeyID, wrapped []byte) (k Key, err error) {
	if len(wrapped) != WrappedSize {
		return k, fmt.Errorf("%w: a wrapped key has %d bytes, not %d", ErrOpen, WrappedSize, len(wrapped))
	}
	master, err := m.number(wrapped[0])
	if err != nil {
		return k, err
	}
	secret, err := master.aead().Open(nil, nil, wrapped[1:], wrapPlace(id))
	if err != nil {
		return k, ErrOpen
	}
	copy(k.secret[:], secret)
	return k, nil
}

// number is a master, from the key file as it is now where this one is new.
func (m *Masters) number(n uint8) (Key, error) {
	m.mu.RLock()
	master, ok := m.byNumber[n]
	m.mu.RUnlock()
	if ok {
		return master, nil
	}
	missing := fmt.Errorf("%w (it was number %d)", ErrNoMaster, n)
	if m.Again == nil {
		return Key{}, missing
	}
	now, err := m.Again()
	if err != nil {
		return Key{}, errors.Join(missing, err)
	}
	master, ok = now.byNumber[n]
	if !ok || now.names != m.names {
		return Key{}, missing // an older copy, or another house's
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	for number, key := range now.byNumber {
		if _, had := m.byNumber[number]; !had {
			m.byNumber[number] = key
		}
	}
	m.newest = max(m.newest, now.newest)
	return master, nil
}

func wrapPlace(id KeyID) []byte { return append([]byte("key "), id[:]...) }

// Name is the pseudonym of an account of a channel. Without the key file
// nobody can tell whose it is, nor try accounts until one fits.
func (m *Masters) Name(channel, account string) string {
	mac := hmac.New(sha256.New, m.names.secret[:])
	for _, part := range []string{channel, account} {
		fmt.Fprintf(mac, "%d:%s", len(part), part) // a hash never fails
	}
	return strings.ToLower(base32.StdEncoding.EncodeToString(mac.Sum(nil)))[:16]
}

// The words that the lines of a key file begin with.
const (
	masterWord = "master"
	namesWord  = "names"
)

const head = `# The keys of a Turnstone store. Without this file nothing in it can be read,
# by nobody and by no means. Keep a copy in another place than the backups, and
# let nobody else read it. The newest master key wraps; older ones still open.
`

// Text writes the masters as the text of a key file.
func (m *Masters) Text() []byte {
	m.mu.RLock()
	defer m.mu.RUnlock()
	var b bytes.Buffer
	b.WriteString(head)
	fmt.Fprintf(&b, "%s %s\n", namesWord, base64.StdEncoding.EncodeToString(m.names.secret[:]))
	for _, n := range slices.Sorted(maps.Keys(m.byNumber)) {
		k := m.byNumber[n]
		fmt.Fprintf(&b, "%s %d %s\n", masterWord, n, base64.StdEncoding.EncodeToString(k.secret[:]))
	}
	return b.Bytes()
}

// ParseMasters reads what Text wrote and names every line that is wrong,
// without a word of what stands in it.
func ParseMasters(text []byte) (*Masters, error) {
	m := &Masters{byNumber: map[uint8]Key{}}
	var faults []error
	named := 0
	lines := bufio.NewScanner(bytes.NewReader(text))
	for at := 1; lines.Scan(); at++ {
		fields := strings.Fields(lines.Text())
		switch {
		case len(fields) == 0 || strings.HasPrefix(fields[0], "#"):
		case fields[0] == namesWord && len(fields) == 2:
			var err error
			if m.names, err = parseKey(fields[1]); err != nil {
				faults = append(faults, fmt.Errorf("line %d: %w", at, err))
			}
			named++
		case fields[0] == masterWord && len(fields) == 3:
			if err := m.parseMaster(fields[1], fields[2]); err != nil {
				faults = append(faults, fmt.Errorf("line %d: %w", at, err))
			}
		default:
			faults = append(faults, fmt.Errorf("line %d is none of a key file: it must be %q and a key, or %q, a number and a key", at, namesWord, masterWord))
		}
	}
	if named != 1 {
		faults = append(faults, fmt.Errorf("it must have one line %q, and has %d", namesWord, named))
	}
	if len(m.byNumber) == 0 {
		faults = append(faults, fmt.Errorf("it has no line %q", masterWord))
	}
	return m, errors.Join(append(faults, lines.Err())...)
}

func (m *Masters) parseMaster(number, key string) error {
	n, err := strconv.ParseUint(number, 10, 8)
	if err != nil || n == 0 {
		return errors.New("the number of a master key is 1 to 255")
	}
	if _, twice := m.byNumber[uint8(n)]; twice {
		return fmt.Errorf("there are two master keys %d", n)
	}
	k, err := parseKey(key)
	if err != nil {
		return err
	}
	m.byNumber[uint8(n)] = k
	m.newest = max(m.newest, uint8(n))
	return nil
}

func parseKey(text string) (k Key, err error) {
	data, err := base64.StdEncoding.DecodeString(text)
	if err != nil || len(data) != len(k.secret) {
		return k, errors.New("the key is cut or damaged; put back your copy of the file")
	}
	copy(k.secret[:], data)
	return k, nil
}
