package house

import (
	"bytes"
	"context"
	"time"

	"turnstone/store"
)

// Whole returns everything stored of a person.
func (m *Memory) Whole(ctx context.Context, person string) (store.Whole, error) {
	w := store.Whole{Person: person}
	kept, err := m.Kept(ctx, person)
	if err != nil {
		return w, err
	}
	leave, err := m.enter(ctx)
	if err != nil {
		return w, err
	}
	defer leave()
	p := m.people[person]
	if p == nil {
		return w, nil
	}
	w.Record, w.Kept = store.Record{Etag: p.record.Etag, Bytes: bytes.Clone(p.record.Bytes)}, kept
	for lane, at := range p.due {
		if at >= 0 {
			w.Due[lane] = time.UnixMilli(at).UTC()
		}
	}
	for _, line := range p.log {
		w.Log = append(w.Log, bytes.Clone(line))
	}
	return w, nil
}

// Restore puts a person in place of whatever is there.
func (m *Memory) Restore(ctx context.Context, w store.Whole) error {
	if err := w.Check(); err != nil {
		return err
	}
	leave, err := m.enter(ctx)
	if err != nil {
		return err
	}
	defer leave()
	p := &stored{}
	m.people[w.Person] = p
	m.write(store.Write{Person: w.Person, Next: w.Record.Etag, Bytes: w.Record.Bytes, Due: w.Due, Log: w.Log, Keep: w.Kept}, p)
	m.ring()
	return nil
}
