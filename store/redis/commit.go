package redis

import (
	"context"
	"fmt"

	"turnstone/store"
)

// What commit.lua answers.
const (
	stale    = int64(0)
	done     = int64(1)
	repeated = int64(2)
	owing    = int64(3) // an earlier commit's named values must be brought in first
)

// Commit writes w, all of it or nothing, and returns when it is as durable as the server makes it.
func (s *Store) Commit(ctx context.Context, w store.Write) error {
	if err := w.Check(); err != nil {
		return fmt.Errorf("commit: %w", err)
	}
	part := partitionOf(w.Person)
	value := stored{etag: w.Next, erased: w.Bytes == nil, record: w.Bytes}
	for lane, at := range w.Due {
		value.due[lane] = moment(at)
	}
	var owes pending
	if len(w.Named) > 0 {
		owes = newPending(w.Named)
		value.named = owes.bytes()
	}
	keys, args := commitCall(part, w, value)
	for {
		reply, err := s.run(ctx, part.tag(), commitScript, keys, args...)
		if err != nil {
			return fmt.Errorf("commit: %w", err)
		}
		answer, earlier, was := commitAnswer(reply)
		if earlier {
			s.ring()
		}
		switch answer {
		case done:
			if len(w.Named) == 0 {
				return nil
			}
			if err := s.bring(ctx, w.Person, owes); err != nil {
				return fmt.Errorf("commit: %w", err)
			}
			return nil
		case repeated:
			return nil
		case owing:
			if err := s.bringOf(ctx, w.Person, was); err != nil {
				return fmt.Errorf("commit: %w", err)
			}
		case stale:
			return fmt.Errorf("commit: version %d was read and is there no more: %w", w.Read.Version(), store.ErrStale)
		default:
			return s.down(fmt.Errorf("the commit's script answered %v", reply))
		}
	}
}

func commitCall(part partition, w store.Write, value stored) (keys []string, args []any) {
	keys = []string{
		part.records() + w.Person, part.due(store.Urgent), part.due(store.Routine), part.logs() + w.Person,
		part.kept() + w.Person, part.keeping(), part.clock(),
	}
	var read []byte
	if w.Read != (store.Etag{}) {
		read = w.Read[:]
	}
	args = []any{
		read, value.bytes(), value.due[store.Urgent], value.due[store.Routine],
		leaseMillis(w.Lease[store.Urgent]), leaseMillis(w.Lease[store.Routine]), w.Person,
	}
	return keys, append(append(args, logArgs(w.Log)...), keptArgs(w.Person, w.Keep)...)
}

func logArgs(lines [][]byte) []any {
	args := []any{len(lines)}
	for _, line := range lines {
		args = append(args, nonNil(line))
	}
	return args
}

func keptArgs(person string, kept []store.Kept) (args []any) {
	for _, k := range kept {
		until := moment(k.Until)
		args = append(args, k.ID, append(number(until), k.Bytes...), until)
	}
	return args
}

func nonNil(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}

// commitAnswer takes apart what commit.lua answers.
func commitAnswer(reply any) (answer int64, earlier bool, was []byte) {
	list, ok := reply.([]any)
	if !ok || len(list) != 2 {
		return -1, false, nil
	}
	answer, _ = list[0].(int64)
	switch second := list[1].(type) {
	case int64:
		earlier = second == 1
	case string:
		was = []byte(second)
	}
	return answer, earlier, was
}
