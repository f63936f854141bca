// Package storetest asks a store for every sentence of the promise in package
// store. Each store runs all of it: what one of them may answer and another
// may not is no promise.
//
// The cases are our own; no published suite exists for this promise. The
// method of the random histories (a small model beside the real thing) is
// that of J. Hughes, "QuickCheck Testing for Fun and Profit", 2007.
package storetest

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"iter"
	"slices"
	"testing"
	"time"

	"turnstone/store"
)

// A Store is what a store must have to be asked.
type Store interface {
	Load(ctx context.Context, person string) (store.Record, error)
	Commit(ctx context.Context, w store.Write) error
	Claim(ctx context.Context, now time.Time, lane store.Lane, n int, lease time.Duration) ([]string, error)
	Release(person string, lane store.Lane)
	NextDue(ctx context.Context, lane store.Lane) (time.Time, bool, error)
	Log(ctx context.Context, person string) ([][]byte, error)
	Kept(ctx context.Context, person string) ([]store.Kept, error)
	Retire(ctx context.Context, now time.Time) (int, error)
	Get(ctx context.Context, key string) (value []byte, etag uint64, ok bool, err error)
	Put(ctx context.Context, key string, value []byte, etag uint64, expires time.Time) error
	Delete(ctx context.Context, key string, etag uint64) error
	List(ctx context.Context, prefix string) ([]store.Named, error)
	People(ctx context.Context) iter.Seq2[string, error]
	Wake() <-chan struct{}
	Close() error
}

// A Subject is an empty store to be asked, and the world around it.
type Subject struct {
	Store Store
	// Now is the clock of the process that uses the store.
	Now func() time.Time
	// Pass lets time go by: it moves a clock that the store believes, or waits.
	Pass func(time.Duration)
	// Jump sets the process's clock on (or back) without time going by.
	Jump func(time.Duration)
	// Crash ends the store as a kill does and returns what opens afterwards.
	Crash func() Store
	// LeasesSurvive tells that a crash of the process leaves its leases in force.
	LeasesSurvive bool
	// Lease is a lease whose end a test can afford to Pass.
	Lease time.Duration
	// Slack is how far the store's clock may be off Now; 0 if it is the same.
	Slack time.Duration
}

// Run asks the stores that open opens, a fresh and empty one a case.
func Run(t *testing.T, open func(t *testing.T) *Subject) {
	for _, c := range slices.Concat(recordCases, raceCases, dueCases, clockCases, keptCases, namedCases) {
		t.Run(c.name, func(t *testing.T) { c.ask(&asker{t, open(t)}) })
	}
	t.Run("random histories get the answers of the model", func(t *testing.T) { histories(t, open) })
}

// A Mover is a store that people can be moved out of and into, whole.
type Mover interface {
	Store
	Whole(ctx context.Context, person string) (store.Whole, error)
	Restore(ctx context.Context, w store.Whole) error
}

// RunMoving asks stores that are Movers for what the promise says of moving. A
// wrapper around a store (one that seals) need not be one: what it wraps moves.
func RunMoving(t *testing.T, open func(t *testing.T) *Subject) {
	for _, c := range wholeCases {
		t.Run(c.name, func(t *testing.T) { c.ask(&asker{t, open(t)}) })
	}
}

type question struct {
	name string
	ask  func(*asker)
}

// An asker is a subject with the words that the cases need.
type asker struct {
	*testing.T
	*Subject
}

var background = context.Background()

// write makes a good write of person on top of what is there, with a new nonce.
func (a *asker) write(person string, change func(*store.Write)) store.Write {
	a.Helper()
	read := a.load(person).Etag
	w := store.Write{Person: person, Read: read, Next: read.Next(nonce()), Bytes: []byte("record"), Now: a.Now()}
	if change != nil {
		change(&w)
	}
	return w
}

func nonce() (n [8]byte) {
	_, _ = rand.Read(n[:]) // never fails (crypto/rand)
	return n
}

// commit commits write(person, change) and returns it.
func (a *asker) commit(person string, change func(*store.Write)) store.Write {
	a.Helper()
	w := a.write(person, change)
	a.want(a.Store.Commit(background, w), nil)
	return w
}

func (a *asker) erase(person string) store.Write {
	a.Helper()
	return a.commit(person, func(w *store.Write) { w.Bytes = nil })
}

// want fails unless err is want.
func (a *asker) want(err, want error) {
	a.Helper()
	if !errors.Is(err, want) || (want == nil && err != nil) {
		a.Fatalf("got the error %v, want %v", err, want)
	}
}

func (a *asker) load(person string) store.Record {
	a.Helper()
	r, err := a.Store.Load(background, person)
	a.want(err, nil)
	return r
}

// wantRecord fails unless that is what is stored.
func (a *asker) wantRecord(person string, etag store.Etag, record string) {
	a.Helper()
	got := a.load(person)
	if got.Etag != etag || !bytes.Equal(got.Bytes, []byte(record)) {
		a.Fatalf("%s: got the record %q at version %d, want %q at version %d", person, got.Bytes, got.Etag.Version(), record, etag.Version())
	}
}

func (a *asker) wantLog(person string, want ...string) {
	a.Helper()
	lines, err := a.Store.Log(background, person)
	a.want(err, nil)
	if got := texts(lines); !slices.Equal(got, want) {
		a.Fatalf("%s: got the log %q, want %q", person, got, want)
	}
}

func texts(lines [][]byte) (s []string) {
	for _, l := range lines {
		s = append(s, string(l))
	}
	return s
}

// claim claims for long, so that no lease ends within a case.
func (a *asker) claim(lane store.Lane, n int) []string {
	a.Helper()
	return a.claimFor(lane, n, 24*time.Hour)
}

func (a *asker) claimFor(lane store.Lane, n int, lease time.Duration) []string {
	a.Helper()
	people, err := a.Store.Claim(background, a.Now(), lane, n, lease)
	a.want(err, nil)
	return people
}

func (a *asker) wantClaim(lane store.Lane, want ...string) {
	a.Helper()
	if got := a.claim(lane, 100); !slices.Equal(got, want) {
		a.Fatalf("claimed %q in the %v lane, want %q", got, lane, want)
	}
}

func (a *asker) wantNext(lane store.Lane, want time.Time) {
	a.Helper()
	got, ok, err := a.Store.NextDue(background, lane)
	a.want(err, nil)
	if ok != !want.IsZero() || (ok && store.Millis(got) != store.Millis(want)) {
		a.Fatalf("next due in the %v lane: got %v, %v; want %v", lane, got, ok, want)
	}
}

// wantRing fails unless the wake channel has been rung, and quiets it.
func (a *asker) wantRing(after string) {
	a.Helper()
	select {
	case <-a.Store.Wake():
	default:
		a.Fatalf("not woken after %s", after)
	}
}

func (a *asker) quiet() {
	select {
	case <-a.Store.Wake():
	default:
	}
}

// due is a change that makes something due in lane.
func due(lane store.Lane, at time.Time) func(*store.Write) {
	return func(w *store.Write) { w.Due[lane] = at }
}

func numbered(i int) string { return fmt.Sprintf("person-%05d", i) }
