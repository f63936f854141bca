// Package redis keeps the promise of package store on a Redis server, alone,
// guarded by Sentinels or as a Cluster: the store for more than one process.
// Redis is all that the processes share, and its clock is the only one asked.
//
// Beyond the promise of package store:
//
//   - Any number of processes may have it open. Leases lie in the index of
//     what is due and survive the process that took them.
//   - All keys of a person carry one of 256 tags, {p0} to {p255}, so that one
//     script on one server is one commit, also in a Cluster. Named values
//     carry the tag {named}: a commit that has some writes them into the
//     record first, and whoever reads the person before they are brought in
//     brings them in, so that nobody sees half.
//   - A call that gets no answer is sent again, the same bytes, until the
//     context or Options.Patience ends. Each write can tell its own repeat.
//   - Where a commit must have reached replicas (Address.Wait), it is not
//     answered before it has.
//
// What it does not promise: more than the server does. Open asks what that is
// and says so in one line (Store.Promise); README.md has the table. Redis 7.0
// or later; earlier ones are refused.
package redis

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"github.com/redis/go-redis/v9"

	"turnstone/store"
)

// Options may be left zero.
type Options struct {
	// Log gets what the operator should know but need not act on at once; nil drops it.
	Log *slog.Logger
	// Patience is how long a call is tried again if its context does not end
	// before; 0 is 5 seconds, the time of a fail-over.
	Patience time.Duration
	// Clock is the clock of this process, which is compared with the server's; nil is time.Now.
	Clock func() time.Time
}

// A Store is an open connection to a server or several. Close it.
type Store struct {
	client  redis.UniversalClient
	address Address
	log     *slog.Logger
	clock   func() time.Time
	patient time.Duration
	promise string
	wake    chan struct{}
	offsets offsets

	closed  atomic.Bool
	closing sync.Once
	fault   error
}

// Open connects and looks whether the server can keep the promise. Its errors
// are whole sentences for the operator; then nothing of what is stored has
// changed.
func Open(ctx context.Context, a Address, opts Options) (*Store, error) {
	if opts.Patience == 0 {
		opts.Patience = 5 * time.Second
	}
	if opts.Clock == nil {
		opts.Clock = time.Now
	}
	client, err := connect(a)
	if err != nil {
		return nil, err
	}
	s := &Store{
		client: client, address: a, log: opts.logger(), clock: opts.Clock, patient: opts.Patience, wake: make(chan struct{}, 1),
	}
	if err := s.examine(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("store on %s: %w", a, err), s.Close())
	}
	return s, nil
}

func (o Options) logger() *slog.Logger {
	if o.Log == nil {
		return slog.New(slog.DiscardHandler)
	}
	return o.Log
}

// Promise says in one line what an acknowledged commit survives here.
func (s *Store) Promise() string { return s.promise }

// Close ends the connections. Calls in hand are answered with store.ErrDown. A second Close does nothing.
func (s *Store) Close() error {
	s.closing.Do(func() {
		s.closed.Store(true)
		s.fault = s.client.Close()
	})
	return s.fault
}

// Wake is rung (capacity 1) when a call of this process has made somebody
// claimable earlier. What other processes do is found by looking.
func (s *Store) Wake() <-chan struct{} { return s.wake }

func (s *Store) ring() {
	select {
	case s.wake <- struct{}{}:
	default: // it is ringing already
	}
}

// down wraps a fault as store.ErrDown, with the place.
func (s *Store) down(err error) error {
	return fmt.Errorf("store on %s: %w: %w", s.address, store.ErrDown, err)
}

var errClosed = errors.New("it was closed")
