package hold_test

import (
	"context"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"turnstone/store/hold"
	"turnstone/store/redis"
	"turnstone/tests/redis/servers"
)

// Two processes' stores on one real server: of any number that ask exactly one
// has it; it is passed on when it is given up, and when its time is over.
func TestOneHolds(t *testing.T) {
	server := servers.Start(t)
	holder := func(name string) *hold.Hold {
		a, err := redis.ParseAddress("redis://" + server.Addr())
		if err != nil {
			t.Fatal(err)
		}
		s, err := redis.Open(context.Background(), a, redis.Options{})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() {
			if err := s.Close(); err != nil {
				t.Error(err)
			}
		})
		return &hold.Hold{Store: s, Key: "hold/gateway", Owner: name, Length: 3 * time.Second, Now: time.Now}
	}
	take := func(h *hold.Hold) bool {
		t.Helper()
		has, err := h.Take(t.Context())
		if err != nil || has != h.Has() {
			t.Fatalf("%s: %v, %v, %v", h.Owner, has, h.Has(), err)
		}
		return has
	}
	var all []*hold.Hold
	for _, name := range []string{"a", "b", "c", "d"} {
		all = append(all, holder(name))
	}
	var holding atomic.Int64
	var wg sync.WaitGroup
	for _, h := range all {
		wg.Go(func() {
			if has, err := h.Take(context.Background()); err != nil {
				t.Error(err)
			} else if has {
				holding.Add(1)
			}
		})
	}
	wg.Wait()
	if holding.Load() != 1 {
		t.Fatalf("%d hold it", holding.Load())
	}
	var one, other *hold.Hold
	for _, h := range all {
		if h.Has() {
			one = h
		} else {
			other = h
		}
	}
	if !take(one) || take(other) {
		t.Error("it was not kept by who has it")
	}
	if err := other.Give(t.Context()); err != nil || !take(one) {
		t.Errorf("somebody gave up what is not theirs: %v", err)
	}
	if err := one.Give(t.Context()); err != nil || one.Has() || !take(other) || take(one) {
		t.Errorf("it was not passed on: %v", err)
	}
	servers.Until(t, "who does not take it again trusts it no more", 10*time.Second, func() bool { return !other.Has() })
	if take(one) {
		t.Error("it was had by two")
	}
	servers.Until(t, "its time is over", 10*time.Second, func() bool { return take(one) })
}
