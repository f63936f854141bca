// Package move takes everything in one store to another, whole: people with
// their logs, due times, kept episodes and etags, and the named values. It can
// be broken off and begun again at any moment, and it ends by comparing both
// stores person by person. Until then the old store is the one that counts; a
// mark in the new one keeps a bot from opening it half filled, and when all is
// compared a mark in the old one keeps a bot from going on there.
package move

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"iter"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"turnstone/store"
)

// A Store is what a move needs from a store.
type Store interface {
	Load(ctx context.Context, person string) (store.Record, error)
	Commit(ctx context.Context, w store.Write) error
	People(ctx context.Context) iter.Seq2[string, error]
	Whole(ctx context.Context, person string) (store.Whole, error)
	Restore(ctx context.Context, w store.Whole) error
	Get(ctx context.Context, key string) (value []byte, etag uint64, ok bool, err error)
	Put(ctx context.Context, key string, value []byte, etag uint64, expires time.Time) error
	Delete(ctx context.Context, key string, etag uint64) error
	List(ctx context.Context, prefix string) ([]store.Named, error)
}

// The marks are named values under a prefix that is the move's own.
const (
	marks    = "move/"
	arriving = marks + "arriving" // in the new store: where everything comes from
	left     = marks + "left"     // in the old store: where everything went
)

// Check refuses a store that a bot must not work on: one that a move has only
// half filled, or one that everything was moved out of.
func Check(ctx context.Context, s Store) error {
	from, _, half, err := s.Get(ctx, arriving)
	if err != nil {
		return err
	}
	if half {
		return fmt.Errorf("a move from %s into this store was begun and not finished: run it again to its end, or go on with the old store", from)
	}
	to, _, gone, err := s.Get(ctx, left)
	if err != nil {
		return err
	}
	if gone {
		return fmt.Errorf("everything in this store was moved to %s: use that; two bots that go on apart would each lose what the other is told", to)
	}
	return nil
}

// A Side is one of the two stores, with the name that the operator gave it.
type Side struct {
	Name string
	Store
}

// A Report says what was moved. Sum is over everything, in no order.
type Report struct {
	People, Copied, Named int
	Sum                   string
}

func (r Report) String() string {
	return fmt.Sprintf("%d people (%d copied now) and %d named values, compared one by one; sum %s", r.People, r.Copied, r.Named, r.Sum)
}

// atOnce is how many people are on their way at the same time.
const atOnce = 16

// Move moves everything and compares it. Now is the moment for erasing in the
// new store whoever is no longer in the old one.
func Move(ctx context.Context, from, to Side, now time.Time) (Report, error) {
	if err := begin(ctx, from, to); err != nil {
		return Report{}, err
	}
	m := &mover{from: from, to: to, now: now}
	for _, step := range []func(context.Context) error{m.people, m.strangers, m.named, m.compare} {
		if err := step(ctx); err != nil {
			return m.report, fmt.Errorf("move from %s to %s: %w; run it again, it goes on where it stopped", from.Name, to.Name, err)
		}
	}
	// First the old one, so that at no moment both may be used.
	err := from.Put(ctx, left, []byte(to.Name), store.AnyEtag, time.Time{})
	if err == nil {
		err = to.Delete(ctx, arriving, store.AnyEtag)
	}
	return m.report, err
}

// begin looks whether the two may be moved from and to, and marks the new one.
func begin(ctx context.Context, from, to Side) error {
	source, _, half, err := from.Get(ctx, arriving)
	if err != nil || half {
		return errors.Join(err, refuse(half, "%s is itself half filled from %s: finish that move first", from.Name, source))
	}
	if source, _, half, err = to.Get(ctx, arriving); err != nil {
		return err
	}
	if half {
		return refuse(string(source) != from.Name, "%s is half filled from %s: finish that move, or empty it", to.Name, source)
	}
	people, err := anybody(ctx, to)
	named, lerr := to.List(ctx, "")
	if err := errors.Join(err, lerr); err != nil {
		return err
	}
	if people || len(named) > 0 {
		return fmt.Errorf("%s is not empty: a move would mix two clinics; name an empty one", to.Name)
	}
	return to.Put(ctx, arriving, []byte(from.Name), 0, time.Time{})
}

func refuse(broken bool, format string, args ...any) error {
	if !broken {
		return nil
	}
	return fmt.Errorf(format, args...)
}

func anybody(ctx context.Context, s Store) (bool, error) {
	for _, err := range s.People(ctx) {
		return err == nil, err
	}
	return false, nil
}

type mover struct {
	from, to Side
	now      time.Time

	mu     sync.Mutex
	report Report
	sum    [sha256.Size]byte
}

// each calls do for everybody in s, some at a time.
func each(ctx context.Context, s Store, do func(ctx context.Context, person string) error) error {
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(atOnce)
	for person, err := range s.People(ctx) {
		if err != nil {
			return errors.Join(err, group.Wait())
		}
		group.Go(func() error { return do(ctx, person) })
	}
	return group.Wait()
}

// people copies everybody who is not there yet in this very version.
func (m *mover) people(ctx context.Context) error {
	return each(ctx, m.from, func(ctx context.Context, person string) error {
		whole, err := m.from.Whole(ctx, person)
		if err != nil || whole.Record.Bytes == nil { // erased since the list was read
			return err
		}
		there, err := m.to.Load(ctx, person)
		if err != nil || there.Etag == whole.Record.Etag {
			return err
		}
		if err := m.to.Restore(ctx, whole); err != nil {
			return err
		}
		m.mu.Lock()
		defer m.mu.Unlock()
		m.report.Copied++
		return nil
	})
}

// strangers erases in the new store whoever was erased in the old one since a move that was broken off.
func (m *mover) strangers(ctx context.Context) error {
	return each(ctx, m.to, func(ctx context.Context, person string) error {
		here, err := m.from.Load(ctx, person)
		if err != nil || here.Bytes != nil {
			return err
		}
		there, err := m.to.Load(ctx, person)
		if err != nil {
			return err
		}
		return m.to.Commit(ctx, store.Write{Person: person, Read: there.Etag, Next: there.Etag.Next([8]byte(there.Etag[8:])), Now: m.now})
	})
}

func (m *mover) named(ctx context.Context) error {
	here, there, err := m.bothNamed(ctx)
	if err != nil {
		return err
	}
	for key, n := range here {
		if old, ok := there[key]; ok && same(n, old) {
			continue
		}
		if err := m.to.Put(ctx, key, n.Bytes, store.AnyEtag, n.Expires); err != nil {
			return err
		}
	}
	for key := range there {
		if _, ok := here[key]; !ok {
			if err := m.to.Delete(ctx, key, store.AnyEtag); err != nil {
				return err
			}
		}
	}
	return nil
}

func same(a, b store.Named) bool { return bytes.Equal(a.Bytes, b.Bytes) && a.Expires.Equal(b.Expires) }

func (m *mover) bothNamed(ctx context.Context) (here, there map[string]store.Named, err error) {
	list := func(s Store) map[string]store.Named {
		all, lerr := s.List(ctx, "")
		err = errors.Join(err, lerr)
		byKey := map[string]store.Named{}
		for _, n := range all {
			if !strings.HasPrefix(n.Key, marks) {
				byKey[n.Key] = n
			}
		}
		return byKey
	}
	return list(m.from), list(m.to), err
}

// compare holds both stores against each other and counts.
func (m *mover) compare(ctx context.Context) error {
	if err := each(ctx, m.from, m.comparePerson); err != nil {
		return err
	}
	there := 0
	for _, err := range m.to.People(ctx) {
		if err != nil {
			return err
		}
		there++
	}
	if there != m.report.People {
		return fmt.Errorf("there are %d people in the one and %d in the other: does a bot still run on either", m.report.People, there)
	}
	here, arrived, err := m.bothNamed(ctx)
	if err != nil {
		return err
	}
	for key, n := range here {
		if old, ok := arrived[key]; !ok || !same(n, old) {
			if n.Expires.IsZero() || time.Until(n.Expires) > 0 {
				return fmt.Errorf("the named value %q is not the same: does a bot still run on either", key)
			}
		}
		m.add(named(n))
	}
	m.report.Named, m.report.Sum = len(here), hex.EncodeToString(m.sum[:])
	return nil
}

func (m *mover) comparePerson(ctx context.Context, person string) error {
	for tries := 0; ; tries++ {
		here, err := m.from.Whole(ctx, person)
		there, terr := m.to.Whole(ctx, person)
		if err := errors.Join(err, terr); err != nil {
			return err
		}
		if sum := Sum(here); sum == Sum(there) {
			m.add(sum)
			m.mu.Lock()
			defer m.mu.Unlock()
			m.report.People++
			return nil
		}
		if tries > 0 { // once may be a kept episode whose moment came between the two looks
			return errors.New("somebody is not the same in both: does a bot still run on either")
		}
	}
}

func (m *mover) add(sum [sha256.Size]byte) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for i := range m.sum {
		m.sum[i] ^= sum[i]
	}
}

// Sum is a hash over everything of a person.
func Sum(w store.Whole) [sha256.Size]byte {
	parts := [][]byte{[]byte(w.Person), w.Record.Etag[:], w.Record.Bytes, at(w.Due[0]), at(w.Due[1]), number(len(w.Log))}
	parts = append(parts, w.Log...)
	for _, k := range w.Kept {
		parts = append(parts, []byte(k.ID), at(k.Until), k.Bytes)
	}
	return sum('p', parts)
}

func named(n store.Named) [sha256.Size]byte {
	return sum('n', [][]byte{[]byte(n.Key), at(n.Expires), n.Bytes})
}

// sum hashes parts with their lengths, so that no two lists of parts are alike.
func sum(kind byte, parts [][]byte) [sha256.Size]byte {
	all := []byte{kind}
	for _, p := range parts {
		all = append(append(all, number(len(p))...), p...)
	}
	return sha256.Sum256(all)
}

func number(n int) []byte { return binary.BigEndian.AppendUint64(nil, uint64(n)) }

func at(t time.Time) []byte {
	if t.IsZero() {
		return nil
	}
	return number(int(store.Millis(t)))
}
