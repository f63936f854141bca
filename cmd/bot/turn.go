package main

import (
	"context"
	"crypto/rand"
	"errors"
	"log/slog"
	"time"

	"turnstone/outbox"
	"turnstone/store/hold"
)

// Of several processes on one server one works and the others stand by: the
// platform counts its pace for the token and not for the process, so that a
// second one would send nothing sooner. A working process that dies is
// followed within turnLength and a look.
const (
	turnKey    = "turn/discord"
	turnLength = 4500 * time.Millisecond
	turnLook   = 500 * time.Millisecond
)

// errTurnLost ends a process that worked past its turn: it was frozen or cut
// off, another works meanwhile, and what it still has in hand is dropped.
var errTurnLost = errors.New("another process works now: this one was frozen or cut off from the store; start it again and it stands by")

// A turn is this process's claim to work.
type turn struct {
	hold hold.Hold
	last func(context.Context) // hands in what is only in memory, before a process ends that lost its turn
	log  *slog.Logger
}

func newTurn(s hold.Store, last func(context.Context), log *slog.Logger) *turn {
	return &turn{hold: hold.Hold{Store: s, Key: turnKey, Owner: rand.Text(), Length: turnLength, Now: time.Now}, last: last, log: log}
}

// idle tells that another process may work.
func (t *turn) idle() bool { return !t.hold.Has() }

// take asks once for the turn.
func (t *turn) take(ctx context.Context) (bool, error) {
	ctx, cancel := context.WithTimeout(ctx, turnLength/3)
	defer cancel()
	return t.hold.Take(ctx)
}

// wait stands by until the turn is this process's. It is false when ctx ended.
func (t *turn) wait(ctx context.Context) bool {
	told := false
	for {
		ours, err := t.take(ctx)
		switch {
		case ours && err == nil:
			return true
		case err != nil && ctx.Err() == nil:
			t.log.WarnContext(ctx, "who works can't be asked", "err", err)
		case !told:
			t.log.InfoContext(ctx, "another process works; this one stands by", "version", built())
			told = true
		}
		select {
		case <-ctx.Done():
			return false
		case <-time.After(turnLook):
		}
	}
}

// work runs one process's work while the turn lasts, and gives it up after.
func (t *turn) work(ctx context.Context, do func(context.Context) error) error {
	if !t.wait(ctx) {
		return nil
	}
	t.log.InfoContext(ctx, "this process works now", "version", built())
	work, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	kept := make(chan struct{})
	go func() {
		defer close(kept)
		t.keep(work, stop)
	}()
	err := do(work)
	lost := errors.Is(context.Cause(work), errTurnLost)
	stop(nil)
	<-kept
	give, cancel := context.WithTimeout(context.WithoutCancel(ctx), turnLength)
	defer cancel()
	err = errors.Join(err, t.hold.Give(give))
	if lost {
		return errors.Join(errTurnLost, err)
	}
	return err
}

// keep takes the turn again and again, and stops the work when it is lost.
// While the store can't be asked the process stays, idle once the turn is no
// longer to be trusted: perhaps nobody can reach the store, and then a typed
// emergency gets its card from here or not at all. When the store answers again
// it hands in what it only has in memory, and ends.
func (t *turn) keep(ctx context.Context, stop context.CancelCauseFunc) {
	cut := false
	for {
		select {
		case <-ctx.Done():
			return
		case <-time.After(turnLook):
		}
		lapsed := !t.hold.Has()
		ours, err := t.take(ctx)
		if ctx.Err() != nil {
			return
		}
		if err != nil && lapsed && !cut {
			cut = true
			t.log.ErrorContext(ctx, "the store can't be reached and another process may work: only emergency cards go out", "err", err)
		}
		if err != nil || ours && !lapsed {
			continue
		}
		t.log.ErrorContext(ctx, "the turn is lost")
		last, cancel := context.WithTimeout(ctx, turnLength)
		t.last(last)
		cancel()
		stop(errTurnLost)
		return
	}
}

// A fenced sender sends nothing past the turn.
type fenced struct {
	outbox.Sender
	turn *turn
}

func (f fenced) Send(ctx context.Context, m outbox.Message) error {
	if !f.turn.hold.Has() {
		return errTurnLost
	}
	return f.Sender.Send(ctx, m)
}
