package seal

import (
	"bytes"
	"errors"
	"flag"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"turnstone/record"
	"turnstone/seal"
	"turnstone/store"
	"turnstone/store/keyfile"
	"turnstone/store/redis"
	"turnstone/store/sealed"
	"turnstone/store/storetest"
	"turnstone/tests/redis/servers"
)

// A machine is one of several that work on one server: it has the master key
// and an erasure list of its own.
type machine struct {
	address string
	masters *seal.Masters
	erased  string
}

func newMachine(t *testing.T, s *servers.Server, masters *seal.Masters) machine {
	t.Helper()
	return machine{"redis://bot@" + s.Addr() + "?password-file=" + s.Grant(t), masters, filepath.Join(t.TempDir(), "erased")}
}

func (m machine) open(t *testing.T) *sealed.Store {
	t.Helper()
	a, err := redis.ParseAddress(m.address)
	if err != nil {
		t.Fatal(err)
	}
	inner, err := redis.Open(t.Context(), a, redis.Options{})
	if err != nil {
		t.Fatal(err)
	}
	list, err := keyfile.OpenList(m.erased)
	if err != nil {
		t.Fatal(err)
	}
	s, err := sealed.Open(t.Context(), inner, inner.Keys(m.masters), sealed.Share(list, inner), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// A sealed store on a server keeps the whole promise, with the keys there too.
func TestThePromiseOnAServer(t *testing.T) {
	server := servers.Start(t, "appendonly yes", "appendfsync always")
	if os.Getenv("TURNSTONE_LONG") == "" { // each history has hundreds of round trips, and the detector slows each
		if err := flag.Set("rapid.checks", "10"); err != nil {
			t.Fatal(err)
		}
	}
	open := func(t *testing.T) *storetest.Subject {
		server.Do(t, "FLUSHALL")
		m := newMachine(t, server, seal.NewMasters())
		var ahead atomic.Int64
		subject := &storetest.Subject{
			Store: m.open(t), Now: func() time.Time { return time.Now().Add(time.Duration(ahead.Load())) },
			Pass: time.Sleep, Jump: func(d time.Duration) { ahead.Add(int64(d)) },
			LeasesSurvive: true, Lease: 500 * time.Millisecond, Slack: 3 * time.Millisecond,
		}
		if strings.Contains(t.Name(), "random_histories") {
			subject.Lease = 60 * time.Millisecond
		}
		subject.Crash = func() storetest.Store { return m.open(t) }
		return subject
	}
	storetest.Run(t, open)
	storetest.RunMoving(t, open)
}

func put(t *testing.T, s *sealed.Store, person, text string) {
	t.Helper()
	was, err := s.Load(t.Context(), person)
	if err != nil {
		t.Fatal(err)
	}
	w := store.Write{Person: person, Read: was.Etag, Next: was.Etag.Next(record.Nonce()), Now: time.Now()}
	if text != "" {
		w.Bytes = []byte(text)
	}
	if err := s.Commit(t.Context(), w); err != nil {
		t.Fatal(err)
	}
}

func want(t *testing.T, s *sealed.Store, person, text string) {
	t.Helper()
	got, err := s.Load(t.Context(), person)
	if err != nil || string(got.Bytes) != text {
		t.Errorf("%s: got %q, %v; want %q", person, got.Bytes, err, text)
	}
}

// What one machine erases is gone for the other, stays gone when the whole
// server is put back as it was before, and is on the other machine's list too.
func TestHAZ26_ErasedOnEveryMachine(t *testing.T) {
	server := servers.Start(t, "appendonly no", "save ''")
	masters := seal.NewMasters()
	here, there := newMachine(t, server, masters), newMachine(t, server, masters)
	a, b := here.open(t), there.open(t)
	put(t, a, "anna", "the words of anna")
	put(t, b, "berta", "the words of berta")
	want(t, b, "anna", "the words of anna")
	server.Do(t, "SAVE") // the older copy
	put(t, a, "anna", "")
	want(t, b, "anna", "")
	if err := b.Settle(t.Context(), time.Now()); err != nil { // as each hour
		t.Fatal(err)
	}
	for name, m := range map[string]machine{"here": here, "there": there} {
		if text, err := os.ReadFile(m.erased); err != nil || bytes.Count(text, []byte("\n")) != 1 {
			t.Errorf("the list %s: %q, %v; want one line", name, text, err)
		}
	}
	server.Kill() // it comes back with the older copy
	if err := server.Launch(); err != nil {
		t.Fatal(err)
	}
	server.Grant(t)
	c := there.open(t)
	want(t, c, "anna", "")
	want(t, c, "berta", "the words of berta")
}

// Without the master key nothing is readable, and nothing is made anew.
func TestHAZ20_AnotherMasterKeyOpensNothing(t *testing.T) {
	server := servers.Start(t, "appendonly no", "save ''")
	m := newMachine(t, server, seal.NewMasters())
	put(t, m.open(t), "anna", "the words of anna")
	a, err := redis.ParseAddress(m.address)
	if err != nil {
		t.Fatal(err)
	}
	inner, err := redis.Open(t.Context(), a, redis.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = inner.Close() }()
	list, err := keyfile.OpenList(m.erased)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := sealed.Open(t.Context(), inner, inner.Keys(seal.NewMasters()), sealed.Share(list, inner), slog.New(slog.DiscardHandler)); err == nil {
		t.Error("another master key opens the store")
	}
	was, err := inner.Load(t.Context(), "anna")
	if err != nil || bytes.Contains(was.Bytes, []byte("words")) {
		t.Errorf("what lies on the server: %q, %v", was.Bytes, err)
	}
}

// After `bot key new` the newest master wraps every key, and who was erased stays so.
func TestKeysOnAServerAreWrappedAnew(t *testing.T) {
	server := servers.Start(t, "appendonly no", "save ''")
	masters := seal.NewMasters()
	m := newMachine(t, server, masters)
	s := m.open(t)
	for _, person := range []string{"anna", "berta", "clara"} {
		put(t, s, person, "the words of "+person)
	}
	put(t, s, "clara", "")
	if err := masters.Rotate(); err != nil {
		t.Fatal(err)
	}
	inner := s.Inner.(*redis.Store)
	n, err := inner.Keys(masters).Rewrap(t.Context())
	if err != nil || n != 3 { // two people and the house
		t.Errorf("%d keys, %v; want 3", n, err)
	}
	again := m.open(t)
	want(t, again, "anna", "the words of anna")
	want(t, again, "clara", "")
	if _, err := inner.Keys(masters).Key(t.Context(), seal.NewKeyID()); !errors.Is(err, seal.ErrUnknown) {
		t.Errorf("a key that never was: %v", err)
	}
}
