package discord_test

import (
	"context"
	"sync/atomic"
	"time"

	"turnstone/store"
	"turnstone/tests/house"
)

// A shaky store is down when it is told to be, and its commits are slow.
type shaky struct {
	*house.Memory
	down atomic.Bool
	slow atomic.Int64 // nanoseconds that a commit takes
	late atomic.Int64 // commits that did not end before the caller's own deadline
}

// Slow lets each commit take so long, or until its caller gives up.
func (s *shaky) Slow(d time.Duration) { s.slow.Store(int64(d)) }

func (s *shaky) Down(yes bool) { s.down.Store(yes) }

func (s *shaky) err() error {
	if s.down.Load() {
		return store.ErrDown
	}
	return nil
}

func (s *shaky) Load(ctx context.Context, person string) (store.Record, error) {
	if err := s.err(); err != nil {
		return store.Record{}, err
	}
	return s.Memory.Load(ctx, person)
}

func (s *shaky) Commit(ctx context.Context, w store.Write) error {
	if err := s.err(); err != nil {
		return err
	}
	if d := time.Duration(s.slow.Load()); d > 0 {
		select {
		case <-ctx.Done():
			s.late.Add(1)
			return ctx.Err()
		case <-time.After(d):
		}
	}
	return s.Memory.Commit(ctx, w)
}

func (s *shaky) Get(ctx context.Context, key string) (value []byte, etag uint64, ok bool, err error) {
	if err := s.err(); err != nil {
		return nil, 0, false, err
	}
	return s.Memory.Get(ctx, key)
}
