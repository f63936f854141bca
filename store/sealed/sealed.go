// Package sealed seals a store: nothing that is handed to the store inside
// can be read there. It keeps the promise of package store around any other
// that does.
//
//   - A person's record, log and kept episodes are compressed and sealed with
//     a key of that person's own, made by their first commit. So is a card of
//     the staff list. Every other named value, and the bare card of an
//     emergency whose person was erased, is sealed with the house's own key.
//   - The keys and the index inside carry pseudonyms only.
//   - Erasing drops the person's key. The commit that erases leaves a mark
//     beside it; then the erasure list gets the key's name, the key is dropped
//     and the mark taken back. What a crash leaves of that, Open and Settle do.
//   - Open takes out whatever is on the erasure list and there all the same: an
//     older copy was put back. Only then does the store answer.
//   - What was stored before there was sealing is read as it is, and sealed
//     when it is written next.
package sealed

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"strings"
	"time"

	"turnstone/seal"
	"turnstone/store"
	"turnstone/store/keyfile"
)

// An Inner is the store that is sealed.
type Inner interface {
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

// Keys keep the data keys. A key that was made stays until it is dropped.
type Keys interface {
	New(ctx context.Context, person string) (seal.KeyID, seal.Key, error)
	// Key returns seal.ErrDropped for what was dropped.
	Key(ctx context.Context, id seal.KeyID) (seal.Key, error)
	Drop(ctx context.Context, id seal.KeyID) error
	Close() error
}

// A List is the erasure list.
type List interface {
	Add(ctx context.Context, entry string, at time.Time) error
	// Meet takes in what other processes have put on it, and hands on what they lack.
	Meet(ctx context.Context, at time.Time) error
	All() []string
}

// A Store seals what goes into its inner store, and opens what comes out.
type Store struct {
	Inner // what holds no content goes straight through

	keys  Keys
	list  List
	log   *slog.Logger
	house seal.KeyID
	cache cache
}

// Names inside the inner store that are this package's own.
const (
	ownPrefix  = "seal/"
	houseName  = ownPrefix + "house"  // the ID of the house's key
	markPrefix = ownPrefix + "erased" // followed by an entry of the erasure list that is not finished
)

// Sealed tells whether a store has been sealed before.
func Sealed(ctx context.Context, inner Inner) (bool, error) {
	_, _, ok, err := inner.Get(ctx, houseName)
	return ok, err
}

// Open seals inner. Before it returns, every erasure that was begun is
// finished, and what was erased and has come back is erased again. Whatever it
// returns, inner and keys stay the caller's to close until there is a Store.
func Open(ctx context.Context, inner Inner, keys Keys, list List, log *slog.Logger) (*Store, error) {
	s := &Store{Inner: inner, keys: keys, list: list, log: log, cache: newCache()}
	if err := s.openHouse(ctx); err != nil {
		return nil, err
	}
	if err := s.Settle(ctx, time.Now()); err != nil {
		return nil, err
	}
	again, err := s.eraseAgain(ctx)
	if err != nil {
		return nil, fmt.Errorf("erase again what the erasure list names: %w", err)
	}
	if again > 0 {
		log.WarnContext(ctx, "an older copy of the store was put back; what was erased since has been erased again", "erased", again)
	}
	return s, nil
}

// openHouse finds or makes the house's own key, and with it tells whether the
// keys are those that the store was sealed with.
func (s *Store) openHouse(ctx context.Context) error {
	text, _, ok, err := s.Inner.Get(ctx, houseName)
	if err != nil {
		return err
	}
	if ok {
		if s.house, err = seal.ParseKeyID(string(text)); err != nil {
			return fmt.Errorf("%w: the name of the house's key: %w", store.ErrDamaged, err)
		}
		if _, err := s.key(ctx, s.house); err != nil {
			return fmt.Errorf("the store cannot be opened with these keys: %w; put back the key file and the persons' keys that belong to it", err)
		}
		return nil
	}
	id, key, err := s.keys.New(ctx, "")
	if err != nil {
		return err
	}
	switch err := s.Inner.Put(ctx, houseName, []byte(id.String()), 0, time.Time{}); {
	case errors.Is(err, store.ErrStale): // another process was first
		return errors.Join(s.keys.Drop(ctx, id), s.openHouse(ctx))
	case err != nil:
		return err
	}
	s.house = id
	s.cache.putKey(id, key)
	return nil
}

// key returns a data key, from memory if it is there.
func (s *Store) key(ctx context.Context, id seal.KeyID) (seal.Key, error) {
	if k, ok := s.cache.key(id); ok {
		return k, nil
	}
	k, err := s.keys.Key(ctx, id)
	if err != nil {
		return k, err
	}
	s.cache.putKey(id, k)
	return k, nil
}

// open returns what was stored at a place. What was never sealed comes as it is.
func (s *Store) open(ctx context.Context, place string, stored []byte) ([]byte, error) {
	id, sealed := seal.Of(stored)
	if !sealed {
		return stored, nil
	}
	k, err := s.key(ctx, id)
	if err == nil {
		var plain []byte
		if plain, err = seal.Open(k, place, stored); err == nil {
			return plain, nil
		}
	}
	return nil, fmt.Errorf("%w: the %s: %w", store.ErrDamaged, place, err)
}

// The places that things are sealed for. A thing moved to another place does not open.
func recordPlace(person string) string   { return "record of " + person }
func logPlace(person string) string      { return "log of " + person }
func keptPlace(person, id string) string { return "kept episode " + id + " of " + person }
func namedPlace(key string) string       { return "named value " + key }

// Load returns the record of a person. Of somebody whose key was dropped
// nothing is there, and what is left of it goes now.
func (s *Store) Load(ctx context.Context, person string) (store.Record, error) {
	r, err := s.Inner.Load(ctx, person)
	if err != nil || r.Bytes == nil {
		return r, err
	}
	if id, ok := seal.Of(r.Bytes); ok {
		s.cache.putPerson(person, holder{r.Etag, id})
	}
	stored := r.Bytes
	r.Bytes, err = s.open(ctx, recordPlace(person), stored)
	if errors.Is(err, seal.ErrDropped) {
		// An older copy of the data was put back beside newer keys.
		if _, err := s.eraseIf(ctx, person, s.dropped); err != nil {
			return store.Record{}, err
		}
		return store.Record{}, nil
	}
	return r, err
}

// Log returns all log lines of a person.
func (s *Store) Log(ctx context.Context, person string) ([][]byte, error) {
	lines, err := s.Inner.Log(ctx, person)
	for i := range lines {
		if err == nil {
			lines[i], err = s.open(ctx, logPlace(person), lines[i])
		}
	}
	return lines, err
}

// Kept returns the kept episodes of a person.
func (s *Store) Kept(ctx context.Context, person string) ([]store.Kept, error) {
	kept, err := s.Inner.Kept(ctx, person)
	for i := range kept {
		if err == nil {
			kept[i].Bytes, err = s.open(ctx, keptPlace(person, kept[i].ID), kept[i].Bytes)
		}
	}
	return kept, err
}

// Get returns a named value. What was sealed with a key that was dropped is not there.
func (s *Store) Get(ctx context.Context, key string) (value []byte, etag uint64, ok bool, err error) {
	value, etag, ok, err = s.Inner.Get(ctx, key)
	if err != nil || !ok {
		return nil, 0, false, err
	}
	value, err = s.open(ctx, namedPlace(key), value)
	if errors.Is(err, seal.ErrDropped) {
		return nil, 0, false, nil // its person was erased, and it with them
	}
	return value, etag, err == nil, err
}

// List returns the named values whose keys begin with prefix.
func (s *Store) List(ctx context.Context, prefix string) ([]store.Named, error) {
	all, err := s.Inner.List(ctx, prefix)
	var found []store.Named
	for _, n := range all {
		if err != nil {
			return nil, err
		}
		if strings.HasPrefix(n.Key, ownPrefix) {
			continue
		}
		n.Bytes, err = s.open(ctx, namedPlace(n.Key), n.Bytes)
		if errors.Is(err, seal.ErrDropped) {
			err = nil // its person was erased, and it with them
			continue
		}
		found = append(found, n)
	}
	return found, err
}

// Close closes the store and its keys.
func (s *Store) Close() error { return errors.Join(s.Inner.Close(), s.keys.Close()) }

var _ Keys = (*keyfile.File)(nil)
