package bolt

import (
	"bytes"
	"context"
	"fmt"
	"time"

	"go.etcd.io/bbolt"

	"turnstone/store"
)

// Commit writes w, all of it or nothing, and returns when it is durable.
func (s *Store) Commit(ctx context.Context, w store.Write) error {
	if err := w.Check(); err != nil {
		return fmt.Errorf("commit: %w", err)
	}
	return s.submit(ctx, newCommit(w))
}

// A commit is a store.Write made ready by its caller: copied, sealed and with
// its keys, so that the committer only compares and puts.
type commit struct {
	person     string
	read, next store.Etag
	due        [2]uint64
	lease      [2]time.Duration
	now        time.Time
	record     []byte // sealed; nil erases
	log        []pair
	keep       []keep
	named      []namedWrite

	was      [2]uint64 // what was due before; filled in by write
	repeated bool      // it had happened before
}

type pair struct{ key, value []byte }

type keep struct {
	pair
	until uint64
}

func newCommit(w store.Write) *commit {
	c := &commit{person: w.Person, read: w.Read, next: w.Next, lease: w.Lease, now: w.Now}
	for lane, at := range w.Due {
		c.due[lane] = moment(at)
	}
	if w.Bytes != nil {
		c.record = sealPerson(w.Person, w.Next, c.due, w.Bytes)
	}
	for i, line := range w.Log {
		key := logKey(w.Person, w.Next.Version(), i)
		c.log = append(c.log, pair{key, seal(key, line)})
	}
	for _, k := range w.Keep {
		key, until := keptKey(w.Person, k.ID), moment(k.Until)
		c.keep = append(c.keep, keep{pair{key, seal(key, number(until), k.Bytes)}, until})
	}
	for _, n := range w.Named {
		c.named = append(c.named, newNamedWrite(n))
	}
	return c
}

func (c *commit) write(t *tables) (answer, fault error) {
	old, there, err := t.person(c.person)
	switch {
	case err != nil:
		return err, nil
	case there && old.etag == c.next:
		c.repeated = true
		return nil, nil
	case !there && c.record == nil: // erased already, whatever was read
	case old.etag != c.read:
		return fmt.Errorf("commit: version %d was read and %d is there: %w", c.read.Version(), old.etag.Version(), store.ErrStale), nil
	}
	c.was = old.due
	for _, n := range c.named {
		if err := n.write(t); err != nil {
			return nil, err
		}
	}
	if c.record == nil {
		return nil, c.erase(t)
	}
	return nil, c.put(t)
}

func (c *commit) put(t *tables) error {
	if err := t.people.Put(own(c.person), c.record); err != nil {
		return err
	}
	for lane, due := range t.due {
		if err := moveDue(due, c.person, c.was[lane], c.due[lane]); err != nil {
			return err
		}
	}
	for _, line := range c.log {
		if err := t.people.Put(line.key, line.value); err != nil {
			return err
		}
	}
	for _, k := range c.keep {
		if err := t.keep(k); err != nil {
			return err
		}
	}
	return nil
}

func (c *commit) erase(t *tables) error {
	for lane, due := range t.due {
		if err := moveDue(due, c.person, c.was[lane], never); err != nil {
			return err
		}
	}
	for _, key := range t.ownKeys(c.person) {
		remove := t.people.Delete
		if _, kind, _, _ := splitOwn(key); kind == keptKind {
			remove = func(key []byte) error { return t.drop(keptKind, key) }
		}
		if err := remove(key); err != nil {
			return err
		}
	}
	return nil
}

// ownKeys returns all keys of a person: first collected, then used, since
// deleting under a cursor lets it skip entries.
func (t *tables) ownKeys(person string) (keys [][]byte) {
	prefix := own(person)
	c := t.people.Cursor()
	for k, _ := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, _ = c.Next() {
		keys = append(keys, bytes.Clone(k))
	}
	return keys
}

func moveDue(due *bbolt.Bucket, person string, from, to uint64) error {
	if from == to {
		return nil
	}
	if from != never {
		if err := due.Delete(dueKey(from, person)); err != nil {
			return err
		}
	}
	if to == never {
		return nil
	}
	return due.Put(dueKey(to, person), nil)
}

func (c *commit) mover() string { return c.person }

// settle ends the leases of the person and takes those that the write asks for.
func (c *commit) settle(l *leases) (earlier bool) {
	if c.repeated {
		return false
	}
	for lane := range l.held {
		lane := store.Lane(lane)
		before := l.claimable(lane, c.person, c.was[lane], c.now)
		delete(l.held[lane], c.person)
		if length := c.lease[lane]; length > 0 && c.due[lane] <= passed(c.now) {
			l.held[lane][c.person] = lease{c.now, length}
		}
		earlier = earlier || l.claimable(lane, c.person, c.due[lane], c.now) < before
	}
	return earlier
}
