package redis

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"runtime"
	"strings"
	"testing"
	"time"

	"turnstone/store"
	"turnstone/tests/redis/servers"
)

// write is a good write of person on top of what is there.
func write(t testing.TB, s *Store, person, text string) store.Write {
	t.Helper()
	r, err := s.Load(background, person)
	if err != nil {
		t.Fatal(err)
	}
	var nonce [8]byte
	_, _ = rand.Read(nonce[:]) // never fails (crypto/rand)
	return store.Write{Person: person, Read: r.Etag, Next: r.Etag.Next(nonce), Bytes: []byte(text), Log: [][]byte{[]byte(text)}, Now: time.Now()}
}

func wantStored(t testing.TB, s *Store, person string, version uint64, text string) {
	t.Helper()
	r, err := s.Load(background, person)
	lines, lerr := s.Log(background, person)
	if err := errors.Join(err, lerr); err != nil {
		t.Fatal(err)
	}
	if r.Etag.Version() != version || string(r.Bytes) != text || len(lines) != int(version) {
		t.Errorf("%s: got %q at version %d with %d lines, want %q at version %d with as many", person, r.Bytes, r.Etag.Version(), len(lines), text, version)
	}
}

// Faults 12 and 13: the request arrives, and the connection is cut or the
// reply lost. The store sends the same again and finds its own commit.
func TestAnAnswerThatIsLost(t *testing.T) {
	server := servers.Start(t, "appendonly yes")
	for name, fault := range map[string]int32{"cut": servers.Cut, "swallowed": servers.Swallow} {
		t.Run(name, func(t *testing.T) {
			p := servers.StartProxy(t, server.Addr())
			s := openAt(t, "redis://"+p.Addr())
			w := write(t, s, name, "one")
			w.Named = []store.NamedWrite{{Key: "card/" + name, Bytes: []byte("1")}}
			p.Next(fault)
			if err := s.Commit(background, w); err != nil || p.Met() != 1 {
				t.Fatalf("%v after %d faults", err, p.Met())
			}
			wantStored(t, s, name, 1, "one")
			_, etag, _, err := s.Get(background, "card/"+name)
			if err != nil || etag == 0 {
				t.Fatalf("the named value: %d, %v", etag, err)
			}
			p.Next(fault)
			if err := s.Delete(background, "card/"+name, etag); err != nil || p.Met() != 2 {
				t.Errorf("a delete whose answer was lost is answered %v", err)
			}
			p.Next(fault)
			if err := s.Put(background, "card/"+name, []byte("2"), 0, time.Time{}); err != nil || p.Met() != 3 {
				t.Errorf("a put whose answer was lost is answered %v", err)
			}
		})
	}
}

// Fault 14: somebody commits before the same is sent again. Then it is stale,
// and what is there tells the caller that its event was seen.
func TestSomebodyCommitsBeforeItIsSentAgain(t *testing.T) {
	server := servers.Start(t)
	p := servers.StartProxy(t, server.Addr())
	s, other := openAt(t, "redis://"+p.Addr()), openAt(t, "redis://"+server.Addr())
	w := write(t, s, "p", "mine")
	p.Next(servers.Swallow)
	answered := make(chan error)
	go func() { answered <- s.Commit(background, w) }()
	servers.Until(t, "the commit has arrived", 5*time.Second, func() bool {
		r, err := other.Load(background, "p")
		return err == nil && r.Etag == w.Next
	})
	if err := other.Commit(background, write(t, other, "p", "theirs on top of mine")); err != nil {
		t.Fatal(err)
	}
	if err := <-answered; !errors.Is(err, store.ErrStale) {
		t.Errorf("got %v, want stale", err)
	}
	wantStored(t, other, "p", 2, "theirs on top of mine")
}

// A process that dies between a commit and bringing its named values in leaves
// them to whoever reads the person next; nobody sees the one without the other.
func TestNamedValuesOfAProcessThatDied(t *testing.T) {
	for _, erases := range []bool{false, true} {
		server := servers.Start(t)
		s := openAt(t, "redis://"+server.Addr())
		if err := s.Commit(background, write(t, s, "p", "before")); err != nil {
			t.Fatal(err)
		}
		w := write(t, s, "p", "after")
		w.Named = []store.NamedWrite{{Key: "card", Bytes: []byte("x")}}
		if erases {
			w.Bytes, w.Log = nil, nil
		}
		w.Due[store.Urgent] = time.Time{}
		part := partitionOf("p")
		owes := newPending(w.Named)
		keys, args := commitCall(part, w, stored{etag: w.Next, due: [2]int64{never, never}, erased: erases, named: owes.bytes(), record: w.Bytes})
		if _, err := s.run(background, part.tag(), commitScript, keys, args...); err != nil { // and then it died
			t.Fatal(err)
		}
		other := openAt(t, "redis://"+server.Addr())
		r, err := other.Load(background, "p")
		if err != nil || erases != (r.Bytes == nil) {
			t.Errorf("erases %v: read %q, %v", erases, r.Bytes, err)
		}
		if value, _, _, err := other.Get(background, "card"); err != nil || string(value) != "x" {
			t.Errorf("erases %v: the card is %q, %v", erases, value, err)
		}
		if err := other.Put(background, "card", []byte("later"), store.AnyEtag, time.Time{}); err != nil {
			t.Fatal(err)
		}
		if err := s.bring(background, "p", owes); err != nil { // somebody who looked before that, and slept
			t.Fatal(err)
		}
		if value, _, _, err := other.Get(background, "card"); err != nil || string(value) != "later" {
			t.Errorf("erases %v: an old look brought back %q, %v", erases, value, err)
		}
	}
}

// Fault 15: the server is frozen. Calls end by their context, nothing piles
// up, and all goes on when it is back.
func TestAFrozenServer(t *testing.T) {
	server := servers.Start(t)
	s := openAt(t, "redis://"+server.Addr())
	if err := s.Commit(background, write(t, s, "p", "one")); err != nil {
		t.Fatal(err)
	}
	w := write(t, s, "p", "two")
	if err := server.Freeze(); err != nil {
		t.Fatal(err)
	}
	before := runtime.NumGoroutine()
	for range 20 {
		begun := time.Now()
		ctx, cancel := context.WithTimeout(background, 100*time.Millisecond)
		err := s.Commit(ctx, w)
		cancel()
		if !errors.Is(err, store.ErrDown) || !errors.Is(err, context.DeadlineExceeded) {
			t.Fatalf("got %v", err)
		}
		if took := time.Since(begun); took > 2*time.Second {
			t.Errorf("a call of 100 ms took %v", took)
		}
	}
	if after := runtime.NumGoroutine(); after > before+20 {
		t.Errorf("%d goroutines where there were %d", after, before)
	}
	if err := server.Thaw(); err != nil {
		t.Fatal(err)
	}
	if err := s.Commit(background, w); err != nil {
		t.Fatal(err)
	}
	wantStored(t, s, "p", 2, "two")
}

// Fault 17: the server is full. The commit is refused whole, with what to do;
// reading goes on, and so does committing once there is room.
func TestAFullServer(t *testing.T) {
	server := servers.Start(t)
	s := openAt(t, "redis://"+server.Addr())
	if err := s.Commit(background, write(t, s, "p", "one")); err != nil {
		t.Fatal(err)
	}
	server.Do(t, "CONFIG", "SET", "maxmemory", "1")
	w := write(t, s, "p", "two")
	w.Due[store.Urgent] = time.Unix(1, 0)
	w.Keep = []store.Kept{{ID: "e", Until: time.Now().Add(time.Hour)}}
	err := s.Commit(background, w)
	if !errors.Is(err, store.ErrDown) || !strings.Contains(err.Error(), "raise its maxmemory") {
		t.Errorf("got %v", err)
	}
	wantStored(t, s, "p", 1, "one")
	if _, ok, err := s.NextDue(background, store.Urgent); ok || err != nil {
		t.Errorf("something became due: %v, %v", ok, err)
	}
	server.Do(t, "CONFIG", "SET", "maxmemory", "0")
	if err := s.Commit(background, w); err != nil {
		t.Fatal(err)
	}
	wantStored(t, s, "p", 2, "two")
}

// Fault 18: a master becomes a replica. Nothing is answered as done, and it
// goes on when it is a master again.
func TestAMasterThatBecomesAReplica(t *testing.T) {
	master, server := servers.Start(t), servers.Start(t, "replica-serve-stale-data yes")
	s := openAt(t, "redis://"+server.Addr())
	if err := s.Commit(background, write(t, s, "p", "one")); err != nil {
		t.Fatal(err)
	}
	w := write(t, s, "p", "two")
	server.Do(t, "REPLICAOF", "127.0.0.1", fmt.Sprint(master.Port+1)) // nobody there: the data stay
	ctx, cancel := context.WithTimeout(background, 300*time.Millisecond)
	defer cancel()
	if err := s.Commit(ctx, w); !errors.Is(err, store.ErrDown) {
		t.Errorf("got %v", err)
	}
	server.Do(t, "REPLICAOF", "NO", "ONE")
	if err := s.Commit(background, w); err != nil {
		t.Fatal(err)
	}
	wantStored(t, s, "p", 2, "two")
}

// Fault 19: somebody's endless script holds the server. The caller's deadline
// comes first, and all goes on when it has been killed.
func TestABusyServer(t *testing.T) {
	server := servers.Start(t, "busy-reply-threshold 100")
	s := openAt(t, "redis://"+server.Addr())
	w := write(t, s, "p", "one")
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		ctx, cancel := context.WithTimeout(background, 20*time.Second)
		defer cancel()
		server.Eval(ctx, "while true do end")
	}()
	servers.Until(t, "the server is busy", 5*time.Second, func() bool {
		ctx, cancel := context.WithTimeout(background, 200*time.Millisecond)
		defer cancel()
		_, err := s.Load(ctx, "p")
		return err != nil
	})
	ctx, cancel := context.WithTimeout(background, 300*time.Millisecond)
	defer cancel()
	begun := time.Now()
	if err := s.Commit(ctx, w); !errors.Is(err, store.ErrDown) {
		t.Errorf("got %v", err)
	}
	if took := time.Since(begun); took > 2*time.Second {
		t.Errorf("a call of 300 ms took %v", took)
	}
	server.Do(t, "SCRIPT", "KILL")
	<-ended
	if err := s.Commit(background, w); err != nil {
		t.Fatal(err)
	}
	wantStored(t, s, "p", 1, "one")
}

// Fault 20: the server forgets the scripts under load, as one does that
// restarts. No commit fails.
func TestForgottenScripts(t *testing.T) {
	server := servers.Start(t)
	s := openAt(t, "redis://"+server.Addr())
	l := startLoad(s, 8)
	for range 50 {
		server.Do(t, "SCRIPT", "FLUSH")
		goOn(10 * time.Millisecond)
	}
	c := l.end(t)
	wantNothingLost(t, c)
	if c.resent > 0 {
		t.Errorf("%d commits failed", c.resent)
	}
}

// Fault 23: a master that has lost its replicas stops taking commits, and
// takes them again when they are back.
func TestAMasterWithoutReplicas(t *testing.T) {
	master := servers.Start(t, "min-replicas-to-write 1", "min-replicas-max-lag 2", "repl-ping-replica-period 1", "repl-diskless-sync-delay 0")
	replica := servers.Start(t, fmt.Sprint("replicaof 127.0.0.1 ", master.Port))
	servers.Until(t, "the replica is in touch", 20*time.Second, func() bool { return master.Info(t, "replication", "min_slaves_good_slaves") == "1" })
	s := openAt(t, "redis://"+master.Addr())
	if err := s.Commit(background, write(t, s, "p", "one")); err != nil {
		t.Fatal(err)
	}
	if err := replica.Freeze(); err != nil {
		t.Fatal(err)
	}
	servers.Until(t, "the master has noticed", 10*time.Second, func() bool { return master.Info(t, "replication", "min_slaves_good_slaves") == "0" })
	w := write(t, s, "p", "two")
	ctx, cancel := context.WithTimeout(background, 300*time.Millisecond)
	defer cancel()
	if err := s.Commit(ctx, w); !errors.Is(err, store.ErrDown) || !strings.Contains(err.Error(), "NOREPLICAS") {
		t.Errorf("got %v", err)
	}
	wantStored(t, s, "p", 1, "one")
	if err := replica.Thaw(); err != nil {
		t.Fatal(err)
	}
	if err := s.Commit(background, w); err != nil {
		t.Fatal(err)
	}
	wantStored(t, s, "p", 2, "two")
}

// A commit that too few replicas have is not acknowledged, though it is there;
// when they have it, the same commit is answered as done.
func TestACommitThatNoReplicaHas(t *testing.T) {
	master := servers.Start(t, "repl-diskless-sync-delay 0")
	replica := servers.Start(t, fmt.Sprint("replicaof 127.0.0.1 ", master.Port))
	servers.Until(t, "the replica is in touch", 20*time.Second, func() bool {
		return strings.Contains(master.Do(t, "INFO", "replication").String(), "state=online")
	})
	s := openAt(t, "redis://"+master.Addr()+"?wait=1")
	if !strings.Contains(s.Promise(), "1 replica(s) have it") {
		t.Errorf("the promise is %q", s.Promise())
	}
	w := write(t, s, "p", "one")
	if err := replica.Freeze(); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(background, 1200*time.Millisecond)
	defer cancel()
	if err := s.Commit(ctx, w); !errors.Is(err, store.ErrDown) {
		t.Errorf("got %v", err)
	}
	wantStored(t, s, "p", 1, "one") // it is there, and nobody was told that it is safe
	if err := replica.Thaw(); err != nil {
		t.Fatal(err)
	}
	if err := s.Commit(background, w); err != nil {
		t.Fatal(err)
	}
	wantStored(t, s, "p", 1, "one")
}

// A turn is one read and one write: two round trips, counted on the wire.
func TestATurnIsTwoRoundTrips(t *testing.T) {
	server := servers.Start(t)
	p := servers.StartProxy(t, server.Addr())
	s := openAt(t, "redis://"+p.Addr())
	for i := range 3 {
		before := p.Requests()
		if err := s.Commit(background, write(t, s, "p", fmt.Sprint(i))); err != nil {
			t.Fatal(err)
		}
		if got := p.Requests() - before; got != 2 {
			t.Errorf("turn %d took %d round trips", i, got)
		}
	}
}
