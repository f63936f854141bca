package redis

import (
	"context"
	"fmt"
	"time"

	"turnstone/store"
)

// Named values lie in another slot than people, and a script cannot write in
// two. So a commit that has some writes them into the person's record, brings
// them in, and notes that. Whoever finds them still in the record does the
// rest before answering: nobody can see the one without the other.

// relied is how long a look at a record may be old when its named values are
// brought in, by the servers' clocks. The mark of a commit that is done lives
// for a day; somebody who was frozen for longer must look again.
const relied = 12 * time.Hour

// bring brings in the named values of person's commit and notes it.
func (s *Store) bring(ctx context.Context, person string, p pending) error {
	mark := markKey + string(p.mark)
	args := []any{moment(s.serverNow().Add(relied)), valueKey}
	for _, v := range p.named {
		bytes := []byte("-")
		if v.bytes != nil {
			bytes = append([]byte("+"), v.bytes...)
		}
		args = append(args, v.key, v.etag, v.expires, bytes)
	}
	answer, err := s.run(ctx, namedTag, bringScript, []string{mark, indexKey, expiryKey}, args...)
	if err != nil {
		return fmt.Errorf("bring in named values: %w", err)
	}
	if answer == int64(0) {
		return s.down(fmt.Errorf("named values were looked at more than %v ago; try again", relied))
	}
	part := partitionOf(person)
	if _, err := s.run(ctx, part.tag(), broughtScript, []string{part.records() + person}, p.mark); err != nil {
		return fmt.Errorf("note that named values are brought in: %w", err)
	}
	return nil
}

// bringOf does the same for what was found under the key of a record.
func (s *Store) bringOf(ctx context.Context, person string, value []byte) error {
	was, err := readStored(person, value)
	if err != nil {
		return err
	}
	p, err := readPending(was.named)
	if err != nil {
		return fmt.Errorf("record of %q: %w", person, err)
	}
	return s.bring(ctx, person, p)
}

// settle brings in what a person's record still owes, if it does.
func (s *Store) settle(ctx context.Context, person string, head string) error {
	if len(head) < storedHead || head[33:storedHead] == "\x00\x00\x00\x00" {
		return nil
	}
	_, err := s.load(ctx, person)
	return err
}

// load reads a record, and brings in what it owes.
func (s *Store) load(ctx context.Context, person string) (store.Record, error) {
	part := partitionOf(person)
	value, there, err := s.get(ctx, part.tag(), part.records()+person)
	if err != nil || !there {
		return store.Record{}, err
	}
	found, err := readStored(person, value)
	if err != nil {
		return store.Record{}, err
	}
	if len(found.named) > 0 {
		if err := s.bringOf(ctx, person, value); err != nil {
			return store.Record{}, err
		}
	}
	if found.erased {
		return store.Record{}, nil
	}
	return store.Record{Etag: found.etag, Bytes: found.record}, nil
}
