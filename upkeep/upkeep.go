// Package upkeep does what concerns everybody at once: it tells those who wait
// for something that the program ends for good, and, after an outage, those
// who were in the middle of a talk that it is back.
package upkeep

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"time"

	"turnstone/care"
	"turnstone/record"
	"turnstone/store"
)

// A Store is what upkeep needs of one.
type Store interface {
	Load(ctx context.Context, person string) (store.Record, error)
	People(ctx context.Context) iter.Seq2[string, error]
	Get(ctx context.Context, key string) (value []byte, etag uint64, ok bool, err error)
	Put(ctx context.Context, key string, value []byte, etag uint64, expires time.Time) error
}

// An Intake takes what concerns everybody to one person.
type Intake interface {
	Everybody(ctx context.Context, person care.PersonID, kind care.EventKind, id care.EventID) error
}

// A Keeper does the upkeep. Its fields are set once.
type Keeper struct {
	Store  Store
	Intake Intake
	Now    func() time.Time
	Log    *slog.Logger
}

// How the program knows that it was away (common practice, no source): it
// notes the time twice a minute, and a gap of more than two minutes at the
// start is an outage. Somebody was in the middle of a talk who wrote within
// the hour before it.
const (
	AliveKey = "upkeep/alive"
	beat     = 30 * time.Second
	Short    = 2 * time.Minute
	midTalk  = time.Hour
)

// alive is when the program last said that it runs.
type alive struct {
	At time.Time `json:"at"`
}

// An Outage is a time in which nobody was answered.
type Outage struct {
	From, To time.Time
	MidTalk  int // people who were in the middle of a talk
}

// Run notes the time until ctx is done.
func (k *Keeper) Run(ctx context.Context) {
	tick := time.NewTicker(beat)
	defer tick.Stop()
	for {
		if err := k.note(ctx); err != nil && ctx.Err() == nil {
			k.Log.ErrorContext(ctx, "the time can't be noted; the length of an outage will be told wrongly", "err", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

func (k *Keeper) note(ctx context.Context) error {
	data, err := json.Marshal(alive{k.Now().UTC()})
	if err != nil {
		return err
	}
	return k.Store.Put(ctx, AliveKey, data, store.AnyEtag, time.Time{})
}

// Back looks how long the program was away, before anything else is answered.
// After an outage it tells everybody who was in the middle of a talk, once,
// and says what to tell staff. The zero Outage means there was none.
func (k *Keeper) Back(ctx context.Context) (Outage, error) {
	data, _, known, err := k.Store.Get(ctx, AliveKey)
	if err != nil || !known {
		return Outage{}, err
	}
	var last alive
	if err := json.Unmarshal(data, &last); err != nil {
		return Outage{}, fmt.Errorf("%w: named value %s: %w", store.ErrDamaged, AliveKey, err)
	}
	o := Outage{From: last.At, To: k.Now()}
	if o.To.Sub(o.From) <= Short {
		return Outage{}, nil
	}
	id := care.EventID("away/" + o.From.Format(time.RFC3339Nano))
	err = k.everybody(ctx, care.WasAway, id, func(ep *care.Episode) bool {
		mid := ep.Ask != nil && !ep.Closed && ep.LastHeard.After(o.From.Add(-midTalk))
		if mid {
			o.MidTalk++
		}
		return mid
	})
	return o, errors.Join(err, k.note(ctx))
}

// Retire tells everybody who waits for something that the program ends, and
// takes what is planned back. It says how many open talks there were.
func (k *Keeper) Retire(ctx context.Context) (int, error) {
	open := 0
	err := k.everybody(ctx, care.Retired, "retired", func(ep *care.Episode) bool {
		if !ep.Closed {
			open++
		}
		return !ep.Closed
	})
	return open, err
}

// everybody takes an event to each person whose episode is meant. One
// person's fault holds nobody else up.
func (k *Keeper) everybody(ctx context.Context, kind care.EventKind, id care.EventID, meant func(*care.Episode) bool) error {
	var errs []error
	for person, err := range k.Store.People(ctx) {
		if err != nil {
			return errors.Join(append(errs, err)...)
		}
		was, err := k.Store.Load(ctx, person)
		if err == nil && was.Bytes != nil {
			var r record.Record
			if r, err = record.Decode(was.Bytes); err == nil && meant(&r.Episode) {
				err = k.Intake.Everybody(ctx, care.PersonID(person), kind, id)
			}
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("person %s: %w", person, err))
		}
	}
	return errors.Join(errs...)
}
