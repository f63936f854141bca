package redis

import (
	"context"
	"fmt"

	"github.com/redis/go-redis/v9"

	"turnstone/seal"
)

// Keys keep the data keys of a sealed store on its own server, wrapped by a
// master key that is not there. A person's key lies in their partition, so
// that a server that has a record has its key too, whatever a fail-over lost.
//
//	<t>:h:<bucket>  hash     key ID -> wrapped key; empty once it was dropped
//
// The bucket is the eleventh byte of the ID and the partition the twelfth: a
// hash of some dozens is packed by the server (hash-max-listpack-entries, 128
// by default), about 80 bytes a key up to some millions of people.
type Keys struct {
	store   *Store
	masters *seal.Masters
}

// Keys returns the keys on this server, as masters wrap them.
func (s *Store) Keys(masters *seal.Masters) *Keys { return &Keys{s, masters} }

// Where a key ID tells its place.
const (
	bucketByte    = 10
	partitionByte = 11
)

func keyPlace(id seal.KeyID) (tag, key string) {
	part := partition(id[partitionByte])
	return part.tag(), fmt.Sprintf("%s:h:%d", part.tag(), id[bucketByte])
}

// New makes a key for a person, and returns when it is stored.
func (k *Keys) New(ctx context.Context, person string) (seal.KeyID, seal.Key, error) {
	key := seal.NewKey()
	id := seal.NewKeyID()
	id[partitionByte] = byte(partitionOf(person))
	tag, place := keyPlace(id)
	err := k.store.do(ctx, &call{tag: tag, write: true, queue: func(p redis.Pipeliner) {
		p.HSet(ctx, place, string(id[:]), k.masters.Wrap(id, key))
	}})
	if err != nil {
		err = fmt.Errorf("keep a new key: %w", err)
	}
	return id, key, err
}

// Key returns a key, or seal.ErrDropped.
func (k *Keys) Key(ctx context.Context, id seal.KeyID) (seal.Key, error) {
	wrapped, there, err := k.wrapped(ctx, id)
	switch {
	case err != nil:
		return seal.Key{}, err
	case !there:
		return seal.Key{}, fmt.Errorf("key %s: %w", id, seal.ErrUnknown)
	case len(wrapped) == 0:
		return seal.Key{}, fmt.Errorf("key %s: %w", id, seal.ErrDropped)
	}
	key, err := k.masters.Unwrap(id, wrapped)
	if err != nil {
		err = fmt.Errorf("key %s: %w", id, err)
	}
	return key, err
}

func (k *Keys) wrapped(ctx context.Context, id seal.KeyID) (wrapped []byte, there bool, err error) {
	tag, place := keyPlace(id)
	var cmd *redis.StringCmd
	err = k.store.do(ctx, &call{tag: tag, queue: func(p redis.Pipeliner) { cmd = p.HGet(ctx, place, string(id[:])) }})
	if err != nil {
		return nil, false, fmt.Errorf("read a key: %w", err)
	}
	wrapped, err = cmd.Bytes()
	if err != nil { // the call went well, so it is redis.Nil
		return nil, false, nil
	}
	return wrapped, true, nil
}

// Drop puts nothing in the place of a key. What was never there stays so.
func (k *Keys) Drop(ctx context.Context, id seal.KeyID) error {
	if _, there, err := k.wrapped(ctx, id); err != nil || !there {
		return err
	}
	tag, place := keyPlace(id)
	err := k.store.do(ctx, &call{tag: tag, write: true, queue: func(p redis.Pipeliner) { p.HSet(ctx, place, string(id[:]), "") }})
	if err != nil {
		err = fmt.Errorf("drop a key: %w", err)
	}
	return err
}

// Rewrap wraps every key with the newest master key, and returns how many.
func (k *Keys) Rewrap(ctx context.Context) (int, error) {
	done := 0
	for part := partition(0); part < partitions; part++ {
		for bucket := range 256 {
			n, err := k.rewrap(ctx, part.tag(), fmt.Sprintf("%s:h:%d", part.tag(), bucket))
			done += n
			if err != nil {
				return done, fmt.Errorf("wrap the keys anew: %w", err)
			}
		}
	}
	return done, nil
}

func (k *Keys) rewrap(ctx context.Context, tag, place string) (int, error) {
	var all *redis.MapStringStringCmd
	err := k.store.do(ctx, &call{tag: tag, queue: func(p redis.Pipeliner) { all = p.HGetAll(ctx, place) }})
	if err != nil {
		return 0, err
	}
	done := 0
	for name, was := range all.Val() {
		if was == "" {
			continue
		}
		id := seal.KeyID([]byte(name))
		key, err := k.masters.Unwrap(id, []byte(was))
		if err != nil {
			return done, err
		}
		// Only what is still there is replaced: who was erased meanwhile stays so.
		if _, err := k.store.run(ctx, tag, rewrapScript, []string{place}, name, was, k.masters.Wrap(id, key)); err != nil {
			return done, err
		}
		done++
	}
	return done, nil
}

// Close does nothing: the connection is the store's.
func (k *Keys) Close() error { return nil }
