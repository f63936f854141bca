package redis

import (
	"context"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"turnstone/store/storetest"
	"turnstone/tests/redis/servers"
)

var background = context.Background()

// The whole promise, asked of a real server that syncs each commit, as the
// user that deploy/users.acl describes. What ends in the cases is the server:
// it is killed and started again. In the random histories, which have hundreds
// of ends, it is the store.
func TestThePromise(t *testing.T) {
	server := servers.Start(t, "appendonly yes", "appendfsync always")
	file := server.Grant(t)
	storetest.Run(t, func(t *testing.T) *storetest.Subject {
		server.Do(t, "FLUSHALL")
		var ahead atomic.Int64 // how far the process's clock was set
		now := func() time.Time { return time.Now().Add(time.Duration(ahead.Load())) }
		address := "redis://bot@" + server.Addr() + "?password-file=" + file
		s := openAt(t, address)
		subject := &storetest.Subject{
			Store: s, Now: now, Pass: time.Sleep, LeasesSurvive: true,
			Jump:  func(d time.Duration) { ahead.Add(int64(d)) },
			Lease: 500 * time.Millisecond, Slack: 3 * time.Millisecond,
		}
		histories := strings.Contains(t.Name(), "random_histories")
		if histories {
			subject.Lease = 40 * time.Millisecond // the model knows what a slow call leaves open
		}
		subject.Crash = func() storetest.Store {
			if !histories {
				server.Kill()
				if err := server.Launch(); err != nil {
					t.Fatal(err)
				}
				server.Grant(t)
			}
			return openAt(t, address)
		}
		return subject
	})
}

// openAt opens the store at an address; it is closed at the end of the test.
func openAt(t testing.TB, address string) *Store {
	t.Helper()
	a, err := ParseAddress(address)
	if err != nil {
		t.Fatal(err)
	}
	s, err := Open(background, a, Options{})
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
