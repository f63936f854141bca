// Package retention removes what has been kept long enough, by itself: closed
// talks after their time, kept episodes and named values on their day, and what
// an erasure has left halfway. It never removes what somebody still waits for:
// an open emergency, or a staff item that is not closed.
package retention

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"slices"
	"time"

	"turnstone/care"
	"turnstone/record"
	"turnstone/store"
)

// A Store is what retention needs from a store.
type Store interface {
	People(ctx context.Context) iter.Seq2[string, error]
	Load(ctx context.Context, person string) (store.Record, error)
	Log(ctx context.Context, person string) ([][]byte, error)
	Commit(ctx context.Context, w store.Write) error
	Retire(ctx context.Context, now time.Time) (int, error)
	Settle(ctx context.Context, now time.Time) error
}

// A Keeper removes what is past its time. Its fields are set once.
type Keeper struct {
	Store Store
	Now   func() time.Time
	Log   *slog.Logger
}

// every is how often Run looks. A look reads each record once.
const every = 12 * time.Hour

// Run looks at once, and then every half day, until ctx is done.
func (k *Keeper) Run(ctx context.Context) error {
	for {
		if err := k.Sweep(ctx); err != nil && ctx.Err() == nil {
			k.Log.ErrorContext(ctx, "not everything that is past its time was removed; it is tried again", "err", err)
		}
		timer := time.NewTimer(every)
		select {
		case <-ctx.Done():
			timer.Stop()
			return nil
		case <-timer.C:
		}
	}
}

// Sweep removes everything that is past its time now. One person's fault
// holds nobody else up.
func (k *Keeper) Sweep(ctx context.Context) error {
	now := k.Now()
	retired, err := k.Store.Retire(ctx, now)
	errs := []error{err, k.Store.Settle(ctx, now)}
	erased, waiting := 0, 0
	for person, err := range k.Store.People(ctx) {
		if err != nil {
			errs = append(errs, err)
			break
		}
		switch fate, err := k.person(ctx, person, now); {
		case err != nil:
			errs = append(errs, fmt.Errorf("%s: %w", person, err))
		case fate == gone:
			erased++
		case fate == waits:
			waiting++
		}
	}
	if retired+erased+waiting > 0 {
		k.Log.InfoContext(ctx, "retention", "erased", erased, "retired", retired, "past their time, held by an open staff item", waiting)
	}
	return errors.Join(errs...)
}

type fate int

const (
	stays fate = iota
	gone
	waits
)

func (k *Keeper) person(ctx context.Context, person string, now time.Time) (fate, error) {
	was, err := k.Store.Load(ctx, person)
	if err != nil || was.Bytes == nil {
		return stays, err
	}
	r, err := record.Decode(was.Bytes)
	if err != nil {
		return stays, err
	}
	kept := func(t time.Time) bool { return t.Add(record.KeepFor(&r.Episode)).After(now) }
	if len(r.Episode.Agenda) > 0 || kept(r.Episode.LastHeard) {
		return stays, nil
	}
	last, err := k.lastLine(ctx, person)
	switch {
	case err != nil || kept(last):
		return stays, err
	case r.Episode.Open || slices.ContainsFunc(r.Episode.Escalations, pending):
		return waits, nil
	}
	w := store.Write{Person: person, Read: was.Etag, Next: was.Etag.Next(record.Nonce()), Now: now}
	w.Named = append(w.Named, store.NamedWrite{Key: record.AccountKey(r.Account)})
	for _, e := range r.Episode.Escalations {
		w.Named = append(w.Named, store.NamedWrite{Key: record.CardKey(e.ID)})
	}
	if err := k.Store.Commit(ctx, w); errors.Is(err, store.ErrStale) {
		return stays, nil // they have come back
	} else if err != nil {
		return stays, err
	}
	return gone, nil
}

func pending(e care.Escalation) bool { return !e.Held && e.State != care.StateClosed }

// lastLine is when anything last happened: the talk may have closed long after
// the person's last word.
func (k *Keeper) lastLine(ctx context.Context, person string) (time.Time, error) {
	lines, err := k.Store.Log(ctx, person)
	if err != nil || len(lines) == 0 {
		return time.Time{}, err
	}
	var l care.Line
	if err := json.Unmarshal(lines[len(lines)-1], &l); err != nil {
		return time.Time{}, fmt.Errorf("%w: log line: %w", store.ErrDamaged, err)
	}
	return l.At, nil
}
