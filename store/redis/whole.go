package redis

import (
	"context"
	"fmt"

	"github.com/redis/go-redis/v9"

	"turnstone/store"
)

// Whole returns everything stored of a person.
func (s *Store) Whole(ctx context.Context, person string) (store.Whole, error) {
	whole := store.Whole{Person: person}
	if err := store.CheckPerson(person); err != nil {
		return whole, err
	}
	part := partitionOf(person)
	for {
		var value, head *redis.StringCmd
		var log *redis.StringSliceCmd
		var kept *redis.MapStringStringCmd
		var clock *redis.TimeCmd
		err := s.do(ctx, &call{tag: part.tag(), queue: func(p redis.Pipeliner) {
			value = p.Get(ctx, part.records()+person)
			log = p.LRange(ctx, part.logs()+person, 0, -1)
			kept = p.HGetAll(ctx, part.kept()+person)
			clock = p.Time(ctx)
			head = p.GetRange(ctx, part.records()+person, 0, storedHead-1)
		}})
		if err == nil {
			err = s.settle(ctx, person, head.Val())
		}
		if err != nil {
			return whole, fmt.Errorf("all of a person: %w", err)
		}
		raw := value.Val()
		if len(raw) < storedHead || raw[:storedHead] != head.Val() {
			if raw == "" && head.Val() == "" {
				return whole, nil
			}
			continue // somebody committed in between
		}
		found, err := readStored(person, []byte(raw))
		if err != nil || found.erased {
			return whole, err
		}
		whole.Record = store.Record{Etag: found.etag, Bytes: found.record}
		for lane, at := range found.due {
			whole.Due[lane] = timeOf(at)
		}
		for _, line := range log.Val() {
			whole.Log = append(whole.Log, []byte(line))
		}
		whole.Kept, err = readKept(kept.Val(), clock.Val())
		return whole, err
	}
}

// Restore puts a person in place of whatever is there.
func (s *Store) Restore(ctx context.Context, w store.Whole) error {
	if err := w.Check(); err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	part := partitionOf(w.Person)
	value := stored{etag: w.Record.Etag, due: [2]int64{moment(w.Due[0]), moment(w.Due[1])}, record: w.Record.Bytes}
	keys := []string{
		part.records() + w.Person, part.due(store.Urgent), part.due(store.Routine), part.logs() + w.Person,
		part.kept() + w.Person, part.keeping(),
	}
	args := append([]any{value.bytes(), value.due[store.Urgent], value.due[store.Routine], w.Person}, logArgs(w.Log)...)
	if _, err := s.run(ctx, part.tag(), restoreScript, keys, append(args, keptArgs(w.Person, w.Kept)...)...); err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	s.ring()
	return nil
}
