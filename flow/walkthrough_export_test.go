package flow

import (
	"context"
	"sync"

	"github.com/looplab/fsm"
)

// Taken tells each row of the current protocol's table that f takes, and
// returns the rows that there are: {state, event} to state. The machines of
// the product have no callbacks; these are the test's own.
func Taken(f *Flow, taken func(from, event string)) map[[2]string]string {
	t := f.current.table
	t.pool = sync.Pool{New: func() any {
		return fsm.NewFSM(StateNew, t.events, fsm.Callbacks{
			"before_event": func(_ context.Context, e *fsm.Event) { taken(e.Src, e.Event) },
		})
	}}
	return t.rows
}
