package bolt

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	berrors "go.etcd.io/bbolt/errors"

	"turnstone/store"
)

// hang keeps the committer waiting, as a disk does that hangs, until the
// returned function is called.
func hang(t *testing.T, s *Store) (goOn func()) {
	t.Helper()
	tx, err := s.db.Begin(true)
	if err != nil {
		t.Fatal(err)
	}
	return func() {
		t.Helper()
		if err := tx.Rollback(); err != nil {
			t.Fatal(err)
		}
	}
}

func write(person string) store.Write {
	return store.Write{
		Person: person, Next: store.Etag{}.Next(nonce()), Bytes: []byte("record of " + person),
		Log: [][]byte{[]byte("line")}, Now: time.Now(),
	}
}

func TestACommitReturnsWhenItsContextEndsAndMayBeSentAgain(t *testing.T) {
	s := openWith(t, t.TempDir(), nil)
	goOn := hang(t, s)
	ctx, cancel := context.WithTimeout(background, 30*time.Millisecond)
	defer cancel()
	w := write("p")
	if err := s.Commit(ctx, w); !errors.Is(err, context.DeadlineExceeded) || !errors.Is(err, store.ErrDown) {
		t.Fatalf("got %v, want the deadline and ErrDown", err)
	}
	goOn()
	if err := s.Commit(background, w); err != nil {
		t.Fatal(err)
	}
	wantRecord(t, s, "p", "record of p")
	if lines, err := s.Log(background, "p"); err != nil || len(lines) != 1 {
		t.Fatalf("%d log lines, %v; want 1", len(lines), err)
	}
}

func TestWhoGaveUpInLineIsNotWritten(t *testing.T) {
	s := openWith(t, t.TempDir(), nil)
	goOn := hang(t, s)
	ctx, cancel := context.WithCancel(background)
	done := make(chan error)
	go func() { done <- s.Commit(ctx, write("p")) }()
	cancel()
	if err := <-done; !errors.Is(err, context.Canceled) {
		t.Fatalf("got %v", err)
	}
	goOn()
	mustCommit(t, s, "q", "record", nil) // the line is first come, first served: p has had its turn
	wantRecord(t, s, "p", "")
}

func TestCloseAnswersEverybodyInLine(t *testing.T) {
	s := openWith(t, t.TempDir(), nil)
	goOn := hang(t, s)
	const callers = 600 // more than a group and the line together hold
	answers := make(chan error, callers)
	for i := range callers {
		go func() { answers <- s.Commit(background, write(fmt.Sprint(i))) }()
	}
	closed := make(chan error)
	go func() { closed <- s.Close() }()
	<-s.stop
	goOn()
	if err := <-closed; err != nil {
		t.Fatal(err)
	}
	for range callers {
		if err := <-answers; err != nil && !errors.Is(err, store.ErrDown) {
			t.Errorf("got %v, want nil or ErrDown", err)
		}
	}
}

// odd is a change that does what it is told.
type odd struct {
	do func() (answer, fault error)
}

func (o odd) write(*tables) (answer, fault error) { return o.do() }
func (o odd) settle(*leases) bool                 { return false }
func (o odd) mover() string                       { return "" }

func TestAFaultFailsTheWholeGroupAndAnAnswerDoesNot(t *testing.T) {
	for name, c := range map[string]struct {
		odd  odd
		want error
	}{
		"fault":  {odd{func() (answer, fault error) { return nil, berrors.ErrKeyTooLarge }}, store.ErrDown},
		"answer": {odd{func() (answer, fault error) { return store.ErrStale, nil }}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			s := openWith(t, t.TempDir(), nil)
			group := []*ticket{
				{ctx: background, change: newCommit(write("p"))},
				{ctx: background, change: c.odd},
				{ctx: background, change: newCommit(write("q"))},
			}
			if err := s.commitGroup(group); !errors.Is(err, c.want) || (c.want == nil && err != nil) {
				t.Fatalf("got %v, want %v", err, c.want)
			}
			for _, person := range []string{"p", "q"} {
				want := "record of " + person
				if c.want != nil {
					want = ""
				}
				wantRecord(t, s, person, want)
			}
			mustCommit(t, s, "p", "after", nil)
			mustCommit(t, s, "q", "after", nil)
		})
	}
}

// After either of these nobody knows what bbolt holds in memory.
func TestAfterAFaultThatCannotBeTakenBackReadingGoesOnAndCommittingDoesNot(t *testing.T) {
	for name, fail := range map[string]func(s *Store) error{
		"a panic in the transaction": func(s *Store) error {
			return s.submit(background, odd{func() (answer, fault error) { panic("page 7 already freed") }})
		},
		"a last sync that failed after the transaction was visible": func(s *Store) error {
			return s.failed(errors.New("input/output error"), 0)
		},
	} {
		t.Run(name, func(t *testing.T) {
			s := openWith(t, t.TempDir(), nil)
			mustCommit(t, s, "p", "record", due(store.Urgent, time.Unix(0, 0)))
			if err := fail(s); !errors.Is(err, store.ErrDown) || !strings.Contains(err.Error(), "start the bot again") {
				t.Fatalf("got %v", err)
			}
			if err := s.Commit(background, write("q")); !errors.Is(err, store.ErrDown) {
				t.Fatalf("got %v, want ErrDown", err)
			}
			wantRecord(t, s, "p", "record")
			if got, err := s.Claim(background, time.Now(), store.Urgent, 1, time.Minute); err != nil || len(got) != 1 {
				t.Fatalf("claimed %q, %v", got, err)
			}
		})
	}
}
