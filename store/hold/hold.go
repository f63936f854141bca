// Package hold lets one of several processes hold something that only one may
// have at a time, such as the connection to a channel's gateway: a named value
// with an owner and an end. Whoever holds it takes it again before the end;
// when its process dies, another has it after the end at the latest.
//
// The end is a moment by this process's clock, and the store compares it with
// its own. A holder therefore trusts its hold for two thirds of its length
// only, by its stopwatch: clocks may differ by the rest, and a store warns
// long before they do.
package hold

import (
	"context"
	"errors"
	"sync/atomic"
	"time"

	"turnstone/store"
)

// A Store is what a hold needs from a store.
type Store interface {
	Get(ctx context.Context, key string) (value []byte, etag uint64, ok bool, err error)
	Put(ctx context.Context, key string, value []byte, etag uint64, expires time.Time) error
	Delete(ctx context.Context, key string, etag uint64) error
}

// A Hold is one process's claim on one thing. It is taken and given by one
// goroutine; any may ask whether it is had.
type Hold struct {
	Store  Store
	Key    string        // of the named value
	Owner  string        // this process, unlike any other
	Length time.Duration // take it again after a third of that
	Now    func() time.Time

	taken atomic.Pointer[time.Time] // when it was last asked for with success; nil: not held
}

// Take takes the hold, or takes it again, and tells whether this process has
// it. After an error it may or may not; Has goes by what was known before.
func (h *Hold) Take(ctx context.Context) (bool, error) {
	asked := time.Now()
	owner, etag, there, err := h.Store.Get(ctx, h.Key)
	if err != nil {
		return h.Has(), err
	}
	if there && string(owner) != h.Owner {
		h.taken.Store(nil)
		return false, nil
	}
	switch err := h.Store.Put(ctx, h.Key, []byte(h.Owner), etag, h.Now().Add(h.Length)); {
	case errors.Is(err, store.ErrStale): // another was quicker
		h.taken.Store(nil)
		return false, nil
	case err != nil:
		return h.Has(), err
	}
	h.taken.Store(&asked)
	return true, nil
}

// Has tells whether the hold can still be trusted, without asking anybody.
func (h *Hold) Has() bool {
	taken := h.taken.Load()
	if taken == nil {
		return false
	}
	age := time.Since(*taken)
	wall := time.Now().Round(0).Sub(taken.Round(0)) // a machine that slept stops the stopwatch
	return max(age, wall) < h.Length*2/3
}

// Give gives the hold up, so that another need not wait for its end.
func (h *Hold) Give(ctx context.Context) error {
	h.taken.Store(nil)
	owner, etag, there, err := h.Store.Get(ctx, h.Key)
	if err != nil || !there || string(owner) != h.Owner {
		return err
	}
	if err := h.Store.Delete(ctx, h.Key, etag); err != nil && !errors.Is(err, store.ErrStale) {
		return err
	}
	return nil
}
