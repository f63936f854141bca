package redis

import (
	"context"
	"crypto/rand"
	"encoding/binary"
	"fmt"
	"time"

	"github.com/redis/go-redis/v9"

	"turnstone/store"
)

// newEtag returns the etag of a named value's next state. It is random and not
// counted: a count could repeat itself when a server that takes over has not
// got the last writes.
func newEtag() uint64 {
	for {
		var b [8]byte
		_, _ = rand.Read(b[:]) // never fails (crypto/rand)
		if etag := binary.BigEndian.Uint64(b[:]); etag != 0 && etag != store.AnyEtag {
			return etag
		}
	}
}

func etagBytes(etag uint64) []byte { return binary.BigEndian.AppendUint64(nil, etag) }

const namedHead = 2 * 8

// readNamed takes a stored value apart; ok is false for what a delete has left.
func readNamed(key string, value []byte) (n store.Named, ok bool) {
	if len(value) < namedHead {
		return n, false
	}
	return store.Named{
		Key: key, Etag: binary.BigEndian.Uint64(value), Expires: timeOf(int64(binary.BigEndian.Uint64(value[8:]))),
		Bytes: value[namedHead:],
	}, true
}

// Get returns the named value under key and its etag; ok is false if there is none.
func (s *Store) Get(ctx context.Context, key string) (got []byte, etag uint64, ok bool, err error) {
	if err := store.CheckNamed(store.NamedWrite{Key: key}); err != nil {
		return nil, 0, false, err
	}
	value, there, err := s.get(ctx, namedTag, valueKey+key)
	if err != nil || !there {
		return nil, 0, false, err
	}
	n, ok := readNamed(key, value)
	return n.Bytes, n.Etag, ok, nil
}

// Put writes a named value if etag is that of what is there: 0 if nothing may
// be, store.AnyEtag if it does not matter. A zero expires is never.
func (s *Store) Put(ctx context.Context, key string, value []byte, etag uint64, expires time.Time) error {
	return s.change(ctx, store.NamedWrite{Key: key, Bytes: nonNil(value), Expires: expires}, etag)
}

// Delete deletes a named value if etag is that of what is there, or store.AnyEtag.
func (s *Store) Delete(ctx context.Context, key string, etag uint64) error {
	return s.change(ctx, store.NamedWrite{Key: key}, etag)
}

func (s *Store) change(ctx context.Context, n store.NamedWrite, etag uint64) error {
	if err := store.CheckNamed(n); err != nil {
		return err
	}
	read := any(etagBytes(etag))
	if etag == store.AnyEtag {
		read = "any"
	}
	args := []any{read, etagBytes(newEtag()), moment(n.Expires), n.Key}
	if n.Bytes != nil {
		args = append(args, n.Bytes)
	}
	answer, err := s.run(ctx, namedTag, namedScript, []string{valueKey + n.Key, indexKey, expiryKey}, args...)
	switch {
	case err != nil:
		return fmt.Errorf("change the named value %q: %w", n.Key, err)
	case answer == stale:
		return fmt.Errorf("change the named value %q: %w", n.Key, store.ErrStale)
	}
	return nil
}

// listAtOnce is how many named values one look at the index takes.
const listAtOnce = 500

// List returns the named values whose keys begin with prefix, in the order of their keys.
func (s *Store) List(ctx context.Context, prefix string) ([]store.Named, error) {
	from, to := "["+prefix, "+"
	if prefix == "" {
		from = "-"
	} else if end := after(prefix); end != "" {
		to = "(" + end
	}
	var all []store.Named
	for {
		var cmd *redis.Cmd
		err := s.do(ctx, &call{tag: namedTag, queue: func(p redis.Pipeliner) {
			cmd = p.EvalSha(ctx, listScript.name, []string{indexKey}, from, to, listAtOnce, valueKey)
		}})
		if err != nil {
			return nil, fmt.Errorf("list named values: %w", err)
		}
		page, ok := cmd.Val().([]any)
		if !ok || len(page) != 3 {
			return nil, s.down(fmt.Errorf("the list's script answered %v", cmd.Val()))
		}
		pairs, _ := page[2].([]any)
		for i := 0; i+1 < len(pairs); i += 2 {
			if n, ok := readNamed(pairs[i].(string), []byte(pairs[i+1].(string))); ok {
				all = append(all, n)
			}
		}
		if page[0].(int64) < listAtOnce {
			return all, nil
		}
		from = "(" + page[1].(string)
	}
}

// after returns the first key that comes after all that begin with prefix, "" if none does.
func after(prefix string) string {
	for end := []byte(prefix); len(end) > 0; end = end[:len(end)-1] {
		if last := len(end) - 1; end[last] < 0xff {
			end[last]++
			return string(end)
		}
	}
	return ""
}
