package bolt

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math"
	"runtime/debug"
	"time"

	"go.etcd.io/bbolt"

	"turnstone/store"
)

// format is the number of the layout below. A change that an older program
// would misread raises it.
const format = 1

// The buckets. <p> is a person with a length byte in front, so that no person's
// keys begin like another's; numbers are big endian, so that byte order is
// number order. Every value but the index ones is sealed.
//
// All that belongs to a person lies together in one bucket: a commit costs
// mainly by the number of pages it writes, and record and log line share theirs.
var (
	metaBucket   = []byte("meta")                           // "format" -> 8 bytes
	peopleBucket = []byte("people")                         // see below
	dueBuckets   = [2][]byte{[]byte("due!"), []byte("due")} // a lane each: ms 8, person -> nothing
	namedBucket  = []byte("named")                          // key -> etag 8, expires ms 8 (never: does not), value
	expiryBucket = []byte("expiry")                         // ms 8, 'k' or 'n', key of a kept or named value -> nothing

	formatKey = []byte("format")
	buckets   = [][]byte{metaBucket, peopleBucket, dueBuckets[0], dueBuckets[1], namedBucket, expiryBucket}
)

// What follows <p> in a key of the people bucket. Nothing follows in the key of
// the person's own value: etag 16, due times 2 x 8 (never: none), record.
const (
	keptKind = 'k' // episode ID -> until ms 8, episode
	logKind  = 'l' // version 8, line number 4 -> line
	afterAll = 0xff
)

// never is the moment of what has none.
const never = uint64(math.MaxUint64)

// namedKind in an expiry entry stands for a named value, keptKind for a kept one.
const namedKind = 'n'

// tables are the buckets within one transaction.
type tables struct {
	people, named, expiry *bbolt.Bucket
	due                   [2]*bbolt.Bucket
}

func openTables(tx *bbolt.Tx) *tables {
	return &tables{
		people: tx.Bucket(peopleBucket), named: tx.Bucket(namedBucket), expiry: tx.Bucket(expiryBucket),
		due: [2]*bbolt.Bucket{tx.Bucket(dueBuckets[0]), tx.Bucket(dueBuckets[1])},
	}
}

// guard runs f and turns a fault inside it into ErrDamaged: a page that cannot
// be read behind the mapped file, or one that makes bbolt give up. Unguarded,
// either ends the process, and with it everybody's emergency.
func guard(f func() error) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("%w: reading it failed with %q", store.ErrDamaged, fmt.Sprint(p))
		}
	}()
	return f()
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// seal joins parts to a value with a checksum in front that covers the key
// too, so that a value found under another's key is not taken for its own.
func seal(key []byte, parts ...[]byte) []byte {
	size := 4
	for _, p := range parts {
		size += len(p)
	}
	value := make([]byte, 4, size)
	for _, p := range parts {
		value = append(value, p...)
	}
	binary.BigEndian.PutUint32(value, checksum(key, value[4:]))
	return value
}

// unseal returns what seal was given, as a part of value, which must hold at
// least size bytes of it.
func unseal(key, value []byte, size int) ([]byte, error) {
	if len(value) < 4+size || binary.BigEndian.Uint32(value) != checksum(key, value[4:]) {
		return nil, fmt.Errorf("%w: the value under the key %q does not match its checksum", store.ErrDamaged, key)
	}
	return value[4:], nil
}

func checksum(key, body []byte) uint32 {
	return crc32.Update(crc32.Checksum(key, castagnoli), castagnoli, body)
}

// number returns n as 8 bytes in number order.
func number(n uint64) []byte { return binary.BigEndian.AppendUint64(nil, n) }

// moment returns t as it is stored; the zero time is never.
func moment(t time.Time) uint64 {
	if t.IsZero() {
		return never
	}
	return uint64(store.Millis(t))
}

// passed returns the last stored moment that has come at now.
func passed(now time.Time) uint64 { return uint64(max(now.UnixMilli(), 0)) }

// timeOf is moment's way back.
func timeOf(m uint64) time.Time {
	if m == never {
		return time.Time{}
	}
	return time.UnixMilli(int64(m)).UTC()
}

// own is the key of a person's value, and the beginning of all others of the person.
func own(person string) []byte {
	key := make([]byte, 0, 1+len(person)+1+12)
	return append(append(key, byte(len(person))), person...)
}

// ownKind is the beginning of a person's keys of a kind.
func ownKind(person string, kind byte) []byte { return append(own(person), kind) }

func logKey(person string, version uint64, line int) []byte {
	key := binary.BigEndian.AppendUint64(ownKind(person, logKind), version)
	return binary.BigEndian.AppendUint32(key, uint32(line))
}

func keptKey(person, id string) []byte { return append(ownKind(person, keptKind), id...) }

// splitOwn takes a key of the people bucket apart; kind is 0 for a person's value.
func splitOwn(key []byte) (person string, kind byte, rest []byte, err error) {
	if len(key) == 0 || len(key) < 1+int(key[0]) {
		return "", 0, nil, fmt.Errorf("%w: the key %q belongs to no person", store.ErrDamaged, key)
	}
	end := 1 + int(key[0])
	if person = string(key[1:end]); len(key) == end {
		return person, 0, nil, nil
	}
	return person, key[end], key[end+1:], nil
}

func dueKey(at uint64, person string) []byte { return append(number(at), person...) }

func expiryKey(at uint64, kind byte, key []byte) []byte {
	return append(append(number(at), kind), key...)
}

// A stored is a person's value, taken apart. Its bytes belong to the transaction.
type stored struct {
	etag  store.Etag
	due   [2]uint64
	bytes []byte
}

const storedHead = 16 + 2*8

// person returns what is stored of a person; ok is false if nothing is.
func (t *tables) person(person string) (p stored, ok bool, err error) {
	key := own(person)
	value := t.people.Get(key)
	if value == nil {
		return stored{due: [2]uint64{never, never}}, false, nil
	}
	body, err := unseal(key, value, storedHead)
	if err != nil {
		return stored{}, false, err
	}
	copy(p.etag[:], body)
	for lane := range p.due {
		p.due[lane] = binary.BigEndian.Uint64(body[16+8*lane:])
	}
	p.bytes = body[storedHead:]
	return p, true, nil
}

func sealPerson(person string, etag store.Etag, due [2]uint64, record []byte) []byte {
	return seal(own(person), etag[:], number(due[0]), number(due[1]), record)
}

// first returns the first error that is not nil.
func first(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
