package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"turnstone/outbox"
	"turnstone/upkeep"
)

const retireCommand = "retire"

// retireService ends a service for good, with what the service goes by.
func retireService(ctx context.Context, args []string, w world) error {
	return onDiscord(ctx, retireCommand, args, w)
}

// errRetired ends the service once everybody was told.
var errRetired = errors.New("retired")

// retireFor is how long the goodbyes may take.
const retireFor = 10 * time.Minute

// retire tells everybody, and ends the service when all of it is sent.
func retire(ctx context.Context, k *upkeep.Keeper, out *outbox.Outbox, w io.Writer) error {
	open, err := k.Retire(ctx)
	for end := time.Now().Add(retireFor); ; {
		_, swept := out.Sweep(ctx)
		due, left := out.Next(ctx)
		if !left || due.After(time.Now()) {
			break
		}
		if time.Now().After(end) {
			err = errors.Join(err, swept, errors.New("not every goodbye was sent; run it again"))
			break
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(time.Second):
		}
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "Open talks: %d. Who waited for something is told, and nothing is planned any more.\n", open)
	return errRetired
}
