package bolt

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"turnstone/store"
	"turnstone/store/storetest"
)

// A fakeClock stands still until it is moved.
type fakeClock struct {
	mu  sync.Mutex
	now time.Time
}

func newFakeClock() *fakeClock {
	return &fakeClock{now: time.Date(2026, 3, 28, 18, 0, 0, 0, time.UTC)}
}

func (c *fakeClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *fakeClock) Move(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}

func TestThePromise(t *testing.T) {
	open := func(t *testing.T) *storetest.Subject {
		clock := newFakeClock()
		dir := t.TempDir()
		s := openWith(t, dir, clock)
		subject := &storetest.Subject{
			Store: s, Now: clock.Now, Pass: clock.Move, Jump: clock.Move, Lease: 30 * time.Second,
		}
		subject.Crash = func() storetest.Store {
			// What a kill leaves is what has been written: a copy of the file
			// while the store still has it open. The real kills are in kill_test.go.
			after := t.TempDir()
			copyFile(t, s, filepath.Join(after, dataFile))
			closeStore(t, s)
			s = openWith(t, after, clock)
			return s
		}
		return subject
	}
	storetest.Run(t, open)
	storetest.RunMoving(t, open)
}

// openWith opens dir with a clock; the store is closed and checked at the end of the test.
func openWith(t testing.TB, dir string, clock *fakeClock) *Store {
	t.Helper()
	opts := Options{Ballast: -1}
	if clock != nil {
		opts.Clock = clock.Now
	}
	s, err := Open(dir, opts)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { closeStore(t, s) })
	return s
}

// closeStore closes s and first looks at all of it, unless it is closed already.
func closeStore(t testing.TB, s *Store) {
	t.Helper()
	if err := s.Check(context.Background()); err != nil && !errors.Is(err, store.ErrDown) {
		t.Error(err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

// copyFile copies the pages in use of an open store's file; what lies behind
// them was only reserved.
func copyFile(t testing.TB, s *Store, to string) {
	t.Helper()
	var size int64
	if err := s.db.View(func(tx *bbolt.Tx) error { size = tx.Size(); return nil }); err != nil {
		t.Fatal(err)
	}
	data := make([]byte, size)
	from, err := os.Open(filepath.Join(s.dir, dataFile))
	if err != nil {
		t.Fatal(err)
	}
	_, err = io.ReadFull(from, data)
	if err := errors.Join(err, from.Close(), os.WriteFile(to, data, 0o600)); err != nil {
		t.Fatal(err)
	}
}
