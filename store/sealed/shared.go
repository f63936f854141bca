package sealed

import (
	"context"
	"fmt"
	"strings"
	"time"

	"turnstone/store"
)

// gonePrefix holds the entries of a Shared list, with the moment as text.
const gonePrefix = ownPrefix + "gone/"

// A Shared list is the erasure list of several processes on one store: each
// has a file of its own, outside of the store, and the store hands on what the
// others added. When an older copy of the store is put back, the files are
// newer, and fill it up again.
type Shared struct {
	file  List
	inner Inner
}

// Share makes a list of a file and a store.
func Share(file List, inner Inner) *Shared { return &Shared{file, inner} }

// Add puts an entry into the file and into the store.
func (l *Shared) Add(ctx context.Context, entry string, at time.Time) error {
	if err := l.file.Add(ctx, entry, at); err != nil {
		return err
	}
	return l.inner.Put(ctx, gonePrefix+entry, []byte(at.UTC().Format(time.RFC3339)), store.AnyEtag, time.Time{})
}

// Meet makes the file and the store hold the same entries.
func (l *Shared) Meet(ctx context.Context, at time.Time) error {
	there, err := l.inner.List(ctx, gonePrefix)
	if err != nil {
		return fmt.Errorf("read the erasure list in the store: %w", err)
	}
	known := map[string]bool{}
	for _, n := range there {
		entry := strings.TrimPrefix(n.Key, gonePrefix)
		known[entry] = true
		if err := l.file.Add(ctx, entry, at); err != nil {
			return err
		}
	}
	for _, entry := range l.file.All() {
		if known[entry] {
			continue
		}
		if err := l.Add(ctx, entry, at); err != nil {
			return err
		}
	}
	return nil
}

// All are the entries of the file, which has those of the store since Meet.
func (l *Shared) All() []string { return l.file.All() }
