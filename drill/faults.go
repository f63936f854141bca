package drill

import (
	"context"
	"fmt"
	"sync"
	"time"
)

// faults begins those that are asked for. The function that comes back ends
// them, and returns when the last one is over.
func (c *crew) faults(ctx context.Context, s Settings) (calm func()) {
	ctx, stop := context.WithCancel(ctx)
	var running sync.WaitGroup
	every := func(pause time.Duration, do func(context.Context)) {
		if pause > 0 {
			running.Go(func() { repeat(ctx, pause, do) })
		}
	}
	every(s.Kill, c.kill)
	every(s.Freeze, func(ctx context.Context) { c.freeze(ctx, s) })
	every(s.Cut, func(context.Context) {
		s.Proxy.Cut()
		c.fault(&c.cuts)
	})
	return func() {
		stop()
		running.Wait()
	}
}

func repeat(ctx context.Context, pause time.Duration, do func(context.Context)) {
	tick := time.NewTicker(pause)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			do(ctx)
		}
	}
}

// kill ends a process without a word; keep starts it again.
func (c *crew) kill(context.Context) {
	h := c.pick()
	if h == nil {
		return
	}
	c.mu.Lock()
	h.killed = true
	c.mu.Unlock()
	if h.cmd.Process.Kill() == nil {
		<-h.ended
		c.fault(&c.kills)
	}
}

// freeze stops a process for longer than its turn, and lets it go on.
func (c *crew) freeze(ctx context.Context, s Settings) {
	h := c.pick()
	if h == nil {
		return
	}
	if err := stopProcess(h.cmd.Process); err != nil {
		fmt.Fprintf(s.Progress, "drill: %v\n", err)
		return
	}
	select {
	case <-ctx.Done():
	case <-h.ended:
	case <-time.After(frozenFor):
	}
	if err := goOn(h.cmd.Process); err != nil {
		fmt.Fprintf(s.Progress, "drill: %v\n", err) // it was killed meanwhile
	}
	c.fault(&c.freezes)
}
