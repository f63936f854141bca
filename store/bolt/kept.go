package bolt

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"time"

	"go.etcd.io/bbolt"

	"turnstone/store"
)

// retireAtOnce is how much one transaction removes at most. bbolt writes its
// whole list of free pages with each commit, so a great sweep at once would
// slow down every commit after it.
const retireAtOnce = 200

// keep writes a kept episode and when it must go, in place of one of the same ID.
func (t *tables) keep(k keep) error {
	if t.people.Get(k.key) != nil {
		if err := t.drop(keptKind, k.key); err != nil {
			return err
		}
	}
	return first(t.people.Put(k.key, k.value), t.expiry.Put(expiryKey(k.until, keptKind, k.key), nil))
}

// expiring returns the bucket of an expiring kind, and where in its values the
// moment lies at which they go.
func (t *tables) expiring(kind byte) (b *bbolt.Bucket, at int) {
	if kind == namedKind {
		return t.named, 8
	}
	return t.people, 0
}

// drop deletes a kept episode or a named value, with its expiry entry.
func (t *tables) drop(kind byte, key []byte) error {
	bucket, at := t.expiring(kind)
	body, err := unseal(key, bucket.Get(key), at+8)
	if err != nil {
		// What is damaged can be deleted all the same: its expiry entry stays
		// behind, and Retire lets it go on its day.
		return bucket.Delete(key)
	}
	if until := binary.BigEndian.Uint64(body[at:]); until != never {
		if err := t.expiry.Delete(expiryKey(until, kind, key)); err != nil {
			return err
		}
	}
	return bucket.Delete(key)
}

// Kept returns the kept episodes of a person whose moment has not come, in the order of their IDs.
func (s *Store) Kept(ctx context.Context, person string) ([]store.Kept, error) {
	if err := store.CheckPerson(person); err != nil {
		return nil, err
	}
	var kept []store.Kept
	now, prefix := passed(s.clock()), ownKind(person, keptKind)
	err := s.view(ctx, func(t *tables) error {
		c := t.people.Cursor()
		for k, v := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, v = c.Next() {
			body, err := unseal(k, v, 8)
			if err != nil {
				return err
			}
			if until := binary.BigEndian.Uint64(body); until > now {
				kept = append(kept, store.Kept{ID: string(k[len(prefix):]), Until: timeOf(until), Bytes: bytes.Clone(body[8:])})
			}
		}
		return nil
	})
	return kept, err
}

// Retire removes kept episodes whose moment has come and named values that
// have expired, at most 200 a transaction and with other commits in between,
// until none is left. It returns how many it removed.
func (s *Store) Retire(ctx context.Context, now time.Time) (int, error) {
	if now.IsZero() {
		return 0, fmt.Errorf("retire: the moment is not set: %w", store.ErrInvalid)
	}
	for total := 0; ; {
		r := &retirement{until: passed(now)}
		if err := s.submit(ctx, r); err != nil {
			return total, fmt.Errorf("retire, after %d: %w", total, err)
		}
		total += r.removed
		if r.looked < retireAtOnce {
			return total, nil
		}
	}
}

// A retirement is one transaction's part of Retire.
type retirement struct {
	until           uint64
	looked, removed int // filled in by write
}

func (r *retirement) write(t *tables) (answer, fault error) {
	var entries [][]byte
	c := t.expiry.Cursor()
	for k, _ := c.First(); k != nil && len(entries) < retireAtOnce; k, _ = c.Next() {
		if len(k) < 10 {
			return fmt.Errorf("%w: an expiry entry of %d bytes", store.ErrDamaged, len(k)), nil
		}
		if binary.BigEndian.Uint64(k) > r.until {
			break
		}
		entries = append(entries, bytes.Clone(k))
	}
	r.looked = len(entries)
	for _, e := range entries {
		removed, err := t.expire(e)
		if err != nil {
			return nil, err
		}
		if removed {
			r.removed++
		}
	}
	return nil, nil
}

// expire removes an expiry entry and, if it still goes on that day, what it points at.
func (t *tables) expire(entry []byte) (removed bool, err error) {
	kind, key := entry[8], entry[9:]
	bucket, at := t.expiring(kind)
	body, err := unseal(key, bucket.Get(key), at+8)
	if err == nil && bytes.Equal(body[at:at+8], entry[:8]) {
		removed = true
	}
	if removed {
		if err := bucket.Delete(key); err != nil {
			return false, err
		}
	}
	return removed, t.expiry.Delete(entry)
}

func (r *retirement) settle(*leases) bool { return false }
func (r *retirement) mover() string       { return "" }
