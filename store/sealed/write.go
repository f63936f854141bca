package sealed

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"turnstone/record"
	"turnstone/seal"
	"turnstone/store"
)

// Commit writes w, sealed.
func (s *Store) Commit(ctx context.Context, w store.Write) error {
	if err := errors.Join(w.Check(), own(w.Named...)); err != nil {
		return fmt.Errorf("commit: %w", err)
	}
	if w.Bytes == nil {
		return s.erase(ctx, w)
	}
	h, made, err := s.holder(ctx, w)
	if err != nil {
		return err
	}
	sealed, err := s.sealWrite(ctx, w, h)
	if err == nil {
		err = s.Inner.Commit(ctx, sealed)
	}
	switch {
	case err == nil:
		s.cache.putPerson(w.Person, holder{w.Next, h})
	case made && (errors.Is(err, store.ErrStale) || errors.Is(err, store.ErrInvalid)):
		s.cache.drop(h)
		return errors.Join(err, s.keys.Drop(ctx, h)) // it has sealed nothing that is kept
	case made: // it may have happened: the same write comes again, and must find its key
		s.cache.putPerson(w.Person, holder{w.Next, h})
	}
	return err
}

// holder is the key that the record of a write is sealed with: that of the
// version that was read, or a new one.
func (s *Store) holder(ctx context.Context, w store.Write) (id seal.KeyID, made bool, err error) {
	if h, ok := s.cache.person(w.Person); ok && (h.etag == w.Read || h.etag == w.Next) {
		return h.id, false, nil
	}
	was, err := s.Inner.Load(ctx, w.Person)
	if err != nil {
		return id, false, err
	}
	if id, ok := seal.Of(was.Bytes); ok {
		return id, false, nil // of another version, then the commit is stale
	}
	id, key, err := s.keys.New(ctx, w.Person)
	if err != nil {
		return id, false, fmt.Errorf("%w: %w", store.ErrDown, err)
	}
	s.cache.putKey(id, key)
	return id, true, nil
}

func (s *Store) sealWrite(ctx context.Context, w store.Write, id seal.KeyID) (store.Write, error) {
	k, err := s.key(ctx, id)
	switch {
	case errors.Is(err, seal.ErrDropped):
		return w, fmt.Errorf("%s was erased meanwhile: %w", w.Person, store.ErrStale)
	case err != nil:
		return w, fmt.Errorf("%w: the key of %s: %w", store.ErrDamaged, w.Person, err)
	}
	w.Bytes = seal.Seal(k, id, recordPlace(w.Person), w.Bytes)
	w.Log = slices.Clone(w.Log)
	for i, line := range w.Log {
		w.Log[i] = seal.Seal(k, id, logPlace(w.Person), line)
	}
	w.Keep = slices.Clone(w.Keep)
	for i, kept := range w.Keep {
		w.Keep[i].Bytes = seal.Seal(k, id, keptPlace(w.Person, kept.ID), kept.Bytes)
	}
	w.Named = slices.Clone(w.Named)
	for i, n := range w.Named {
		if w.Named[i].Bytes, err = s.sealNamed(ctx, n.Key, n.Bytes, w.Person, id); err != nil {
			return w, err
		}
	}
	return w, nil
}

// Put writes a named value, sealed.
func (s *Store) Put(ctx context.Context, key string, value []byte, etag uint64, expires time.Time) error {
	if value == nil {
		value = []byte{}
	}
	n := store.NamedWrite{Key: key, Bytes: value}
	if err := errors.Join(store.CheckNamed(n), own(n)); err != nil {
		return err
	}
	sealed, err := s.sealNamed(ctx, key, value, "", seal.KeyID{})
	if err != nil {
		return err
	}
	return s.Inner.Put(ctx, key, sealed, etag, expires)
}

// Delete deletes a named value.
func (s *Store) Delete(ctx context.Context, key string, etag uint64) error {
	if err := own(store.NamedWrite{Key: key}); err != nil {
		return err
	}
	return s.Inner.Delete(ctx, key, etag)
}

// own refuses the names that are this package's own.
func own(named ...store.NamedWrite) error {
	for _, n := range named {
		if strings.HasPrefix(n.Key, ownPrefix) {
			return fmt.Errorf("%w: the named value %q: names that begin with %q are the seal's own", store.ErrInvalid, n.Key, ownPrefix)
		}
	}
	return nil
}

// sealNamed seals a named value: a card with the key of its person, who is
// being written with the key id or has a record, everything else with the
// house's.
func (s *Store) sealNamed(ctx context.Context, key string, value []byte, person string, id seal.KeyID) ([]byte, error) {
	if value == nil {
		return nil, nil
	}
	with := s.house
	if strings.HasPrefix(key, record.CardPrefix) {
		card, err := record.DecodeCard(value)
		switch {
		case err != nil, // not one of ours
			card.Escalation.Bare: // outlives its person, and says nothing of health
		case string(card.Person) == person:
			with = id
		default:
			if with, err = s.personKey(ctx, string(card.Person)); err != nil {
				return nil, err
			}
		}
	}
	k, err := s.key(ctx, with)
	if err != nil {
		return nil, fmt.Errorf("%w: the key of %s: %w", store.ErrDamaged, namedPlace(key), err)
	}
	return seal.Seal(k, with, namedPlace(key), value), nil
}

// personKey is the key of a person's record. A card of somebody who was
// erased meanwhile is not written any more.
func (s *Store) personKey(ctx context.Context, person string) (seal.KeyID, error) {
	was, err := s.Inner.Load(ctx, person)
	if err != nil {
		return seal.KeyID{}, err
	}
	if was.Bytes == nil {
		return seal.KeyID{}, fmt.Errorf("the card of somebody who was erased: %w", store.ErrStale)
	}
	if id, ok := seal.Of(was.Bytes); ok {
		return id, nil
	}
	return s.house, nil // a record from before there was sealing has no key yet
}
