package redis

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"
	"time"

	"github.com/redis/go-redis/v9"

	"turnstone/store"
)

// get reads one value.
func (s *Store) get(ctx context.Context, tag, key string) (value []byte, there bool, err error) {
	var cmd *redis.StringCmd
	if err := s.do(ctx, &call{tag: tag, queue: func(p redis.Pipeliner) { cmd = p.Get(ctx, key) }}); err != nil {
		return nil, false, err
	}
	value, err = cmd.Bytes()
	if errors.Is(err, redis.Nil) {
		return nil, false, nil
	}
	return value, err == nil, err
}

// Load returns the record of a person; it is zero if there is none.
func (s *Store) Load(ctx context.Context, person string) (store.Record, error) {
	if err := store.CheckPerson(person); err != nil {
		return store.Record{}, err
	}
	r, err := s.load(ctx, person)
	if err != nil {
		return store.Record{}, fmt.Errorf("load: %w", err)
	}
	return r, nil
}

// Log returns all log lines of a person in the order of their commits.
func (s *Store) Log(ctx context.Context, person string) ([][]byte, error) {
	if err := store.CheckPerson(person); err != nil {
		return nil, err
	}
	part := partitionOf(person)
	var lines *redis.StringSliceCmd
	var head *redis.StringCmd
	err := s.do(ctx, &call{tag: part.tag(), queue: func(p redis.Pipeliner) {
		lines = p.LRange(ctx, part.logs()+person, 0, -1)
		head = p.GetRange(ctx, part.records()+person, 0, storedHead-1) // after the lines, so that it owes what they owe
	}})
	if err == nil {
		err = s.settle(ctx, person, head.Val())
	}
	if err != nil {
		return nil, fmt.Errorf("log: %w", err)
	}
	var log [][]byte
	for _, line := range lines.Val() {
		log = append(log, []byte(line))
	}
	return log, nil
}

// Kept returns the kept episodes of a person whose moment has not come, in the order of their IDs.
func (s *Store) Kept(ctx context.Context, person string) ([]store.Kept, error) {
	if err := store.CheckPerson(person); err != nil {
		return nil, err
	}
	part := partitionOf(person)
	var all *redis.MapStringStringCmd
	var head *redis.StringCmd
	var clock *redis.TimeCmd
	err := s.do(ctx, &call{tag: part.tag(), queue: func(p redis.Pipeliner) {
		all = p.HGetAll(ctx, part.kept()+person)
		head = p.GetRange(ctx, part.records()+person, 0, storedHead-1)
		clock = p.Time(ctx)
	}})
	if err == nil {
		err = s.settle(ctx, person, head.Val())
	}
	if err != nil {
		return nil, fmt.Errorf("kept episodes: %w", err)
	}
	return readKept(all.Val(), clock.Val())
}

func readKept(all map[string]string, now time.Time) (kept []store.Kept, err error) {
	for id, value := range all {
		if len(value) < 8 {
			return nil, fmt.Errorf("%w: the kept episode %q has no moment", store.ErrDamaged, id)
		}
		if until := int64(binary.BigEndian.Uint64([]byte(value))); until > now.UnixMilli() {
			kept = append(kept, store.Kept{ID: id, Until: timeOf(until), Bytes: []byte(value[8:])})
		}
	}
	slices.SortFunc(kept, func(a, b store.Kept) int { return strings.Compare(a.ID, b.ID) })
	return kept, nil
}

// People goes through everybody who has a record, one partition after the
// other. The server may name somebody twice while its table grows, so the
// names of one partition are remembered. After an error it ends.
func (s *Store) People(ctx context.Context) iter.Seq2[string, error] {
	return func(yield func(string, error) bool) {
		for part := range partition(partitions) {
			seen := map[string]bool{}
			for cursor := uint64(0); ; {
				page, next, err := s.page(ctx, part, cursor)
				if err != nil {
					yield("", fmt.Errorf("people: %w", err))
					return
				}
				for i := 0; i < len(page); i += 2 { // person, score
					if seen[page[i]] {
						continue
					}
					if seen[page[i]] = true; !yield(page[i], nil) {
						return
					}
				}
				if cursor = next; cursor == 0 {
					break
				}
			}
		}
	}
}

func (s *Store) page(ctx context.Context, part partition, cursor uint64) ([]string, uint64, error) {
	var cmd *redis.ScanCmd
	err := s.do(ctx, &call{tag: part.tag(), queue: func(p redis.Pipeliner) {
		cmd = p.ZScan(ctx, part.due(store.Routine), cursor, "", 500)
	}})
	if err != nil {
		return nil, 0, err
	}
	return cmd.Result()
}
