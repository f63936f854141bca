package move_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"turnstone/store"
	"turnstone/store/bolt"
	"turnstone/store/move"
	"turnstone/store/redis"
	"turnstone/tests/redis/servers"
)

var background = context.Background()

func folder(t *testing.T, name string) move.Side {
	t.Helper()
	s, err := bolt.Open(t.TempDir(), bolt.Options{Ballast: -1})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := errors.Join(s.Check(background), s.Close()); err != nil {
			t.Error(err)
		}
	})
	return move.Side{Name: name, Store: s}
}

func server(t *testing.T, name string) move.Side {
	t.Helper()
	a, err := redis.ParseAddress("redis://" + servers.Start(t, "appendonly yes", "appendfsync always").Addr())
	if err != nil {
		t.Fatal(err)
	}
	s, err := redis.Open(background, a, redis.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return move.Side{Name: name, Store: s}
}

const people = 300

// fill makes a clinic with something of everything.
func fill(t *testing.T, s move.Store) {
	t.Helper()
	now := time.Now()
	for i := range people {
		read := store.Etag{}
		for v := range 1 + i%3 {
			w := store.Write{
				Person: fmt.Sprintf("%08x\x00{}", i*2654435761), Read: read, Next: read.Next([8]byte{byte(v), byte(i)}), Now: now,
				Bytes: []byte(strings.Repeat(fmt.Sprint("record ", i, " "), i%20)), Log: [][]byte{fmt.Append(nil, "line ", v), {}},
			}
			w.Due[i%2] = now.Add(time.Duration(i-100) * time.Minute)
			if i%5 == 0 {
				w.Keep = []store.Kept{{ID: fmt.Sprint("e", v), Until: now.Add(time.Hour), Bytes: []byte("kept")}, {ID: "f", Until: now.Add(24 * time.Hour)}}
			}
			if i%7 == 0 {
				w.Named = []store.NamedWrite{{Key: fmt.Sprint("card/", i), Bytes: fmt.Append(nil, i), Expires: now.Add(time.Hour)}, {Key: fmt.Sprint("for ever/", i), Bytes: []byte{}}}
			}
			if err := s.Commit(background, w); err != nil {
				t.Fatal(err)
			}
			read = w.Next
		}
	}
}

// A clinic is moved from a folder to a server and back, and is the same.
func TestThereAndBack(t *testing.T) {
	first, middle, last := folder(t, "first"), server(t, "middle"), folder(t, "last")
	fill(t, first)
	there, err := move.Move(background, first, middle, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	back, err := move.Move(background, middle, last, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	if there.People != people || there.Copied != people || there.Sum != back.Sum || there.Named != back.Named || there.Named == 0 {
		t.Errorf("there: %v\nback:  %v", there, back)
	}
	for _, s := range []move.Side{first, middle} {
		if err := move.Check(background, s); err == nil || !strings.Contains(err.Error(), "was moved to") {
			t.Errorf("%s may still be used: %v", s.Name, err)
		}
	}
	if err := move.Check(background, last); err != nil {
		t.Error(err)
	}
	// Beside the move's own sum: each person, read from both.
	for person, err := range first.People(background) {
		if err != nil {
			t.Fatal(err)
		}
		a, aerr := first.Whole(background, person)
		b, berr := last.Whole(background, person)
		if err := errors.Join(aerr, berr); err != nil || fmt.Sprint(a) != fmt.Sprint(b) {
			t.Fatalf("%q: %v and %v, %v", person, a, b, err)
		}
	}
}

// breaking is a store that fails after some calls.
type breaking struct {
	move.Store
	left atomic.Int64
}

var errCut = errors.New("the cable was pulled")

func (b *breaking) Restore(ctx context.Context, w store.Whole) error {
	if b.left.Add(-1) < 0 {
		return errCut
	}
	return b.Store.Restore(ctx, w)
}

// A move that was broken off keeps bots away from the new store, lets the old
// one go on, and when it is run again brings what changed meanwhile.
func TestBrokenOff(t *testing.T) {
	from, to := folder(t, "from"), server(t, "to")
	fill(t, from)
	cut := &breaking{Store: to.Store}
	cut.left.Store(people / 2)
	_, err := move.Move(background, from, move.Side{Name: to.Name, Store: cut}, time.Now())
	if !errors.Is(err, errCut) || !strings.Contains(err.Error(), "run it again") {
		t.Fatalf("got %v", err)
	}
	if err := move.Check(background, to); err == nil || !strings.Contains(err.Error(), "not finished") {
		t.Errorf("the half filled store may be used: %v", err)
	}
	if err := move.Check(background, from); err != nil {
		t.Errorf("the old store may not be used: %v", err)
	}
	// The clinic goes on for a while: one more commit, one erased.
	n := 0
	for person, err := range to.People(background) {
		r, lerr := from.Load(background, person)
		if err := errors.Join(err, lerr); err != nil {
			t.Fatal(err)
		}
		w := store.Write{Person: person, Read: r.Etag, Next: r.Etag.Next([8]byte{9}), Now: time.Now()}
		if n++; n == 1 {
			w.Bytes = []byte("later")
		}
		if err := from.Commit(background, w); err != nil {
			t.Fatal(err)
		}
		if n == 2 {
			break
		}
	}
	if _, err := move.Move(background, folder(t, "other"), to, time.Now()); err == nil || !strings.Contains(err.Error(), "half filled from from") {
		t.Errorf("another clinic was let in: %v", err)
	}
	r, err := move.Move(background, from, to, time.Now())
	if err != nil || r.People != people-1 || r.Copied > people/2+2 {
		t.Errorf("%v, %v", r, err)
	}
	if err := move.Check(background, to); err != nil {
		t.Error(err)
	}
	if _, err := move.Move(background, folder(t, "other"), to, time.Now()); err == nil || !strings.Contains(err.Error(), "not empty") {
		t.Errorf("another clinic was let in: %v", err)
	}
}

// What differs in the end is told, and the old store goes on.
func TestADifferenceIsTold(t *testing.T) {
	from, to := folder(t, "from"), server(t, "to")
	fill(t, from)
	_, err := move.Move(background, from, move.Side{Name: to.Name, Store: forgetful{to.Store}}, time.Now())
	if err == nil || !strings.Contains(err.Error(), "not the same") {
		t.Errorf("got %v", err)
	}
	if err := move.Check(background, from); err != nil {
		t.Error(err)
	}
}

// forgetful loses the last log line of everybody.
type forgetful struct{ move.Store }

func (f forgetful) Restore(ctx context.Context, w store.Whole) error {
	w.Log = w.Log[:len(w.Log)-1]
	return f.Store.Restore(ctx, w)
}
