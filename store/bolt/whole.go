package bolt

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"

	"turnstone/store"
)

// Whole returns everything stored of a person.
func (s *Store) Whole(ctx context.Context, person string) (store.Whole, error) {
	if err := store.CheckPerson(person); err != nil {
		return store.Whole{}, err
	}
	whole, now := store.Whole{Person: person}, passed(s.clock())
	err := s.view(ctx, func(t *tables) error {
		p, there, err := t.person(person)
		if err != nil || !there {
			return err
		}
		whole.Record = store.Record{Etag: p.etag, Bytes: append([]byte{}, p.bytes...)}
		for lane, at := range p.due {
			whole.Due[lane] = timeOf(at)
		}
		for _, key := range t.ownKeys(person) {
			if err := wholePart(&whole, key, t.people.Get(key), now); err != nil {
				return err
			}
		}
		return nil
	})
	return whole, err
}

func wholePart(whole *store.Whole, key, value []byte, now uint64) error {
	_, kind, rest, err := splitOwn(key)
	if err != nil || kind == 0 {
		return err
	}
	body, err := unseal(key, value, 0)
	switch {
	case err != nil:
		return err
	case kind == logKind:
		whole.Log = append(whole.Log, append([]byte{}, body...))
	case kind == keptKind && len(body) >= 8:
		if until := binary.BigEndian.Uint64(body); until > now {
			whole.Kept = append(whole.Kept, store.Kept{ID: string(rest), Until: timeOf(until), Bytes: bytes.Clone(body[8:])})
		}
	}
	return nil
}

// Restore puts a person in place of whatever is there.
func (s *Store) Restore(ctx context.Context, w store.Whole) error {
	if err := w.Check(); err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	return s.submit(ctx, &restoring{newCommit(store.Write{
		Person: w.Person, Next: w.Record.Etag, Bytes: w.Record.Bytes, Due: w.Due, Log: w.Log, Keep: w.Kept,
	})})
}

// A restoring is a commit that compares nothing and leaves nothing of what was there.
type restoring struct{ *commit }

func (r *restoring) write(t *tables) (answer, fault error) {
	old, there, err := t.person(r.person)
	if err != nil {
		return err, nil
	}
	if r.was = old.due; there {
		if err := r.erase(t); err != nil {
			return nil, err
		}
		r.was = [2]uint64{never, never}
	}
	return nil, r.put(t)
}

func (r *restoring) settle(l *leases) (earlier bool) {
	for lane := range l.held {
		delete(l.held[lane], r.person)
	}
	return true
}
