// Package bolt keeps the promise of package store in one file of one folder,
// for one process: the embedded store. Nothing has to be set up or looked
// after; a clinic copies the folder to keep it.
//
// Beyond the promise of package store:
//
//   - One process holds the folder. A second one is refused within two seconds
//     and told who holds it. So leases live in memory: they end with the process.
//   - Commits that wait at the same time share one transaction and one sync.
//   - A full disk fails the commits and nothing else: reading goes on, and
//     committing goes on by itself once there is room. The folder keeps a file
//     named ballast for that moment, which may be deleted by hand.
//   - A file of a newer version, a cut or a damaged one is refused in one
//     sentence and left as it is. Everything stored carries a checksum, and
//     what does not match it is store.ErrDamaged, never an answer. A damaged
//     key or page may still hide what it leads to: Check finds that.
//   - The context is looked at before a read; a read then takes as long as the
//     disk takes. A commit returns when its context ends, whatever the disk does.
//
// What it does not promise: on network file systems it does not start where it
// can tell; a disk that says "written" and is not voids durability. What is
// erased is gone from every answer at once, but its bytes stay in free pages of
// the file until those are used again.
package bolt

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"sync"
	"time"

	"go.etcd.io/bbolt"

	"turnstone/store"
)

// Options may be left zero.
type Options struct {
	// Clock tells when a value has expired and a lease is over. It must be
	// the clock whose times are handed to Commit, Claim and Retire; nil is
	// time.Now. Get, List and Kept ask it rather than take the moment, since
	// their callers (a sign-in, a page) have no business choosing one, and a
	// store on a server would have to ignore it.
	Clock func() time.Time
	// Log gets what the operator should know but need not act on at once; nil drops it.
	Log *slog.Logger
	// Ballast is the size in bytes of the file kept for a full disk; 0 is 16 MB, below 0 keeps none.
	Ballast int64
}

// A Store is an open folder. Close it.
type Store struct {
	dir    string
	clock  func() time.Time
	db     *bbolt.DB
	lock   *lock
	leases leases
	wake   chan struct{}

	queue   chan *ticket
	stop    chan struct{} // closed by Close: nothing new is taken
	stopped chan struct{} // closed when the last group is done
	broken  error         // the committer's own: after this fault nothing is committed

	closing sync.Once
	closed  error
}

// Open opens the folder dir, and makes it if it is not there (mode 0700). Its
// errors are whole sentences for the operator and wrap store.ErrHeld,
// store.ErrNewer, store.ErrDamaged or the system's own; then nothing of what
// is stored has changed.
func Open(dir string, opts Options) (*Store, error) {
	opts = opts.filled()
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, fmt.Errorf("find the store's folder: %w", err)
	}
	if err := makeFolder(dir, opts.Log); err != nil {
		return nil, err
	}
	held, err := takeLock(dir, opts.Clock())
	if err != nil {
		return nil, err
	}
	db, err := openFile(dir, opts.Log)
	if err != nil {
		return nil, errors.Join(err, held.release())
	}
	if err := keepBallast(dir, opts.Ballast); err != nil {
		opts.Log.Warn("the store keeps no ballast for a full disk", "folder", dir, "err", err)
	}
	s := &Store{
		dir: dir, clock: opts.Clock, db: db, lock: held, leases: newLeases(),
		wake: make(chan struct{}, 1), queue: make(chan *ticket, groupSize),
		stop: make(chan struct{}), stopped: make(chan struct{}),
	}
	// A goroutine of its own, and not the caller's: a commit must return
	// when its context ends, even while the disk hangs. Close ends it.
	go s.commitGroups()
	return s, nil
}

func (o Options) filled() Options {
	if o.Clock == nil {
		o.Clock = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Ballast == 0 {
		o.Ballast = 16 << 20
	}
	return o
}

// Close waits for the commits in hand, answers what still waits with
// store.ErrDown and gives the folder free. A second Close does nothing.
func (s *Store) Close() error {
	s.closing.Do(func() {
		close(s.stop)
		<-s.stopped
		s.closed = errors.Join(s.db.Close(), s.lock.release())
	})
	return s.closed
}

// Wake is rung (capacity 1) when somebody has become claimable earlier than
// NextDue could have said before.
func (s *Store) Wake() <-chan struct{} { return s.wake }

func (s *Store) ring() {
	select {
	case s.wake <- struct{}{}:
	default: // it is ringing already
	}
}

// view runs read in one short read transaction. Nothing it is given may be
// kept: the bytes are gone with the transaction. Never nested in another one,
// and never in the committer's: a remap of the file would wait for it for ever.
func (s *Store) view(ctx context.Context, read func(*tables) error) error {
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("store in %s: %w: %w", s.dir, store.ErrDown, err)
	}
	err := guard(func() error {
		return s.db.View(func(tx *bbolt.Tx) error { return read(openTables(tx)) })
	})
	if errors.Is(err, store.ErrDamaged) {
		return fmt.Errorf("store in %s: %w; keep a copy of the folder, look at the disk and put back the last backup", s.dir, err)
	}
	if err != nil {
		return fmt.Errorf("store in %s: %w: %w", s.dir, store.ErrDown, err)
	}
	return nil
}
