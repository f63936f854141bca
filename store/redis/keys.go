package redis

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"strconv"
	"time"

	"turnstone/store"
)

// format is the number of the layout below. A change that an older program
// would misread raises it.
const format = 1

// partitions is the number of tags that people are spread over. It is fixed
// for ever: another number would look for everybody in another place.
const partitions = 256

// The keys. <t> is the tag of a person's partition, in braces, which decides
// the slot in a Cluster.
//
//	<t>:r:<person>  string   etag 16, due 2 x 8, erased 1, size 4 and named values to bring in, record
//	<t>:due!        zset     person -> when claimable, ms: urgent; nobody without something due
//	<t>:due         zset     the same, routine; everybody, with never for those without
//	<t>:l:<person>  list     log lines
//	<t>:k:<person>  hash     episode ID -> until 8, episode
//	<t>:keeping     zset     size 1, person, episode ID -> until, ms
//	<t>:clock       string   the latest moment at which a lease was taken here, ms
//	<t>:h:<bucket>  hash     key ID -> a person's wrapped data key (Keys)
//	{named}:v:<key> string   etag 8, expires 8, value; etag 8 alone for a minute after a delete
//	{named}:index   zset     key -> 0
//	{named}:expiry  zset     key -> expires, ms
//	{named}:m:<m>   string   mark of a commit whose named values have been brought in
//	{bot}:meta      hash     format, partitions
const (
	namedTag  = "{named}"
	valueKey  = namedTag + ":v:"
	indexKey  = namedTag + ":index"
	expiryKey = namedTag + ":expiry"
	markKey   = namedTag + ":m:"
	metaTag   = "{bot}"
	metaKey   = metaTag + ":meta"
)

// never is the moment of what has none: the largest whole number that a score
// holds exactly, with all below it.
const never = int64(1) << 53

// A partition is where a person's keys lie.
type partition int

func partitionOf(person string) partition {
	return partition(crc32.ChecksumIEEE([]byte(person)) % partitions)
}

func (p partition) tag() string             { return "{p" + strconv.Itoa(int(p)) + "}" }
func (p partition) records() string         { return p.tag() + ":r:" }
func (p partition) logs() string            { return p.tag() + ":l:" }
func (p partition) kept() string            { return p.tag() + ":k:" }
func (p partition) keeping() string         { return p.tag() + ":keeping" }
func (p partition) clock() string           { return p.tag() + ":clock" }
func (p partition) due(l store.Lane) string { return p.tag() + [2]string{":due!", ":due"}[l] }

// moment returns t as it is stored; the zero time is never.
func moment(t time.Time) int64 {
	if t.IsZero() {
		return never
	}
	return min(store.Millis(t), never-1)
}

// timeOf is moment's way back.
func timeOf(ms int64) time.Time {
	if ms >= never {
		return time.Time{}
	}
	return time.UnixMilli(ms).UTC()
}

func number(n int64) []byte { return binary.BigEndian.AppendUint64(nil, uint64(n)) }

func decimal(n int64) string { return strconv.FormatInt(n, 10) }

// A stored is what lies under the key of a record.
type stored struct {
	etag   store.Etag
	due    [2]int64
	erased bool   // nobody is there any more; only the named values are to be brought in
	named  []byte // named values of its commit that are to be brought in first
	record []byte
}

const storedHead = 16 + 2*8 + 1 + 4

func (s stored) bytes() []byte {
	b := make([]byte, 0, storedHead+len(s.named)+len(s.record))
	b = append(b, s.etag[:]...)
	for _, at := range s.due {
		b = binary.BigEndian.AppendUint64(b, uint64(at))
	}
	if s.erased {
		b = append(b, 1)
	} else {
		b = append(b, 0)
	}
	b = binary.BigEndian.AppendUint32(b, uint32(len(s.named)))
	return append(append(b, s.named...), s.record...)
}

func readStored(key string, b []byte) (s stored, err error) {
	if len(b) < storedHead || len(b)-storedHead < int(binary.BigEndian.Uint32(b[33:])) {
		return s, fmt.Errorf("%w: what lies under %q is no record", store.ErrDamaged, key)
	}
	copy(s.etag[:], b)
	for lane := range s.due {
		s.due[lane] = int64(binary.BigEndian.Uint64(b[16+8*lane:]))
	}
	s.erased = b[32] == 1
	end := storedHead + int(binary.BigEndian.Uint32(b[33:]))
	s.named, s.record = b[storedHead:end], b[end:]
	return s, nil
}

// A pending is the named values of a commit, as they lie in its record until
// they are brought in.
type pending struct {
	mark  []byte // 8 random bytes of this commit
	named []pendingValue
}

type pendingValue struct {
	key     string
	etag    []byte
	expires int64
	bytes   []byte // nil deletes
}

func newPending(named []store.NamedWrite) pending {
	p := pending{mark: etagBytes(newEtag())}
	for _, n := range named {
		p.named = append(p.named, pendingValue{n.Key, etagBytes(newEtag()), moment(n.Expires), n.Bytes})
	}
	return p
}

func (p pending) bytes() []byte {
	b := append([]byte{}, p.mark...)
	for _, n := range p.named {
		b = binary.BigEndian.AppendUint16(b, uint16(len(n.key)))
		b = append(append(append(b, n.key...), n.etag...), number(n.expires)...)
		if n.bytes == nil {
			b = append(b, '-')
			b = binary.BigEndian.AppendUint32(b, 0)
			continue
		}
		b = append(b, '+')
		b = binary.BigEndian.AppendUint32(b, uint32(len(n.bytes)))
		b = append(b, n.bytes...)
	}
	return b
}

var errPending = errors.New("named values that are to be brought in do not read as such")

func readPending(b []byte) (p pending, err error) {
	cut := func(n int) (part []byte) {
		if len(b) < n {
			err, b = errPending, nil
			return make([]byte, n)
		}
		part, b = b[:n], b[n:]
		return part
	}
	p.mark = cut(8)
	for len(b) > 0 && err == nil {
		v := pendingValue{key: string(cut(int(binary.BigEndian.Uint16(cut(2)))))}
		v.etag, v.expires = cut(8), int64(binary.BigEndian.Uint64(cut(8)))
		is, size := cut(1)[0], int(binary.BigEndian.Uint32(cut(4)))
		if size > len(b) {
			return p, fmt.Errorf("%w: %w", store.ErrDamaged, errPending)
		}
		if bytes := cut(size); is == '+' {
			v.bytes = append([]byte{}, bytes...)
		}
		p.named = append(p.named, v)
	}
	if err != nil {
		return p, fmt.Errorf("%w: %w", store.ErrDamaged, err)
	}
	return p, nil
}
