package redis

import (
	"context"
	"fmt"
	"sync"
	"time"

	"github.com/redis/go-redis/v9"

	"turnstone/store"
)

// What the servers' clocks decide is what is due and when a lease ends; the
// processes' clocks only work out due times. So the two must agree roughly,
// and a server's clock that is set back must not make leases last.
const (
	warnApart   = 2 * time.Second
	refuseApart = time.Minute
	warnEvery   = time.Minute
	setBackBy   = 500 * time.Millisecond // less than that is a clock being trimmed
)

// offsets remember each server's clock beside this process's stopwatch.
type offsets struct {
	mu     sync.Mutex
	at     map[string]sample
	back   bool // a clock has been set back, or may have been: a server came that was not known
	warned time.Time
}

type sample struct{ server, local time.Time }

// saw takes one reading: server was read between asked and answered, by the process's clock.
func (o *offsets) saw(s *Store, addr string, server, asked, answered time.Time) {
	o.mu.Lock()
	defer o.mu.Unlock()
	now := time.Now()
	if was, ok := o.at[addr]; !ok || server.Before(was.server.Add(now.Sub(was.local)-answered.Sub(asked)-setBackBy)) {
		o.back = true
	}
	if o.at == nil {
		o.at = map[string]sample{}
	}
	o.at[addr] = sample{server, now}
	apart := asked.Add(answered.Sub(asked) / 2).Sub(server).Abs()
	if apart > warnApart && now.Sub(o.warned) > warnEvery {
		o.warned = now
		s.log.Warn("the clocks of this machine and the store's server differ; set both by the same source", "apart", apart.Round(time.Millisecond).String(), "server", addr)
	}
}

// serverNow is the moment by the servers' clocks, by the slowest of them and never ahead of it.
func (s *Store) serverNow() time.Time {
	s.offsets.mu.Lock()
	defer s.offsets.mu.Unlock()
	var slowest time.Time
	for _, x := range s.offsets.at {
		if at := x.server.Add(time.Since(x.local)); slowest.IsZero() || at.Before(slowest) {
			slowest = at
		}
	}
	return slowest
}

// setBack shortens the leases that a clock set back would make last, if one may have been.
func (o *offsets) setBack(ctx context.Context, s *Store) error {
	o.mu.Lock()
	back := o.back
	o.back = false
	o.mu.Unlock()
	if !back {
		return nil
	}
	calls := make([]*call, partitions)
	for i := range calls {
		part := partition(i)
		calls[i] = &call{tag: part.tag(), write: true, queue: func(p redis.Pipeliner) {
			p.EvalSha(ctx, setbackScript.name, []string{part.clock(), part.due(store.Urgent), part.due(store.Routine)}, part.records())
		}}
	}
	if err := s.do(ctx, calls...); err != nil {
		o.mu.Lock()
		defer o.mu.Unlock()
		o.back = true
		return fmt.Errorf("look for leases of a clock set back: %w", err)
	}
	return nil
}
