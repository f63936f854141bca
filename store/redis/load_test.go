package redis

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"turnstone/store"
)

// A load is writers that each commit to a person of their own, version after
// version, and remember what was acknowledged. A commit that got no answer is
// sent again, the same, as the promise asks of its callers.
type load struct {
	s       *Store
	stop    chan struct{}
	wg      sync.WaitGroup
	acked   []atomic.Uint64 // the last acknowledged version of each writer
	longest []time.Duration // the longest time that each waited for an acknowledgement
	tries   atomic.Int64    // commits that had to be sent again
	fault   atomic.Pointer[error]
}

func person(i int) string { return fmt.Sprintf("person-%03d", i) }

func startLoad(s *Store, writers int) *load {
	l := &load{s: s, stop: make(chan struct{}), acked: make([]atomic.Uint64, writers), longest: make([]time.Duration, writers)}
	for i := range writers {
		l.wg.Go(func() { l.write(i) })
	}
	return l
}

func (l *load) write(i int) {
	read := store.Etag{}
	for version := 1; ; version++ {
		w := store.Write{
			Person: person(i), Read: read, Next: read.Next([8]byte{byte(i), byte(version), byte(version >> 8), 1, 2, 3, 4, 5}),
			Bytes: fmt.Appendf(make([]byte, 0, 600), "version %d %0500d", version, i),
			Log:   [][]byte{fmt.Append(nil, version)}, Now: time.Now(),
		}
		w.Due[store.Routine] = time.Unix(4_000_000_000+rand.Int64N(1000), 0)
		begun := time.Now()
		for {
			select {
			case <-l.stop:
				l.longest[i] = max(l.longest[i], time.Since(begun)) // it still waits
				return
			default:
			}
			ctx, cancel := context.WithTimeout(background, 3*time.Second)
			err := l.s.Commit(ctx, w)
			cancel()
			if err == nil {
				break
			}
			l.tries.Add(1)
			if errors.Is(err, store.ErrStale) { // nobody else writes here
				err = fmt.Errorf("%s at version %d: %w", w.Person, version, err)
				l.fault.CompareAndSwap(nil, &err)
				return
			}
			time.Sleep(20 * time.Millisecond)
		}
		l.longest[i] = max(l.longest[i], time.Since(begun))
		l.acked[i].Store(uint64(version))
		read = w.Next
	}
}

// A count is what a load found when it was over.
type count struct {
	acked, lost, unreadable, falseStale int
	silence                             time.Duration
	resent                              int64
}

func (c count) String() string {
	return fmt.Sprintf("%d acknowledged, %d lost, %d people unreadable, %d falsely stale, %d calls sent again, longest silence %v",
		c.acked, c.lost, c.unreadable, c.falseStale, c.resent, c.silence.Round(10*time.Millisecond))
}

// end stops the writers and compares what was acknowledged with what is there.
// Who cannot be read is counted apart from who is lost.
func (l *load) end(t testing.TB) (c count) {
	t.Helper()
	close(l.stop)
	l.wg.Wait()
	for i := range l.acked {
		acked := l.acked[i].Load()
		c.acked += int(acked)
		c.silence = max(c.silence, l.longest[i])
		ctx, cancel := context.WithTimeout(background, 10*time.Second)
		r, err := l.s.Load(ctx, person(i))
		lines, lerr := l.s.Log(ctx, person(i))
		cancel()
		if err := errors.Join(err, lerr); err != nil {
			t.Logf("%s: %v", person(i), err)
			c.unreadable++
			continue
		}
		found := r.Etag.Version()
		if found < acked {
			c.lost += int(acked - found)
		}
		if uint64(len(lines)) != found {
			t.Errorf("%s has %d log lines at version %d", person(i), len(lines), found)
		}
	}
	if fault := l.fault.Load(); fault != nil {
		c.falseStale++
		t.Logf("%v", *fault)
	}
	c.resent = l.tries.Load()
	return c
}

// wantNothingLost fails unless all that was acknowledged is there.
func wantNothingLost(t testing.TB, c count) {
	t.Helper()
	t.Log(c)
	if c.lost > 0 || c.unreadable > 0 || c.falseStale > 0 || c.acked == 0 {
		t.Errorf("want nothing lost, nobody unreadable and no false stale: %v", c)
	}
}
