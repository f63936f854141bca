package redis

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"time"

	"github.com/redis/go-redis/v9"

	"turnstone/store"
)

// rehearse does once, with somebody who does not exist, all that a bot will do,
// so that a missing right or a disk that takes no writes is told at the start
// and not in the first emergency: a script that may not go on in its middle has
// written a half. Whoever it is is erased again.
func (s *Store) rehearse(ctx context.Context) (err error) {
	name := "rehearsal-" + hex.EncodeToString(etagBytes(newEtag()))
	part, now := partitionOf(name), s.clock()
	first := store.Write{
		Person: name, Next: store.Etag{}.Next([8]byte{1}), Bytes: []byte("x"), Log: [][]byte{[]byte("x")}, Now: now,
		Due:   [2]time.Time{{}, now.Add(100 * 365 * 24 * time.Hour)},
		Keep:  []store.Kept{{ID: "x", Until: now.Add(-time.Hour), Bytes: []byte("x")}},
		Named: []store.NamedWrite{{Key: name, Bytes: []byte("x"), Expires: now.Add(time.Hour)}},
	}
	defer func() {
		erase := store.Write{Person: name, Read: first.Next, Next: first.Next.Next([8]byte{2}), Now: now, Named: []store.NamedWrite{{Key: name}}}
		if left := s.Commit(ctx, erase); err == nil {
			err = left
		}
		if err != nil {
			err = fmt.Errorf("rehearsal: %w", err)
		}
	}()
	steps := []func() error{
		func() error { return s.Commit(ctx, first) },
		func() error { _, err := s.Log(ctx, name); return err },
		func() error { _, err := s.Kept(ctx, name); return err },
		func() error {
			_, err := s.drain(ctx, part.tag(), retireScript, []string{part.keeping()}, retireAtOnce, part.kept())
			return err
		},
		func() error { whole, err := s.Whole(ctx, name); return errors.Join(err, s.Restore(ctx, whole)) },
		func() error { _, _, err := s.NextDue(ctx, store.Urgent); return err },
		func() error {
			_, err := s.lease(ctx, store.Routine, []found{{part, name, 0}}, time.Second)
			return err
		},
		func() error {
			_, err := s.run(ctx, part.tag(), releaseScript, []string{part.records() + name, part.due(store.Routine)}, name, 1)
			return err
		},
		func() error { _, err := s.page(ctx, map[partition]uint64{part: 0}); return err },
		func() error { return s.Put(ctx, name, []byte("y"), store.AnyEtag, time.Time{}) },
		func() error { _, err := s.List(ctx, name); return err },
		func() error { return s.rehearseKey(ctx, part) },
	}
	for _, step := range steps {
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}

// rehearseKey keeps, reads and takes out again what lies where a person's key would.
func (s *Store) rehearseKey(ctx context.Context, part partition) error {
	place := part.tag() + ":h:rehearsal"
	return s.do(ctx, &call{tag: part.tag(), write: true, queue: func(p redis.Pipeliner) {
		p.HSet(ctx, place, "x", "y")
		p.HGet(ctx, place, "x")
		p.HGetAll(ctx, place)
		p.HDel(ctx, place, "x")
	}})
}
