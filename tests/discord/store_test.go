package discord_test

import (
	"context"
	"sync/atomic"

	"turnstone/store"
	"turnstone/tests/house"
)

// A shaky store is down when it is told to be.
type shaky struct {
	*house.Memory
	down atomic.Bool
}

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
	return s.Memory.Commit(ctx, w)
}

func (s *shaky) Get(ctx context.Context, key string) (value []byte, etag uint64, ok bool, err error) {
	if err := s.err(); err != nil {
		return nil, 0, false, err
	}
	return s.Memory.Get(ctx, key)
}
