package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"strings"
	"time"

	"turnstone/store/move"
	"turnstone/store/redis"
)

// placeOf is the store that an operator names: an address has :// in it.
func placeOf(text, key string) place {
	if strings.Contains(text, "://") {
		return place{redis: text, key: key}
	}
	return place{dir: text, key: key}
}

// moveStore moves everything from one store to another, both under one master
// key: it opens what it takes and seals it anew.
func moveStore(ctx context.Context, args []string, w world) (err error) {
	fs := flag.NewFlagSet("bot move", flag.ContinueOnError)
	fs.SetOutput(w.err)
	key := fs.String("key", "", "the master key file of both (default: beside the folder that is one of them)")
	erased := fs.String("data", "", "the folder beside which the erasure list of a server lies (default: the usual one)")
	if err := fs.Parse(args); err != nil {
		return errUsage
	}
	if fs.NArg() != 2 {
		return fmt.Errorf("move needs two stores, FROM and TO, each a folder or an address (%s); stop every bot on both first", redis.Forms)
	}
	places, err := movePlaces(fs.Arg(0), fs.Arg(1), *key, *erased, w)
	if err != nil {
		return err
	}
	var sides [2]move.Side
	for i, at := range places {
		s, err := openUnmarked(ctx, at, 0, time.Now, logger(w.err))
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, s.Close()) }()
		sides[i] = move.Side{Name: at.String(), Store: s}
	}
	report, err := move.Move(ctx, sides[0], sides[1], time.Now())
	if err != nil {
		return err
	}
	fmt.Fprintf(w.out, "moved from %s to %s: %v\n", sides[0].Name, sides[1].Name, report)
	fmt.Fprintf(w.out, "%s is marked as moved and is opened by no bot any more; delete it when the new one has been backed up\n", sides[0].Name)
	fmt.Fprintf(w.out, "both are sealed under the master key %s: every machine that opens the new one needs a copy of that file\n", places[0].keyPath())
	return nil
}

// movePlaces finds the two places and the one key file that they share: the
// pseudonyms of accounts are made with it.
func movePlaces(from, to, key, erased string, w world) (both [2]place, err error) {
	both = [2]place{placeOf(from, key), placeOf(to, key)}
	for i := range both {
		if both[i].redis != "" {
			both[i].dir = erased
		}
		if err := both[i].settle(w.env); err != nil {
			return both, err
		}
	}
	if key == "" {
		key = both[0].keyPath()
		if both[0].redis != "" && both[1].redis == "" {
			key = both[1].keyPath()
		}
		both[0].key, both[1].key = key, key
	}
	return both, nil
}
