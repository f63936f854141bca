package redis

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"iter"
	"maps"
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

// peopleAtOnce is how many partitions one look of People takes.
const peopleAtOnce = 32

// People goes through everybody who has a record, some partitions at a time.
// The server may name somebody twice while its table grows, so the names of
// those partitions are remembered. After an error it ends.
func (s *Store) People(ctx context.Context) iter.Seq2[string, error] {
	return func(yield func(string, error) bool) {
		for from := partition(0); from < partitions; from += peopleAtOnce {
			at := map[partition]uint64{} // those still to be gone through, and where
			for part := from; part < from+peopleAtOnce; part++ {
				at[part] = 0
			}
			for seen := map[string]bool{}; len(at) > 0; {
				page, err := s.page(ctx, at)
				if err != nil {
					yield("", fmt.Errorf("people: %w", err))
					return
				}
				for _, person := range page {
					if seen[person] {
						continue
					}
					if seen[person] = true; !yield(person, nil) {
						return
					}
				}
			}
		}
	}
}

// page returns some people of each partition, moves on in it, and takes out
// those that are at their end.
func (s *Store) page(ctx context.Context, at map[partition]uint64) (people []string, err error) {
	parts := slices.Collect(maps.Keys(at))
	cmds, calls := make([]*redis.ScanCmd, len(parts)), make([]*call, len(parts))
	for i, part := range parts {
		calls[i] = &call{tag: part.tag(), queue: func(p redis.Pipeliner) {
			cmds[i] = p.ZScan(ctx, part.due(store.Routine), at[part], "", 500)
		}}
	}
	if err := s.do(ctx, calls...); err != nil {
		return nil, err
	}
	for i, part := range parts {
		page, next, err := cmds[i].Result()
		if err != nil {
			return nil, err
		}
		for i := 0; i < len(page); i += 2 { // person, score
			people = append(people, page[i])
		}
		if at[part] = next; next == 0 {
			delete(at, part)
		}
	}
	return people, nil
}
