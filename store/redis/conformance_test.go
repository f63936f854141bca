package redis

import (
	"context"
	"errors"
	"flag"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"turnstone/store"
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
	if os.Getenv("TURNSTONE_LONG") == "" { // each history has hundreds of round trips, and the detector slows each
		if err := flag.Set("rapid.checks", "30"); err != nil {
			t.Fatal(err)
		}
	}
	open := func(t *testing.T) *storetest.Subject {
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
	}
	storetest.Run(t, open)
	storetest.RunMoving(t, open)
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

// The same of a Cluster, where people and named values lie on three servers.
func TestThePromiseOfACluster(t *testing.T) {
	if os.Getenv("TURNSTONE_LONG") == "" {
		t.Log("the whole suite on a Cluster runs with TURNSTONE_LONG=1 (make proofs); here one commit with everything")
		c := servers.StartCluster(t)
		s := openAt(t, c.Address()+"?wait=1&password-file="+c.Grant(t))
		for i := range 40 { // some on each server
			w := write(t, s, person(i), "one")
			w.Named = []store.NamedWrite{{Key: "card/" + person(i), Bytes: []byte("x")}}
			w.Due[store.Urgent] = time.Now().Add(-time.Minute)
			if err := s.Commit(background, w); err != nil {
				t.Fatal(err)
			}
			wantStored(t, s, person(i), 1, "one")
		}
		claimed, err := s.Claim(background, time.Now(), store.Urgent, 100, time.Minute)
		named, lerr := s.List(background, "card/")
		if err := errors.Join(err, lerr); err != nil || len(claimed) != 40 || len(named) != 40 {
			t.Errorf("%d claimed, %d cards, %v; want 40 of each", len(claimed), len(named), err)
		}
		return
	}
	c := servers.StartCluster(t, "appendonly yes", "appendfsync everysec")
	file := c.Grant(t)
	open := func(t *testing.T) *storetest.Subject {
		c.Flush(t)
		var ahead atomic.Int64
		now := func() time.Time { return time.Now().Add(time.Duration(ahead.Load())) }
		address := c.Address() + "?wait=1&password-file=" + file
		subject := &storetest.Subject{
			Store: openAt(t, address), Now: now, Pass: time.Sleep, LeasesSurvive: true,
			Jump:  func(d time.Duration) { ahead.Add(int64(d)) },
			Lease: 700 * time.Millisecond, Slack: 3 * time.Millisecond,
		}
		if strings.Contains(t.Name(), "random_histories") {
			subject.Lease = 60 * time.Millisecond
		}
		subject.Crash = func() storetest.Store { return openAt(t, address) }
		return subject
	}
	storetest.Run(t, open)
	storetest.RunMoving(t, open)
}
