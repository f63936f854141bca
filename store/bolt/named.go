package bolt

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"strings"
	"time"

	"turnstone/store"
)

// A namedWrite is a store.NamedWrite copied; nil bytes delete.
type namedWrite struct {
	key, bytes []byte
	expires    uint64
}

func newNamedWrite(n store.NamedWrite) namedWrite {
	return namedWrite{[]byte(n.Key), bytes.Clone(n.Bytes), moment(n.Expires)}
}

// write puts the value under a new etag, whatever was there before.
func (n namedWrite) write(t *tables) error {
	if t.named.Get(n.key) != nil {
		if err := t.drop(namedKind, n.key); err != nil {
			return err
		}
	}
	if n.bytes == nil {
		return nil
	}
	etag, err := t.named.NextSequence() // of the whole store, so that none comes twice even after a delete
	if err != nil {
		return err
	}
	if n.expires != never {
		if err := t.expiry.Put(expiryKey(n.expires, namedKind, n.key), nil); err != nil {
			return err
		}
	}
	return t.named.Put(n.key, seal(n.key, number(etag), number(n.expires), n.bytes))
}

const namedHead = 2 * 8

// A value is a named value as it is stored; its bytes belong to the transaction.
type value struct {
	etag, expires uint64
	bytes         []byte
}

// readNamed takes apart what is stored under key; ok is false if it has expired at now or is not there.
func readNamed(key, raw []byte, now uint64) (v value, ok bool, err error) {
	if raw == nil {
		return value{}, false, nil
	}
	body, err := unseal(key, raw, namedHead)
	if err != nil {
		return value{}, false, err
	}
	v = value{binary.BigEndian.Uint64(body), binary.BigEndian.Uint64(body[8:]), body[namedHead:]}
	return v, v.expires > now, nil
}

// Get returns the named value under key and its etag; ok is false if there is none.
func (s *Store) Get(ctx context.Context, key string) (got []byte, etag uint64, ok bool, err error) {
	if err := store.CheckNamed(store.NamedWrite{Key: key}); err != nil {
		return nil, 0, false, err
	}
	now := passed(s.clock())
	err = s.view(ctx, func(t *tables) error {
		v, there, err := readNamed([]byte(key), t.named.Get([]byte(key)), now)
		if there {
			got, etag, ok = append([]byte{}, v.bytes...), v.etag, true
		}
		return err
	})
	return got, etag, ok, err
}

// Put writes a named value if etag is that of what is there: 0 if nothing may
// be, store.AnyEtag if it does not matter. A zero expires is never.
func (s *Store) Put(ctx context.Context, key string, value []byte, etag uint64, expires time.Time) error {
	if value == nil {
		value = []byte{} // an empty value; Delete deletes
	}
	return s.change(ctx, store.NamedWrite{Key: key, Bytes: value, Expires: expires}, etag)
}

// Delete deletes a named value if etag is that of what is there, or store.AnyEtag.
func (s *Store) Delete(ctx context.Context, key string, etag uint64) error {
	return s.change(ctx, store.NamedWrite{Key: key}, etag)
}

func (s *Store) change(ctx context.Context, n store.NamedWrite, etag uint64) error {
	if err := store.CheckNamed(n); err != nil {
		return err
	}
	return s.submit(ctx, &namedChange{namedWrite: newNamedWrite(n), read: etag, clock: s.clock})
}

// A namedChange is a namedWrite that compares first.
type namedChange struct {
	namedWrite
	read  uint64
	clock func() time.Time // asked within the transaction, after any wait for it
}

func (c *namedChange) write(t *tables) (answer, fault error) {
	if c.read == store.AnyEtag {
		return nil, c.namedWrite.write(t)
	}
	v, there, err := readNamed(c.key, t.named.Get(c.key), passed(c.clock()))
	if err != nil {
		return err, nil
	}
	if !there {
		v.etag = 0
	}
	if v.etag != c.read {
		return fmt.Errorf("change the named value %q: %w", c.key, store.ErrStale), nil
	}
	return nil, c.namedWrite.write(t)
}

func (c *namedChange) settle(*leases) bool { return false }
func (c *namedChange) mover() string       { return "" }

// List returns the named values whose keys begin with prefix, in the order of their keys.
func (s *Store) List(ctx context.Context, prefix string) ([]store.Named, error) {
	var found []store.Named
	now := passed(s.clock())
	err := s.view(ctx, func(t *tables) error {
		c := t.named.Cursor()
		for k, raw := c.Seek([]byte(prefix)); k != nil && strings.HasPrefix(string(k), prefix); k, raw = c.Next() {
			v, there, err := readNamed(k, raw, now)
			if err != nil {
				return err
			}
			if there {
				found = append(found, store.Named{Key: string(k), Bytes: append([]byte{}, v.bytes...), Etag: v.etag, Expires: timeOf(v.expires)})
			}
		}
		return nil
	})
	return found, err
}
