package outbox

import (
	"context"
	"errors"
	"math/rand/v2"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"turnstone/care"
	"turnstone/record"
	"turnstone/store"
)

// poll is how long the loop sleeps at most: a clock that was set, or another
// process, may have made something due without a word.
const poll = time.Second

// claimed is how many people are claimed at once.
const claimed = 50

// Run wakes what is due until ctx is done. One loop a process.
func (o *Outbox) Run(ctx context.Context) error {
	for {
		if _, err := o.Sweep(ctx); err != nil && ctx.Err() == nil {
			o.Log.ErrorContext(ctx, "not everything due was delivered", "err", err)
		}
		o.Waker.Retry(ctx)
		wait := o.sleep(ctx)
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			timer.Stop()
			return nil
		case <-o.Store.Wake():
			timer.Stop()
		case <-timer.C:
		}
	}
}

// sleep is the time until something is due, at most the poll time with a
// fifth of jitter.
func (o *Outbox) sleep(ctx context.Context) time.Duration {
	wait := poll*4/5 + time.Duration(rand.Int64N(int64(poll*2/5)))
	if next, ok := o.Next(ctx); ok {
		wait = min(wait, max(next.Sub(o.Now()), 10*time.Millisecond))
	}
	return wait
}

// Next is when the next item of anybody is due.
func (o *Outbox) Next(ctx context.Context) (time.Time, bool) {
	var next time.Time
	found := false
	for _, lane := range []store.Lane{store.Urgent, store.Routine} {
		at, ok, err := o.Store.NextDue(ctx, lane)
		if err != nil {
			if ctx.Err() == nil {
				o.Log.ErrorContext(ctx, "the store can't tell what is due next", "err", err)
			}
			continue
		}
		if ok && (!found || at.Before(next)) {
			next, found = at, true
		}
	}
	return next, found
}

// Sweep does everything that is due now for anybody, urgent first, and says
// how many people that were. What could not be done is in the error and is
// tried again after its lease.
func (o *Outbox) Sweep(ctx context.Context) (int, error) {
	total := 0
	var errs []error
	for ctx.Err() == nil {
		n, err := o.sweepLane(ctx, store.Urgent, claimed, record.UrgentLease)
		if n == 0 && err == nil {
			n, err = o.sweepLane(ctx, store.Routine, claimed, record.RoutineLease)
		}
		total += n
		if err != nil {
			errs = append(errs, err)
		}
		if n == 0 {
			break
		}
	}
	return total, errors.Join(errs...)
}

func (o *Outbox) sweepLane(ctx context.Context, lane store.Lane, n int, lease time.Duration) (int, error) {
	people, err := o.Store.Claim(ctx, o.Now(), lane, n, lease)
	if err != nil {
		return 0, err
	}
	began := time.Now()
	var mu sync.Mutex
	var errs []error
	fail := func(err error) {
		mu.Lock()
		defer mu.Unlock()
		errs = append(errs, err)
	}
	var side errgroup.Group // a slow channel and a slow disk would add up, person by person
	side.SetLimit(max(1, o.AtOnce))
	for _, p := range people {
		if lane == store.Routine { // what has become urgent meanwhile does not wait for the whole batch
			if _, err := o.sweepLane(ctx, store.Urgent, claimed, record.UrgentLease); err != nil {
				fail(err)
			}
		}
		if time.Since(began) > lease/3 {
			break // the rest is claimed again; after a third of a lease it might be sent twice
		}
		deliver := func() error {
			if err := o.lane(ctx, care.PersonID(p), lane); err != nil {
				fail(err)
			}
			return nil // one person's fault holds nobody else up
		}
		if o.AtOnce > 1 {
			side.Go(deliver)
		} else {
			_ = deliver() // it is in errs
		}
	}
	_ = side.Wait() // the same
	return len(people), errors.Join(errs...)
}
