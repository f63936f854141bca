package bolt

import (
	"context"
	"errors"
	"fmt"

	"go.etcd.io/bbolt"

	"turnstone/store"
)

// groupSize is how many changes share one transaction at most.
const groupSize = 256

// A change is what one caller wants written. It holds copies, since a caller
// whose context ends goes away with its bytes.
type change interface {
	// write makes the change within the group's transaction. The answer is
	// for its caller alone and must leave nothing half written; a fault
	// fails the whole group, which then has not happened.
	write(t *tables) (answer, fault error)
	// settle follows, when the group is durable, for what was written. It
	// runs under the lease lock and tells whether somebody became claimable earlier.
	settle(l *leases) (earlier bool)
	// mover is the person whose due times the change has moved, or "".
	mover() string
}

// A ticket is a change that waits for the committer.
type ticket struct {
	ctx    context.Context // the caller's, asked once more before the work begins
	change change
	answer error
	done   chan error // capacity 1: the caller may have left
}

// submit hands c to the committer and waits for the answer.
func (s *Store) submit(ctx context.Context, c change) error {
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("commit to the store in %s: %w: %w", s.dir, store.ErrDown, err)
	}
	t := &ticket{ctx: ctx, change: c, done: make(chan error, 1)}
	select {
	case s.queue <- t:
	case <-ctx.Done():
		return fmt.Errorf("commit to the store in %s, waiting in line: %w: %w", s.dir, store.ErrDown, ctx.Err())
	case <-s.stop:
		return s.closedErr()
	}
	select {
	case err := <-t.done:
		return err
	case <-ctx.Done():
		return fmt.Errorf("commit to the store in %s, it may yet happen: %w: %w", s.dir, store.ErrDown, ctx.Err())
	case <-s.stopped:
	}
	select { // it may have been in the very last group
	case err := <-t.done:
		return err
	default:
		return s.closedErr()
	}
}

func (s *Store) closedErr() error {
	return fmt.Errorf("commit to the store in %s: it is closed: %w", s.dir, store.ErrDown)
}

// commitGroups is the one goroutine that writes. It takes whatever waits,
// never waiting for more, commits it as one, and answers each.
func (s *Store) commitGroups() {
	defer close(s.stopped)
	group := make([]*ticket, 0, groupSize)
	for {
		select {
		case <-s.stop:
			return
		case t := <-s.queue:
			group = s.fill(append(group[:0], t))
		}
		err := s.commitGroup(group)
		for _, t := range group {
			t.done <- first(err, t.answer)
		}
		clear(group)
	}
}

func (s *Store) fill(group []*ticket) []*ticket {
	for len(group) < groupSize {
		select {
		case t := <-s.queue:
			group = append(group, t)
		default:
			return group
		}
	}
	return group
}

// commitGroup writes the group in one transaction. A change's own answer is in
// its ticket; the error is everybody's and means that nothing was written.
func (s *Store) commitGroup(group []*ticket) error {
	if s.broken != nil {
		return s.broken
	}
	var written []change
	txid := 0
	err := guard(func() error {
		return s.db.Update(func(tx *bbolt.Tx) error {
			txid = tx.ID()
			fault := error(nil)
			written, fault = writeAll(openTables(tx), group)
			// From here until the leases are settled, nobody is handed these
			// people: what a claim would see of them may be old already.
			s.leases.hold(written)
			return fault
		})
	})
	if err != nil {
		s.leases.letGo()
		return s.failed(err, txid)
	}
	if s.leases.settle(written) {
		s.ring()
	}
	return nil
}

func writeAll(t *tables, group []*ticket) (written []change, fault error) {
	for _, ticket := range group {
		if err := ticket.ctx.Err(); err != nil {
			ticket.answer = fmt.Errorf("commit given up before its turn: %w: %w", store.ErrDown, err)
			continue
		}
		ticket.answer, fault = ticket.change.write(t)
		if fault != nil {
			return written, fault
		}
		if ticket.answer == nil {
			written = append(written, ticket.change)
		}
	}
	return written, nil
}

// failed says what became of a group that could not be written.
func (s *Store) failed(err error, txid int) error {
	free, known := freeBytes(s.dir)
	if errors.Is(err, store.ErrDamaged) || s.moved(txid) {
		// Either bbolt gave up half-way, or the last sync failed after the
		// transaction was visible and was then taken back in memory: a next
		// commit could wait for ever, or write over pages in use.
		s.broken = fmt.Errorf("the store in %s commits no more (%w): look at the disk, then start the bot again; reading goes on: %w", s.dir, err, store.ErrDown)
		return s.broken
	}
	if isFull(err) || known && free < 1<<20 {
		return fmt.Errorf("commit to the store in %s: the disk is full: delete the file %s in that folder, kept for this moment, or anything else; then it goes on by itself: %w: %w",
			s.dir, ballastFile, store.ErrDown, err)
	}
	return fmt.Errorf("commit to the store in %s: %w: %w", s.dir, store.ErrDown, err)
}

// moved tells whether the failed transaction may be visible all the same, or
// whether that cannot be told.
func (s *Store) moved(txid int) bool {
	last := 0
	err := guard(func() error {
		return s.db.View(func(tx *bbolt.Tx) error {
			last = tx.ID()
			return nil
		})
	})
	return err != nil || last >= txid
}
