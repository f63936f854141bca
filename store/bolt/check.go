package bolt

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"

	"go.etcd.io/bbolt"

	"turnstone/store"
)

// maxFaults is how many faults Check names before it stops looking.
const maxFaults = 20

// Check reads the whole file and returns store.ErrDamaged with each fault that
// it finds: pages, checksums, and entries of an index without their record or
// the other way round. Commits wait meanwhile, seconds with a million people:
// a tool's call, not a running bot's.
func (s *Store) Check(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	// A writing transaction that writes nothing: the list of free pages must
	// hold still while bbolt looks at it.
	err := guard(func() (err error) {
		tx, err := s.db.Begin(true)
		if err != nil {
			return fmt.Errorf("%w: %w", store.ErrDown, err)
		}
		defer func() { err = errors.Join(err, tx.Rollback()) }()
		return check(tx)
	})
	if err != nil {
		return fmt.Errorf("check of the store in %s: %w", s.dir, err)
	}
	return nil
}

func check(tx *bbolt.Tx) error {
	c := &checker{t: openTables(tx)}
	for err := range tx.Check() { // to the end, or its goroutine stays
		c.fault("%w", err)
	}
	if len(c.faults) == 0 { // on broken pages the rest would only be noise
		c.each(c.t.people, c.own)
		for lane, n := range c.due {
			c.index(fmt.Sprintf("entries of the %v lane", store.Lane(lane)), c.t.due[lane], n)
		}
		c.each(c.t.named, func(k, v []byte) { c.expiring(namedKind, k, v, namedHead) })
		c.index("expiry entries", c.t.expiry, c.expiries)
	}
	return errors.Join(c.faults...)
}

type checker struct {
	t        *tables
	due      [2]int // entries that there must be a lane
	expiries int    // expiry entries that there must be
	faults   []error
}

func (c *checker) fault(format string, args ...any) {
	if len(c.faults) < maxFaults {
		c.faults = append(c.faults, fmt.Errorf("%w: %w", store.ErrDamaged, fmt.Errorf(format, args...)))
	}
}

// each walks a bucket until enough faults are found.
func (c *checker) each(b *bbolt.Bucket, look func(k, v []byte)) {
	cur := b.Cursor()
	for k, v := cur.First(); k != nil && len(c.faults) < maxFaults; k, v = cur.Next() {
		look(k, v)
	}
}

// own checks one key of the people bucket.
func (c *checker) own(k, v []byte) {
	person, kind, rest, err := splitOwn(k)
	if err != nil {
		c.fault("%w", err)
		return
	}
	switch kind {
	case 0:
		c.person(person)
		return
	case keptKind:
		c.expiring(keptKind, k, v, 8)
	case logKind:
		c.line(person, k, v, rest)
	default:
		c.fault("the key %q is of no known kind", k)
	}
	if c.t.people.Get(own(person)) == nil {
		c.fault("the key %q belongs to nobody who is there", k)
	}
}

func (c *checker) person(person string) {
	p, _, err := c.t.person(person)
	if err != nil {
		c.fault("%w", err)
		return
	}
	for lane, at := range p.due {
		if at == never {
			continue
		}
		c.due[lane]++
		if c.t.due[lane].Get(dueKey(at, person)) == nil {
			c.fault("%q is due at %v in the %v lane and has no entry there", person, timeOf(at), store.Lane(lane))
		}
	}
}

func (c *checker) line(person string, k, v, rest []byte) {
	if _, err := unseal(k, v, 0); err != nil {
		c.fault("%w", err)
		return
	}
	p, there, err := c.t.person(person)
	if len(rest) != 12 || err == nil && there && binary.BigEndian.Uint64(rest) > p.etag.Version() {
		c.fault("the log line %q belongs to no version of the record", k)
	}
}

// index compares the size of an index with what the records ask for: since each
// record's entry was found, another size means entries without a record.
func (c *checker) index(what string, b *bbolt.Bucket, want int) {
	got := 0
	c.each(b, func(_, _ []byte) { got++ })
	if got != want {
		c.fault("%d %s where the records ask for %d", got, what, want)
	}
}

// expiring checks a value that may go one day.
func (c *checker) expiring(kind byte, k, v []byte, head int) {
	_, at := c.t.expiring(kind)
	body, err := unseal(k, v, head)
	if err != nil {
		c.fault("%w", err)
		return
	}
	until := binary.BigEndian.Uint64(body[at:])
	if until == never {
		return
	}
	c.expiries++
	if c.t.expiry.Get(expiryKey(until, kind, k)) == nil {
		c.fault("%q goes at %v and has no expiry entry", k, timeOf(until))
	}
}
