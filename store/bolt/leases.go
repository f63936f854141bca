package bolt

import (
	"context"
	"encoding/binary"
	"fmt"
	"sync"
	"time"

	"turnstone/store"
)

// leases say who has been handed out and until when. One process holds the
// folder, so memory is the place: with the process its leases end.
//
// The lock is held over each look at the due index, so that a claim sees
// index and leases of one moment. Between a group's writing and its settling
// the two differ, and the people of the group are passed over.
type leases struct {
	mu         sync.Mutex
	held       [2]map[string]lease
	committing map[string]bool // the people of the group in hand
	passedOver bool            // somebody of them was passed over, and the waker must be told
}

type lease struct {
	from   time.Time
	length time.Duration
}

func newLeases() leases {
	return leases{held: [2]map[string]lease{{}, {}}, committing: map[string]bool{}}
}

// left returns how much of a lease is left; 0 or less means it is over. Clock
// and calendar both count, and whichever says "over" wins: a sleeping machine
// stops the one, and setting the clock moves the other.
func (l *leases) left(lane store.Lane, person string, now time.Time) time.Duration {
	x, ok := l.held[lane][person]
	if !ok {
		return 0
	}
	if now.Before(x.from) { // the clock was set back: count anew, or the lease would last for as much longer
		x.from = now
		l.held[lane][person] = x
	}
	return x.length - max(now.Sub(x.from), now.Round(0).Sub(x.from.Round(0)))
}

// claimable returns from when on the person, due at due, can be claimed.
func (l *leases) claimable(lane store.Lane, person string, due uint64, now time.Time) uint64 {
	if left := l.left(lane, person, now); due != never && left > 0 {
		return max(due, uint64(store.Millis(now.Add(left))))
	}
	return due
}

func (l *leases) hold(written []change) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, c := range written {
		if person := c.mover(); person != "" {
			l.committing[person] = true
		}
	}
}

func (l *leases) letGo() {
	l.mu.Lock()
	defer l.mu.Unlock()
	clear(l.committing)
}

// settle brings the leases to what the group has written. It tells whether to wake.
func (l *leases) settle(written []change) (wake bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	wake, l.passedOver = l.passedOver, false
	for _, c := range written {
		wake = c.settle(l) || wake
	}
	clear(l.committing)
	return wake
}

// Claim hands out up to n people whose due time in lane has come, oldest
// first, and leases each of them in that lane.
func (s *Store) Claim(ctx context.Context, now time.Time, lane store.Lane, n int, length time.Duration) ([]string, error) {
	if lane > store.Routine || n < 0 || length <= 0 || now.IsZero() {
		return nil, fmt.Errorf("claim %d in lane %v for %v at %v: %w", n, lane, length, now, store.ErrInvalid)
	}
	s.leases.mu.Lock()
	defer s.leases.mu.Unlock()
	var people []string
	err := s.view(ctx, func(t *tables) error {
		c := t.due[lane].Cursor()
		for k, _ := c.First(); k != nil && len(people) < n; k, _ = c.Next() {
			due, person, err := splitDue(k)
			if err != nil || due > passed(now) {
				return err
			}
			if s.leases.free(person) && s.leases.left(lane, person, now) <= 0 {
				people = append(people, person)
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	for _, person := range people {
		s.leases.held[lane][person] = lease{now, length}
	}
	return people, nil
}

// free tells that no commit of the person is on its way, and remembers if one is.
func (l *leases) free(person string) bool {
	if l.committing[person] {
		l.passedOver = true
		return false
	}
	return true
}

// Release ends the lease of a person in a lane. Only whoever holds it may do
// that, and not after its end: by then it may be somebody else's.
func (s *Store) Release(person string, lane store.Lane) {
	if lane > store.Routine {
		return
	}
	s.leases.mu.Lock()
	_, held := s.leases.held[lane][person]
	delete(s.leases.held[lane], person)
	s.leases.mu.Unlock()
	if held {
		s.ring()
	}
}

// NextDue returns when the next person of a lane can be claimed, which may be
// in the past; ok is false if nobody has anything due there.
func (s *Store) NextDue(ctx context.Context, lane store.Lane) (at time.Time, ok bool, err error) {
	if lane > store.Routine {
		return time.Time{}, false, fmt.Errorf("next due of lane %v: %w", lane, store.ErrInvalid)
	}
	s.leases.mu.Lock()
	defer s.leases.mu.Unlock()
	next, now := never, s.clock()
	err = s.view(ctx, func(t *tables) error {
		c := t.due[lane].Cursor()
		for k, _ := c.First(); k != nil; k, _ = c.Next() {
			due, person, err := splitDue(k)
			if err != nil || due >= next {
				return err
			}
			if s.leases.free(person) {
				next = min(next, s.leases.claimable(lane, person, due, now))
			}
		}
		return nil
	})
	if err != nil || next == never {
		return time.Time{}, false, err
	}
	return timeOf(next), true, nil
}

func splitDue(key []byte) (due uint64, person string, err error) {
	if len(key) <= 8 {
		return 0, "", fmt.Errorf("%w: a due entry of %d bytes", store.ErrDamaged, len(key))
	}
	return binary.BigEndian.Uint64(key), string(key[8:]), nil
}
