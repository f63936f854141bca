package sealed

import (
	"context"
	"errors"
	"fmt"

	"turnstone/seal"
	"turnstone/store"
)

// A whole is an inner store that can be moved.
type whole interface {
	Whole(ctx context.Context, person string) (store.Whole, error)
	Restore(ctx context.Context, w store.Whole) error
}

var errNotWhole = errors.New("this store cannot be moved from or to")

// Whole returns everything stored of a person, opened.
func (s *Store) Whole(ctx context.Context, person string) (store.Whole, error) {
	inner, ok := s.Inner.(whole)
	if !ok {
		return store.Whole{}, errNotWhole
	}
	w, err := inner.Whole(ctx, person)
	if err != nil || w.Record.Bytes == nil {
		return w, err
	}
	if w.Record.Bytes, err = s.open(ctx, recordPlace(person), w.Record.Bytes); err != nil {
		return w, err
	}
	for i, line := range w.Log {
		if w.Log[i], err = s.open(ctx, logPlace(person), line); err != nil {
			return w, err
		}
	}
	for i, k := range w.Kept {
		if w.Kept[i].Bytes, err = s.open(ctx, keptPlace(person, k.ID), k.Bytes); err != nil {
			return w, err
		}
	}
	return w, nil
}

// Restore puts a person in place of whatever is there, sealed with the key of
// what was there, or a new one.
func (s *Store) Restore(ctx context.Context, w store.Whole) error {
	inner, ok := s.Inner.(whole)
	if !ok {
		return errNotWhole
	}
	if err := w.Check(); err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	id, _, err := s.holder(ctx, store.Write{Person: w.Person})
	if err != nil {
		return err
	}
	k, err := s.key(ctx, id)
	if err != nil {
		return fmt.Errorf("%w: the key of %s: %w", store.ErrDamaged, w.Person, err)
	}
	sealed := w
	sealed.Record.Bytes = seal.Seal(k, id, recordPlace(w.Person), w.Record.Bytes)
	sealed.Log = make([][]byte, len(w.Log))
	for i, line := range w.Log {
		sealed.Log[i] = seal.Seal(k, id, logPlace(w.Person), line)
	}
	sealed.Kept = make([]store.Kept, len(w.Kept))
	for i, kept := range w.Kept {
		kept.Bytes = seal.Seal(k, id, keptPlace(w.Person, kept.ID), kept.Bytes)
		sealed.Kept[i] = kept
	}
	s.cache.dropPerson(w.Person)
	return inner.Restore(ctx, sealed)
}
