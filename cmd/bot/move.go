package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"
	"time"

	"turnstone/store/bolt"
	"turnstone/store/move"
	"turnstone/store/redis"
)

// A movable is a store as it lies, with what is in it sealed or not.
type movable interface {
	move.Store
	Close() error
}

// openMovable opens the store that an operator names: an address has :// in it.
func openMovable(ctx context.Context, text string, log *slog.Logger) (movable, error) {
	if !strings.Contains(text, "://") {
		return bolt.Open(text, bolt.Options{Log: log})
	}
	address, err := redis.ParseAddress(text)
	if err != nil {
		return nil, err
	}
	redis.LogTo(log)
	return redis.Open(ctx, address, redis.Options{Log: log})
}

// moveStore moves everything from one store to another.
func moveStore(ctx context.Context, args []string, w world) (err error) {
	fs := flag.NewFlagSet("bot move", flag.ContinueOnError)
	fs.SetOutput(w.err)
	if err := fs.Parse(args); err != nil {
		return errUsage
	}
	if fs.NArg() != 2 {
		return fmt.Errorf("move needs two stores, FROM and TO, each a folder or an address (%s); stop every bot on both first", redis.Forms)
	}
	var sides [2]move.Side
	for i, text := range fs.Args() {
		s, err := openMovable(ctx, text, logger(w.err))
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, s.Close()) }()
		sides[i] = move.Side{Name: nameOf(text), Store: s}
	}
	report, err := move.Move(ctx, sides[0], sides[1], time.Now())
	if err != nil {
		return err
	}
	fmt.Fprintf(w.out, "moved from %s to %s: %v\n", sides[0].Name, sides[1].Name, report)
	fmt.Fprintf(w.out, "%s is marked as moved and is opened by no bot any more; delete it when the new one has been backed up\n", sides[0].Name)
	return nil
}

// nameOf names a store for the marks of a move, without user and settings.
func nameOf(text string) string {
	if a, err := redis.ParseAddress(text); err == nil {
		return a.String()
	}
	if abs, err := filepath.Abs(text); err == nil {
		return abs
	}
	return text
}
