package bolt

import (
	"bytes"
	"context"
	"iter"

	"turnstone/store"
)

// Load returns the record of a person; it is zero if there is none.
func (s *Store) Load(ctx context.Context, person string) (store.Record, error) {
	if err := store.CheckPerson(person); err != nil {
		return store.Record{}, err
	}
	var record store.Record
	err := s.view(ctx, func(t *tables) error {
		p, there, err := t.person(person)
		if there {
			record = store.Record{Etag: p.etag, Bytes: append([]byte{}, p.bytes...)}
		}
		return err
	})
	return record, err
}

// Log returns all log lines of a person in the order of their commits.
func (s *Store) Log(ctx context.Context, person string) ([][]byte, error) {
	if err := store.CheckPerson(person); err != nil {
		return nil, err
	}
	var lines [][]byte
	prefix := ownKind(person, logKind)
	err := s.view(ctx, func(t *tables) error {
		c := t.people.Cursor()
		for k, v := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, v = c.Next() {
			line, err := unseal(k, v, 0)
			if err != nil {
				return err
			}
			lines = append(lines, append([]byte{}, line...))
		}
		return nil
	})
	return lines, err
}

// pageSize is how many people one read transaction of People sees. A long one
// would keep every old page and make the file grow for good.
const pageSize = 500

// People goes through everybody who has a record, in no particular order, a page at a time and with no transaction open in between: who is
// there all the while comes once, who comes or goes meanwhile may or may not.
// After an error it ends.
func (s *Store) People(ctx context.Context) iter.Seq2[string, error] {
	return func(yield func(string, error) bool) {
		for after := ""; ; {
			page, err := s.page(ctx, after)
			if err != nil {
				yield("", err)
				return
			}
			for _, person := range page {
				if !yield(person, nil) {
					return
				}
			}
			if len(page) < pageSize {
				return
			}
			after = page[len(page)-1]
		}
	}
}

func (s *Store) page(ctx context.Context, after string) (page []string, err error) {
	err = s.view(ctx, func(t *tables) error {
		c := t.people.Cursor()
		k, _ := c.First()
		if after != "" {
			k, _ = c.Seek(ownKind(after, afterAll))
		}
		for k != nil && len(page) < pageSize {
			person, _, _, err := splitOwn(k)
			if err != nil {
				return err
			}
			page = append(page, person)
			k, _ = c.Seek(ownKind(person, afterAll))
		}
		return nil
	})
	return page, err
}
