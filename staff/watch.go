package staff

import (
	"context"
	"encoding/json"
	"sync/atomic"
	"time"

	"turnstone/store"
)

const (
	watchKey   = "watch"
	watchEvery = 30 * time.Second // how often it is written down, and read of other processes
)

// A Watch knows when a member last did something. Nobody waits for it: what
// is asked on every turn is in memory.
type Watch struct {
	Store Store
	Now   func() time.Time
	Fault func(error) // told of what could not be written down or read

	last  atomic.Int64 // milliseconds since 1970; 0 is never
	noted atomic.Int64
}

type press struct {
	At time.Time `json:"at"`
}

// Press notes that a member does something now.
func (w *Watch) Press(ctx context.Context) {
	now := w.Now()
	w.last.Store(now.UnixMilli())
	if was := w.noted.Load(); now.UnixMilli()-was < watchEvery.Milliseconds() || !w.noted.CompareAndSwap(was, now.UnixMilli()) {
		return
	}
	data, err := json.Marshal(press{now.UTC()})
	if err == nil {
		err = w.Store.Put(ctx, watchKey, data, store.AnyEtag, time.Time{})
	}
	if err != nil {
		w.Fault(err)
	}
}

// Pressed is when a member last did something; zero if nobody knows of any.
func (w *Watch) Pressed() time.Time {
	ms := w.last.Load()
	if ms == 0 {
		return time.Time{}
	}
	return time.UnixMilli(ms)
}

// Read takes what was written down, by this process before or by another one.
func (w *Watch) Read(ctx context.Context) error {
	data, _, ok, err := w.Store.Get(ctx, watchKey)
	if err != nil || !ok {
		return err
	}
	var p press
	if err := decode(data, &p); err != nil {
		return err
	}
	for was := w.last.Load(); was < p.At.UnixMilli(); was = w.last.Load() {
		if w.last.CompareAndSwap(was, p.At.UnixMilli()) {
			break
		}
	}
	return nil
}

// Run reads what others have written down until ctx is done.
func (w *Watch) Run(ctx context.Context) error {
	tick := time.NewTicker(watchEvery)
	defer tick.Stop()
	for {
		if err := w.Read(ctx); err != nil && ctx.Err() == nil {
			w.Fault(err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}
