package redis

import (
	"context"
	"fmt"
	"time"

	"github.com/redis/go-redis/v9"

	"turnstone/store"
)

// retireAtOnce is how much one script removes at most: others wait for it.
const retireAtOnce = 200

// Retire removes kept episodes whose moment has come and named values that
// have expired, until none is left. It returns how many it removed.
func (s *Store) Retire(ctx context.Context, now time.Time) (int, error) {
	if now.IsZero() {
		return 0, fmt.Errorf("retire: the moment is not set: %w", store.ErrInvalid)
	}
	total, err := s.drain(ctx, namedTag, expireScript, []string{expiryKey, indexKey}, retireAtOnce)
	if err != nil {
		return total, fmt.Errorf("retire: %w", err)
	}
	firsts, err := s.keeping(ctx)
	if err != nil {
		return total, fmt.Errorf("retire: %w", err)
	}
	for _, part := range firsts {
		n, err := s.drain(ctx, part.tag(), retireScript, []string{part.keeping()}, retireAtOnce, part.kept())
		if total += n; err != nil {
			return total, fmt.Errorf("retire, after %d: %w", total, err)
		}
	}
	return total, nil
}

// keeping returns the partitions that keep an episode whose moment may have come.
func (s *Store) keeping(ctx context.Context) (parts []partition, err error) {
	cmds := make([]*redis.ZSliceCmd, partitions)
	calls := make([]*call, partitions)
	for i := range calls {
		part := partition(i)
		calls[i] = &call{tag: part.tag(), queue: func(p redis.Pipeliner) {
			cmds[i] = p.ZRangeWithScores(ctx, part.keeping(), 0, 0)
		}}
	}
	if err := s.do(ctx, calls...); err != nil {
		return nil, err
	}
	now := s.serverNow().UnixMilli() + 1
	for i, cmd := range cmds {
		for _, z := range cmd.Val() {
			if int64(z.Score) <= now {
				parts = append(parts, partition(i))
			}
		}
	}
	return parts, nil
}

// drain runs a script until it finds nothing more to remove.
func (s *Store) drain(ctx context.Context, tag string, script script, keys []string, args ...any) (total int, err error) {
	for {
		answer, err := s.run(ctx, tag, script, keys, args...)
		if err != nil {
			return total, err
		}
		n, _ := answer.(int64)
		if total += int(n); n < retireAtOnce {
			return total, nil
		}
	}
}
