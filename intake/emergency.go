package intake

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"turnstone/care"
	"turnstone/store"
)

// turnTime is how long the turn of a typed emergency may take before the fixed
// card goes out without it. A store that is well needs milliseconds, a busy disk
// up to a second; a fail-over takes three to six, for which nobody may wait who
// can't breathe. It is a little less than a channel's own limit of two seconds,
// so that the card comes from here.
const turnTime = 1750 * time.Millisecond

// A waitingEvent is an emergency that the store does not have yet, as far as is
// known.
type waitingEvent struct {
	caller Caller
	event  care.Event
	carded bool // the fixed card went out, or is just going
	tried  bool // somebody is at it right now, or hangs in the store
}

// emergency takes a typed emergency. Whatever keeps the store from taking it
// in, the person gets the fixed card.
func (in *Intake) emergency(ctx context.Context, c Caller, ev care.Event, found care.Finding) error {
	err := inTime(ctx, func(ctx context.Context) error { return in.take(ctx, c, ev, found) })
	if err == nil || errors.Is(err, ErrSeen) {
		return err
	}
	return errors.Join(err, in.cardAnyway(ctx, c, ev))
}

// inTime does one turn and waits turnTime for it. One that takes longer is told
// to end by its context and not waited for: a store that hangs may not hear it.
// It may have happened all the same; the record knows the event by its ID.
func inTime(ctx context.Context, do func(context.Context) error) error {
	ctx, cancel := context.WithTimeout(ctx, turnTime)
	defer cancel()
	done := make(chan error, 1)
	go func() {
		defer func() {
			if p := recover(); p != nil {
				done <- fmt.Errorf("a turn panicked: %v", p)
			}
		}()
		done <- do(ctx)
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return fmt.Errorf("%w: the turn of an emergency did not end in time: %w", store.ErrDown, ctx.Err())
	}
}

// cardAnyway sends the fixed card when nothing else works, once an event, and
// remembers to raise the emergency as soon as the store is back.
func (in *Intake) cardAnyway(ctx context.Context, c Caller, ev care.Event) error {
	in.mu.Lock()
	i := slices.IndexFunc(in.waiting, func(w *waitingEvent) bool { return w.event.ID == ev.ID && w.caller.Person == c.Person })
	if i < 0 {
		i = len(in.waiting)
		in.waiting = append(in.waiting, &waitingEvent{caller: c, event: ev})
	}
	w := in.waiting[i]
	again := w.carded
	w.carded = true
	in.mu.Unlock()
	if again {
		return nil
	}
	err := in.Cards.CardNow(ctx, c, ev.ID)
	in.Log.ErrorContext(ctx, "the emergency card went out without the store", "event", string(ev.ID), "sent", err == nil)
	in.mu.Lock()
	defer in.mu.Unlock()
	w.carded = err == nil
	return err
}

// Retry raises what waits for the store; the wake-up loop calls it.
func (in *Intake) Retry(ctx context.Context) { in.retry(ctx, "") }

// retry raises the emergencies of one account that came while the store was
// down; without one, everybody's. One person's fault holds nobody else up.
func (in *Intake) retry(ctx context.Context, account care.PersonID) {
	for _, w := range in.idle(account) {
		err := inTime(ctx, func(ctx context.Context) error {
			kept := false
			defer func() { in.tried(w, kept) }()
			err := in.take(ctx, w.caller, w.event, in.Screen.Read(w.event.Text, w.caller.Locale))
			kept = err == nil || errors.Is(err, ErrSeen)
			return err
		})
		if err != nil && !errors.Is(err, ErrSeen) {
			in.Log.WarnContext(ctx, "an emergency waits for the store", "event", string(w.event.ID), "err", err)
		}
	}
}

// idle marks those that nobody is trying, and returns them.
func (in *Intake) idle(account care.PersonID) (all []*waitingEvent) {
	in.mu.Lock()
	defer in.mu.Unlock()
	for _, w := range in.waiting {
		if !w.tried && (account == "" || w.caller.Person == account) {
			w.tried = true
			all = append(all, w)
		}
	}
	return all
}

// tried notes how a try ended.
func (in *Intake) tried(w *waitingEvent, kept bool) {
	in.mu.Lock()
	defer in.mu.Unlock()
	w.tried = false
	if kept {
		in.waiting = slices.DeleteFunc(in.waiting, func(o *waitingEvent) bool { return o == w })
	}
}
