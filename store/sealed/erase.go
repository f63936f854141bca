package sealed

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"turnstone/record"
	"turnstone/seal"
	"turnstone/store"
)

// An entry of the erasure list is a key ID, or a pseudonym where a record had
// no key yet.
const (
	keyWord    = "key:"
	personWord = "person:"
)

func entryOf(person string, stored []byte) string {
	if id, ok := seal.Of(stored); ok {
		return keyWord + id.String()
	}
	return personWord + person
}

// erase erases a person: the commit first, with a mark beside it, then the key.
func (s *Store) erase(ctx context.Context, w store.Write) error {
	was, err := s.Inner.Load(ctx, w.Person)
	if err != nil {
		return err
	}
	entry := ""
	w.Named = append([]store.NamedWrite(nil), w.Named...)
	for i, n := range w.Named {
		if w.Named[i].Bytes, err = s.sealNamed(ctx, n.Key, n.Bytes, "", seal.KeyID{}); err != nil {
			return err
		}
	}
	if was.Bytes != nil {
		entry = entryOf(w.Person, was.Bytes)
		w.Named = append(w.Named, store.NamedWrite{Key: markPrefix + entry, Bytes: []byte{}})
	}
	s.cache.dropPerson(w.Person)
	if err := s.Inner.Commit(ctx, w); err != nil || entry == "" {
		return err
	}
	if err := s.settle(ctx, entry, w.Now); err != nil {
		// It is erased; only its key is still there. Settle tries again.
		s.log.ErrorContext(ctx, "the key of somebody who was erased is not dropped yet; it is tried again", "err", err)
	}
	return nil
}

// settle finishes one erasure.
func (s *Store) settle(ctx context.Context, entry string, now time.Time) error {
	if err := s.list.Add(ctx, entry, now); err != nil {
		return err
	}
	if text, ok := strings.CutPrefix(entry, keyWord); ok {
		id, err := seal.ParseKeyID(text)
		if err != nil {
			return err
		}
		s.cache.drop(id)
		if err := s.keys.Drop(ctx, id); err != nil {
			return err
		}
	}
	return s.Inner.Delete(ctx, markPrefix+entry, store.AnyEtag)
}

// Settle finishes the erasures that a crash or a full disk has left halfway,
// and removes the cards that were erased with their person.
func (s *Store) Settle(ctx context.Context, now time.Time) error {
	marks, err := s.Inner.List(ctx, markPrefix)
	if err != nil {
		return err
	}
	errs := []error{s.list.Meet(ctx, now), s.removeCards(ctx)}
	for _, m := range marks {
		if err := s.settle(ctx, strings.TrimPrefix(m.Key, markPrefix), now); err != nil {
			errs = append(errs, fmt.Errorf("finish an erasure: %w", err))
		}
	}
	return errors.Join(errs...)
}

// eraseAgain takes out what the erasure list names and is there all the same,
// and returns how many people that were.
func (s *Store) eraseAgain(ctx context.Context) (int, error) {
	total, came := 0, false
	for _, entry := range s.list.All() {
		if person, ok := strings.CutPrefix(entry, personWord); ok {
			n, err := s.eraseIf(ctx, person, func(_ context.Context, stored []byte) bool { _, ok := seal.Of(stored); return !ok })
			if err != nil {
				return total, err
			}
			total += n
			continue
		}
		id, err := seal.ParseKeyID(strings.TrimPrefix(entry, keyWord))
		if err != nil {
			return total, fmt.Errorf("an entry of the erasure list: %w", err)
		}
		if _, err := s.keys.Key(ctx, id); errors.Is(err, seal.ErrDropped) || errors.Is(err, seal.ErrUnknown) {
			continue
		}
		came = true
		if err := s.keys.Drop(ctx, id); err != nil {
			return total, err
		}
	}
	if !came {
		return total, nil
	}
	n, err := s.EraseUnreadable(ctx)
	return total + n, err
}

// EraseUnreadable erases everybody whose key was dropped, and their cards. It
// is for a copy that was put back beside newer keys.
func (s *Store) EraseUnreadable(ctx context.Context) (int, error) {
	total := 0
	for person, err := range s.People(ctx) {
		if err != nil {
			return total, err
		}
		n, err := s.eraseIf(ctx, person, s.dropped)
		if err != nil {
			return total, err
		}
		total += n
	}
	return total, s.removeCards(ctx)
}

// removeCards removes the cards whose key was dropped.
func (s *Store) removeCards(ctx context.Context) error {
	cards, err := s.Inner.List(ctx, record.CardPrefix)
	if err != nil {
		return err
	}
	for _, c := range cards {
		if s.dropped(ctx, c.Bytes) {
			if err := s.Inner.Delete(ctx, c.Key, c.Etag); err != nil && !errors.Is(err, store.ErrStale) {
				return err
			}
		}
	}
	return nil
}

// dropped tells whether the key of something stored was dropped.
func (s *Store) dropped(ctx context.Context, stored []byte) bool {
	id, ok := seal.Of(stored)
	if !ok {
		return false
	}
	_, err := s.keys.Key(ctx, id)
	return errors.Is(err, seal.ErrDropped)
}

func (s *Store) eraseIf(ctx context.Context, person string, when func(ctx context.Context, stored []byte) bool) (int, error) {
	was, err := s.Inner.Load(ctx, person)
	if err != nil || was.Bytes == nil || !when(ctx, was.Bytes) {
		return 0, err
	}
	w := store.Write{Person: person, Read: was.Etag, Next: was.Etag.Next(record.Nonce()), Now: time.Now()}
	if err := s.Inner.Commit(ctx, w); err != nil && !errors.Is(err, store.ErrStale) {
		return 0, err
	}
	return 1, nil
}
