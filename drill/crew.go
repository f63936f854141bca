package drill

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"time"
)

const tokenFile = "token"

// Times of the crew: how soon a process that ended is started again, how long
// a frozen one is frozen (longer than a turn among several processes, 4.5
// seconds), and how long the end may take.
const (
	startAgain = 200 * time.Millisecond
	frozenFor  = 6 * time.Second
	ending     = 10 * time.Second
)

// A crew is the program's processes. One that ends is started again, as a
// service manager does.
type crew struct {
	program string
	args    func(n int) []string
	folder  string

	mu      sync.Mutex
	hands   []*hand
	last    time.Time // of the last fault
	kills   int
	freezes int
	cuts    int
	alone   int // processes that ended by themselves
	over    bool
	working sync.WaitGroup
	stop    context.CancelFunc
}

// A hand is one process.
type hand struct {
	n      int
	cmd    *exec.Cmd
	killed bool
	ended  chan struct{}
}

func newCrew(s Settings, at string) *crew {
	return &crew{program: s.Program, folder: s.Folder, hands: make([]*hand, s.Processes), args: func(n int) []string {
		return append([]string{"serve", "--discord-at", at, "--discord-token", filepath.Join(s.Folder, tokenFile)}, s.Serve(n)...)
	}}
}

// start begins all processes.
func (c *crew) start(ctx context.Context) error {
	ctx, c.stop = context.WithCancel(context.WithoutCancel(ctx))
	for n := range c.hands {
		h, err := c.launch(n)
		if err != nil {
			return errors.Join(err, c.end())
		}
		c.working.Go(func() { c.keep(ctx, h) })
	}
	return nil
}

func (c *crew) launch(n int) (*hand, error) {
	log, err := os.OpenFile(c.log(n), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	h := &hand{n: n, cmd: exec.Command(c.program, c.args(n)...), ended: make(chan struct{})}
	h.cmd.Stdout, h.cmd.Stderr = log, log
	if err := errors.Join(h.cmd.Start(), log.Close()); err != nil {
		return nil, fmt.Errorf("start the program: %w", err)
	}
	c.mu.Lock()
	c.hands[n] = h
	c.mu.Unlock()
	return h, nil
}

func (c *crew) log(n int) string { return filepath.Join(c.folder, fmt.Sprintf("process-%d.log", n)) }

// keep starts a process again whenever it has ended.
func (c *crew) keep(ctx context.Context, h *hand) {
	for {
		err := h.cmd.Wait()
		close(h.ended)
		c.mu.Lock()
		over := c.over
		if !h.killed && !over {
			c.alone++
		}
		c.mu.Unlock()
		if over {
			return
		}
		fmt.Fprintf(os.Stderr, "drill: process %d has ended: %v\n", h.n, err)
		select {
		case <-ctx.Done():
			return
		case <-time.After(startAgain):
		}
		if h, err = c.launch(h.n); err != nil {
			fmt.Fprintf(os.Stderr, "drill: %v\n", err)
			return
		}
	}
}

// end tells every process to stop, and kills what does not.
func (c *crew) end() error {
	c.mu.Lock()
	c.over = true
	hands := append([]*hand(nil), c.hands...)
	c.mu.Unlock()
	c.stop()
	var errs []error
	for _, h := range hands {
		if h == nil {
			continue
		}
		if err := h.cmd.Process.Signal(syscall.SIGTERM); err != nil && !errors.Is(err, os.ErrProcessDone) {
			errs = append(errs, err)
		}
		select {
		case <-h.ended:
		case <-time.After(ending):
			errs = append(errs, fmt.Errorf("process %d did not stop within %v of being asked to; its log is %s", h.n, ending, c.log(h.n)), h.cmd.Process.Kill())
		}
	}
	c.working.Wait()
	return errors.Join(errs...)
}

// pick is a process that runs, at random.
func (c *crew) pick() *hand {
	c.mu.Lock()
	defer c.mu.Unlock()
	h := c.hands[rand.IntN(len(c.hands))]
	select {
	case <-h.ended:
		return nil
	default:
		return h
	}
}

// fault notes one that happens now.
func (c *crew) fault(kind *int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	*kind++
	c.last = time.Now()
}

func (c *crew) lastFault() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.last
}

func (c *crew) told() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return fmt.Sprintf("%d killed, %d frozen, %d cuts", c.kills, c.freezes, c.cuts)
}
