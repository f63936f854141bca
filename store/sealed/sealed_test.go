package sealed

import (
	"bytes"
	"context"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"turnstone/seal"
	"turnstone/store"
	"turnstone/store/bolt"
	"turnstone/store/keyfile"
	"turnstone/store/storetest"
)

// A fakeClock stands still until it is moved.
type fakeClock struct {
	mu  sync.Mutex
	now time.Time
}

func newClock() *fakeClock {
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

// A place is a folder with a store, and the files that belong to it.
type place struct {
	dir     string
	masters *seal.Masters
	clock   *fakeClock
}

func newPlace(t testing.TB) place {
	t.Helper()
	return place{filepath.Join(t.TempDir(), "store"), seal.NewMasters(), newClock()}
}

// open opens the store of a place; it is closed at the end of the test.
func (p place) open(t testing.TB) *Store {
	t.Helper()
	inner, err := bolt.Open(p.dir, bolt.Options{Clock: p.clock.Now, Ballast: -1})
	if err != nil {
		t.Fatal(err)
	}
	keys, err := keyfile.Open(p.dir, p.masters)
	if err != nil {
		t.Fatal(err)
	}
	list, err := keyfile.OpenList(p.dir + ".erased")
	if err != nil {
		t.Fatal(err)
	}
	s, err := Open(t.Context(), inner, keys, list, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = inner.Close() }) // a test that closes it looks at the error itself
	return s
}

func closeStore(t testing.TB, s *Store) {
	t.Helper()
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

// A sealed store keeps the whole promise of a store.
func TestThePromise(t *testing.T) {
	storetest.Run(t, func(t *testing.T) *storetest.Subject {
		p := newPlace(t)
		s := p.open(t)
		subject := &storetest.Subject{
			Store: s, Now: p.clock.Now, Pass: p.clock.Move, Jump: p.clock.Move, Lease: 30 * time.Second,
		}
		subject.Crash = func() storetest.Store {
			closeStore(t, s)
			s = p.open(t)
			return s
		}
		return subject
	})
}

var background = context.Background()

// put makes or changes the record of a person.
func put(t testing.TB, s *Store, person, text string, change func(*store.Write)) {
	t.Helper()
	was, err := s.Load(background, person)
	if err != nil {
		t.Fatal(err)
	}
	w := store.Write{Person: person, Read: was.Etag, Next: was.Etag.Next([8]byte{1}), Bytes: []byte(text), Now: time.Unix(1e9, 0)}
	if change != nil {
		change(&w)
	}
	if err := s.Commit(background, w); err != nil {
		t.Fatal(err)
	}
}

// erase forgets a person.
func erase(t testing.TB, s *Store, person string) {
	t.Helper()
	put(t, s, person, "", func(w *store.Write) { w.Bytes = nil })
}

// holds tells whether any file under dir holds a word.
func holds(t testing.TB, dir, word string) bool {
	t.Helper()
	found := false
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(path)
		found = found || bytes.Contains(data, []byte(word))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return found
}
