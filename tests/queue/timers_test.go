// Package queue sets the store on Redis beside a queue of jobs for general
// purposes on the same server (github.com/hibiken/asynq), since such a queue is
// what one would take instead. It is a module of its own, so that the program
// does not depend on it:
//
//	cd tests/queue && go test -run '^$' -bench . -benchtime 1x
package queue

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/hibiken/asynq"

	"turnstone/store"
	"turnstone/store/redis"
	"turnstone/tests/redis/servers"
)

const (
	timers  = 20_000
	workers = 16
	size    = 600 // bytes that a timer carries
	rounds  = 3
	filling = 15 * time.Second // the timers are due when they are all there
)

// BenchmarkTimers drains the same timers, all due at one moment, from both: each
// is handed to one of 16 workers, which does nothing and marks it done. What the
// queue needs to notice that they are due is not counted.
func BenchmarkTimers(b *testing.B) {
	server := servers.Start(b, "appendonly yes", "appendfsync everysec")
	payload := make([]byte, size)
	for b.Loop() {
		var ours, theirs, ratios []float64
		for range rounds {
			x, y := store16(b, server, payload), queue16(b, server, payload)
			ours, theirs, ratios = append(ours, x), append(theirs, y), append(ratios, x/y)
		}
		b.ReportMetric(median(ratios), "ratio")
		b.ReportMetric(median(ours), "store/s")
		b.ReportMetric(median(theirs), "queue/s")
	}
}

func median(v []float64) float64 {
	slices.Sort(v)
	return v[len(v)/2]
}

// each does something with every number, 64 at once.
func each(b *testing.B, do func(i int) error) {
	b.Helper()
	var next atomic.Int64
	var wg sync.WaitGroup
	for range 64 {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < timers; i = int(next.Add(1)) - 1 {
				if err := do(i); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	wg.Wait()
}

// until waits for the moment at which all are due.
func until(b *testing.B, due time.Time) {
	b.Helper()
	left := time.Until(due)
	if left < 0 {
		b.Fatalf("the timers took longer than %v to fill in", filling)
	}
	time.Sleep(left + 100*time.Millisecond)
}

// store16 is timers a second of the store: claimed 50 at a time, and each read,
// and committed as done.
func store16(b *testing.B, server *servers.Server, payload []byte) float64 {
	b.Helper()
	server.Do(b, "FLUSHALL")
	a, err := redis.ParseAddress("redis://" + server.Addr())
	if err != nil {
		b.Fatal(err)
	}
	ctx := context.Background()
	s, err := redis.Open(ctx, a, redis.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer func() {
		if err := s.Close(); err != nil {
			b.Error(err)
		}
	}()
	due := time.Now().Add(filling)
	each(b, func(i int) error {
		w := store.Write{Person: fmt.Sprintf("%016x", i*2_654_435_761), Next: store.Etag{}.Next([8]byte{1}), Bytes: payload, Now: time.Now()}
		w.Due[store.Routine] = due
		return s.Commit(ctx, w)
	})
	until(b, due)
	claimed := make(chan string, 50)
	var wg sync.WaitGroup
	begun := time.Now()
	for range workers {
		wg.Go(func() {
			for person := range claimed {
				r, err := s.Load(ctx, person)
				if err == nil {
					err = s.Commit(ctx, store.Write{Person: person, Read: r.Etag, Next: r.Etag.Next([8]byte{2}), Bytes: r.Bytes, Now: time.Now()})
				}
				if err != nil {
					b.Error(err)
				}
			}
		})
	}
	for n := 0; n < timers; {
		people, err := s.Claim(ctx, time.Now(), store.Routine, 50, time.Minute)
		if err != nil || len(people) == 0 {
			b.Errorf("claimed %d of %d, %v", n, timers, err)
			break
		}
		for _, p := range people {
			claimed <- p
		}
		n += len(people)
	}
	close(claimed)
	wg.Wait()
	return timers / time.Since(begun).Seconds()
}

// queue16 is the same of the queue, from the first timer that is handed out.
func queue16(b *testing.B, server *servers.Server, payload []byte) float64 {
	b.Helper()
	server.Do(b, "FLUSHALL")
	at := asynq.RedisClientOpt{Addr: server.Addr(), PoolSize: 64}
	client := asynq.NewClient(at)
	due := time.Now().Add(filling)
	each(b, func(i int) error {
		_, err := client.Enqueue(asynq.NewTask("timer", payload), asynq.ProcessAt(due), asynq.TaskID(fmt.Sprint(i)))
		return err
	})
	if err := client.Close(); err != nil {
		b.Fatal(err)
	}
	until(b, due)
	var done atomic.Int64
	var first sync.Once
	begun, all := make(chan time.Time, 1), make(chan time.Time, 1)
	srv := asynq.NewServer(at, asynq.Config{Concurrency: workers, LogLevel: asynq.FatalLevel, DelayedTaskCheckInterval: 100 * time.Millisecond, TaskCheckInterval: 200 * time.Millisecond})
	err := srv.Start(asynq.HandlerFunc(func(context.Context, *asynq.Task) error {
		first.Do(func() { begun <- time.Now() })
		if done.Add(1) == timers {
			all <- time.Now()
		}
		return nil
	}))
	if err != nil {
		b.Fatal(err)
	}
	defer srv.Shutdown()
	start := <-begun
	select {
	case end := <-all:
		return timers / end.Sub(start).Seconds()
	case <-time.After(5 * time.Minute):
		b.Fatalf("the queue has handed out %d of %d", done.Load(), timers)
		return 0
	}
}
