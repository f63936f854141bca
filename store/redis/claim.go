package redis

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/redis/go-redis/v9"

	"turnstone/store"
)

func leaseMillis(d time.Duration) int64 {
	return int64((d + time.Millisecond - 1) / time.Millisecond) // rounded up: 0 would be none
}

// A found is somebody at their place in the index of what is due.
type found struct {
	part   partition
	person string
	score  int64
}

// Claim hands out up to n people whose due time in lane has come, oldest
// first, and leases each of them in that lane. The server's clock says what
// has come.
func (s *Store) Claim(ctx context.Context, now time.Time, lane store.Lane, n int, length time.Duration) ([]string, error) {
	if lane > store.Routine || n < 0 || length <= 0 || now.IsZero() {
		return nil, fmt.Errorf("claim %d in lane %v for %v at %v: %w", n, lane, length, now, store.ErrInvalid)
	}
	var people []string
	for len(people) == 0 && n > 0 { // again only where others were quicker with all of them
		due, err := s.oldest(ctx, lane, n)
		if err != nil {
			return nil, fmt.Errorf("claim: %w", err)
		}
		if len(due) == 0 {
			break
		}
		// Who is somebody else's meanwhile is passed over, and the next
		// oldest tried.
		for len(due) > 0 && len(people) < n {
			some := due[:min(len(due), n-len(people))]
			due = due[len(some):]
			leased, err := s.lease(ctx, lane, some, length)
			people = append(people, leased...)
			if err != nil {
				return people, fmt.Errorf("claim: %w", err)
			}
		}
	}
	return people, nil
}

// oldest returns people whose time has come, oldest first: of everybody, at
// least the n oldest if there are as many.
func (s *Store) oldest(ctx context.Context, lane store.Lane, n int) ([]found, error) {
	firsts, err := s.peek(ctx, lane)
	if err != nil || len(firsts) == 0 {
		return nil, err
	}
	now := s.serverNow().UnixMilli()
	firsts = slices.DeleteFunc(firsts, func(f found) bool { return f.score > now })
	// Whoever is later than the n-th of the first ones is not among the n
	// oldest; who is as late need not be looked for either.
	bound := now + 1
	if len(firsts) >= n {
		firsts = firsts[:n]
		bound = firsts[n-1].score
	}
	var due []found
	var cmds []*redis.ZSliceCmd
	var calls []*call
	var parts []partition
	for _, f := range firsts {
		if f.score == bound {
			due = append(due, f)
			continue
		}
		i := len(calls)
		cmds, parts = append(cmds, nil), append(parts, f.part)
		calls = append(calls, &call{tag: f.part.tag(), queue: func(p redis.Pipeliner) {
			cmds[i] = p.ZRangeArgsWithScores(ctx, redis.ZRangeArgs{
				Key: f.part.due(lane), Start: "-inf", Stop: "(" + decimal(bound), ByScore: true, Count: int64(n),
			})
		}})
	}
	if err := s.do(ctx, calls...); err != nil {
		return nil, err
	}
	for i, part := range parts {
		for _, z := range cmds[i].Val() {
			due = append(due, found{part, z.Member.(string), int64(z.Score)})
		}
	}
	slices.SortFunc(due, oldestFirst)
	return due, nil
}

func oldestFirst(a, b found) int {
	return cmp.Or(cmp.Compare(a.score, b.score), cmp.Compare(a.person, b.person))
}

// peek returns the first in line of each partition, oldest first.
func (s *Store) peek(ctx context.Context, lane store.Lane) ([]found, error) {
	cmds := make([]*redis.ZSliceCmd, partitions)
	calls := make([]*call, partitions)
	for i := range calls {
		part := partition(i)
		calls[i] = &call{tag: part.tag(), queue: func(p redis.Pipeliner) {
			cmds[i] = p.ZRangeWithScores(ctx, part.due(lane), 0, 0)
		}}
	}
	if err := s.do(ctx, calls...); err != nil {
		return nil, err
	}
	if err := s.offsets.setBack(ctx, s); err != nil {
		return nil, err
	}
	var firsts []found
	for i, cmd := range cmds {
		for _, z := range cmd.Val() {
			if at := int64(z.Score); at < never {
				firsts = append(firsts, found{partition(i), z.Member.(string), at})
			}
		}
	}
	slices.SortFunc(firsts, oldestFirst)
	return firsts, nil
}

// lease leases those of some that are still where they were found, and keeps their order.
func (s *Store) lease(ctx context.Context, lane store.Lane, some []found, length time.Duration) ([]string, error) {
	byPart := map[partition][]found{}
	for _, f := range some {
		byPart[f.part] = append(byPart[f.part], f)
	}
	var calls []*call
	var cmds []*redis.Cmd
	for part, people := range byPart {
		i := len(calls)
		cmds = append(cmds, nil)
		args := []any{leaseMillis(length), part.records()}
		for _, f := range people {
			args = append(args, f.person, decimal(f.score))
		}
		calls = append(calls, &call{tag: part.tag(), write: true, queue: func(p redis.Pipeliner) {
			cmds[i] = p.EvalSha(ctx, claimScript.name, []string{part.due(lane), part.clock()}, args...)
		}})
	}
	if err := s.do(ctx, calls...); err != nil {
		return nil, err
	}
	leased := map[string]bool{}
	for _, cmd := range cmds {
		lists, ok := cmd.Val().([]any)
		if !ok || len(lists) != 2 {
			return nil, s.down(fmt.Errorf("the claim's script answered %v", cmd.Val()))
		}
		for _, person := range lists[0].([]any) {
			leased[person.(string)] = true
		}
		for _, person := range lists[1].([]any) {
			if _, err := s.load(ctx, person.(string)); err != nil {
				return nil, err
			}
		}
	}
	var people []string
	for _, f := range some {
		if leased[f.person] {
			people = append(people, f.person)
		}
	}
	return people, nil
}

// Release ends the lease of a person in a lane. If the server does not answer,
// the lease ends by time.
func (s *Store) Release(person string, lane store.Lane) {
	if lane > store.Routine || store.CheckPerson(person) != nil {
		return
	}
	part := partitionOf(person)
	earlier, err := s.run(context.Background(), part.tag(), releaseScript,
		[]string{part.records() + person, part.due(lane)}, person, int(lane))
	if err != nil {
		s.log.Warn("a lease was not given back and ends by itself", "err", err)
	}
	if earlier == int64(1) {
		s.ring()
	}
}

// NextDue returns when the next person of a lane can be claimed, which may be
// in the past; ok is false if nobody has anything due there.
func (s *Store) NextDue(ctx context.Context, lane store.Lane) (at time.Time, ok bool, err error) {
	if lane > store.Routine {
		return time.Time{}, false, fmt.Errorf("next due of lane %v: %w", lane, store.ErrInvalid)
	}
	firsts, err := s.peek(ctx, lane)
	if err != nil {
		return time.Time{}, false, fmt.Errorf("next due: %w", err)
	}
	if len(firsts) == 0 {
		return time.Time{}, false, nil
	}
	return timeOf(firsts[0].score), true, nil
}
