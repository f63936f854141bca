package redis

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/redis/go-redis/v9"

	"turnstone/store"
)

// A call is some commands on the keys of one tag, sent together. It may be
// sent more than once: queue must not mind, and neither may the server.
type call struct {
	tag   string
	queue func(redis.Pipeliner)
	write bool // it is answered only when Address.Wait replicas have it

	cmds  []redis.Cmder // of the last sending
	to    string        // where the slot is on its way to, for one sending
	fault error         // why it must be sent again
}

// run does one script as a call.
func (s *Store) run(ctx context.Context, tag string, script script, keys []string, args ...any) (any, error) {
	var cmd *redis.Cmd
	err := s.do(ctx, &call{tag: tag, write: true, queue: func(p redis.Pipeliner) {
		cmd = p.EvalSha(ctx, script.name, keys, args...)
	}})
	if err != nil {
		return nil, err
	}
	return cmd.Val(), nil
}

// do sends calls to the servers that have their slots, side by side, and
// again whatever was not answered, moved, or not replicated.
func (s *Store) do(ctx context.Context, calls ...*call) error {
	if err := ctx.Err(); err != nil {
		return s.down(err)
	}
	begun, pause := time.Now(), 5*time.Millisecond
	var why error // the last thing that a server or the network said
	for {
		left, err := s.send(ctx, calls)
		if len(left) > 0 && (why == nil || ctx.Err() == nil) {
			why = left[0].fault
		}
		switch {
		case err != nil:
			return s.down(err)
		case len(left) == 0:
			return nil
		case ctx.Err() != nil:
			return s.down(fmt.Errorf("%w; the last answer was: %w", ctx.Err(), why))
		case time.Since(begun) > s.patient:
			return s.down(fmt.Errorf("tried for %v: %w", s.patient, why))
		}
		if cluster, ok := s.client.(*redis.ClusterClient); ok {
			cluster.ReloadState(ctx) // a dead master answers nothing that would make the client look
		}
		calls = left
		if slices.ContainsFunc(left, func(c *call) bool { return !atOnce(c.fault) }) {
			timer := time.NewTimer(pause + rand.N(pause))
			select {
			case <-ctx.Done():
			case <-timer.C:
			}
			timer.Stop()
			pause = min(2*pause, 200*time.Millisecond)
		}
	}
}

// send sends each call once, and returns those to be sent again.
func (s *Store) send(ctx context.Context, calls []*call) (left []*call, err error) {
	if s.closed.Load() {
		return nil, errClosed
	}
	groups, left := s.route(ctx, calls)
	var mu sync.Mutex
	var wg sync.WaitGroup
	do := func(node *redis.Client, group []*call) {
		again, fatal := s.sendTo(ctx, node, group)
		mu.Lock()
		defer mu.Unlock()
		left, err = append(left, again...), errors.Join(err, fatal)
	}
	for node, group := range groups {
		if len(groups) == 1 {
			do(node, group)
			break
		}
		wg.Go(func() { do(node, group) })
	}
	wg.Wait()
	return left, err
}

// route finds the server of each call.
func (s *Store) route(ctx context.Context, calls []*call) (groups map[*redis.Client][]*call, lost []*call) {
	groups = map[*redis.Client][]*call{}
	for _, c := range calls {
		node, err := s.node(ctx, c)
		if err != nil {
			c.fault = err
			lost = append(lost, c)
			continue
		}
		groups[node] = append(groups[node], c)
	}
	return groups, lost
}

func (s *Store) node(ctx context.Context, c *call) (*redis.Client, error) {
	cluster, ok := s.client.(*redis.ClusterClient)
	if !ok {
		return s.client.(*redis.Client), nil
	}
	if c.to == "" {
		return cluster.MasterForKey(ctx, c.tag)
	}
	var there *redis.Client
	var mu sync.Mutex
	err := cluster.ForEachMaster(ctx, func(_ context.Context, node *redis.Client) error {
		mu.Lock()
		defer mu.Unlock()
		if node.Options().Addr == c.to {
			there = node
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if there == nil {
		c.to = ""
		return cluster.MasterForKey(ctx, c.tag)
	}
	return there, nil
}

// many is from how many calls on a sending is a sweep over everything.
const many = 16

// sendTo sends a group of calls to one server in one pipeline.
func (s *Store) sendTo(ctx context.Context, node *redis.Client, group []*call) (again []*call, fatal error) {
	p := node.Pipeline()
	var clock *redis.TimeCmd
	asked := s.clock()
	if len(group) >= many { // a sweep is the moment to compare clocks
		clock = p.Time(ctx)
	}
	ends := make([][2]int, len(group))
	for i, c := range group {
		if c.to != "" {
			p.Do(ctx, "ASKING")
		}
		ends[i][0] = p.Len()
		c.queue(p)
		ends[i][1] = p.Len()
		if c.write && s.address.Wait > 0 {
			p.Do(ctx, "WAIT", s.address.Wait, waitFor.Milliseconds())
			ends[i][1]++
		}
	}
	cmds, _ := p.Exec(ctx) // each command is looked at below
	for i, c := range group {
		c.cmds, c.to = cmds[ends[i][0]:ends[i][1]], ""
		c.fault = s.verdict(ctx, node, c)
		if c.fault == nil {
			continue
		}
		if hopeless(c.fault) {
			return nil, explain(c.fault)
		}
		again = append(again, c)
	}
	if clock != nil && clock.Err() == nil {
		s.offsets.saw(s, node.Options().Addr, clock.Val(), asked, s.clock())
	}
	return again, nil
}

// waitFor is how long one sending waits for replicas.
const waitFor = 500 * time.Millisecond

var errNotReplicated = errors.New("too few replicas have it")

// verdict looks at what came back and returns why the call must be sent again, or nil.
func (s *Store) verdict(ctx context.Context, node *redis.Client, c *call) error {
	for _, cmd := range c.cmds {
		err := cmd.Err()
		if err == nil || errors.Is(err, redis.Nil) {
			continue
		}
		if to, ok := redis.IsAskError(err); ok {
			c.to = to
		}
		if redis.HasErrorPrefix(err, "NOSCRIPT") {
			if fault := loadScripts(ctx, node); fault != nil {
				return fault
			}
		}
		return err
	}
	if c.write && s.address.Wait > 0 {
		if n, err := c.cmds[len(c.cmds)-1].(*redis.Cmd).Int(); err != nil || n < s.address.Wait {
			return fmt.Errorf("%w: %d of %d", errNotReplicated, n, s.address.Wait)
		}
	}
	return nil
}

// atOnce tells that sending again need not wait.
func atOnce(err error) bool {
	_, moved := redis.IsMovedError(err)
	_, ask := redis.IsAskError(err)
	return moved || ask || redis.HasErrorPrefix(err, "NOSCRIPT") || errors.Is(err, errNotReplicated)
}

// hopeless tells that sending again would get the same answer.
func hopeless(err error) bool {
	var told redis.Error
	if !errors.As(err, &told) || atOnce(err) {
		return errors.Is(err, redis.ErrClosed)
	}
	passing := []string{"TRYAGAIN", "CLUSTERDOWN", "LOADING", "READONLY", "MASTERDOWN", "NOREPLICAS", "BUSY", "MISCONF", "ERR max number of clients", "UNBLOCKED"}
	return !slices.ContainsFunc(passing, func(p string) bool { return strings.HasPrefix(err.Error(), p) })
}

// explain says what to do about a fault that will not pass by itself.
func explain(err error) error {
	switch {
	case redis.IsOOMError(err):
		return fmt.Errorf("%w; the server is full: raise its maxmemory, reading goes on meanwhile", err)
	case redis.IsPermissionError(err), strings.Contains(err.Error(), "The user executing the script can't"):
		return fmt.Errorf("%w; give the user the rights in deploy/users.acl", err)
	case redis.IsAuthError(err):
		return fmt.Errorf("%w; check the user in the address and its password file", err)
	case strings.HasPrefix(err.Error(), "WRONGTYPE"):
		return fmt.Errorf("%w: %w; something else writes to this server", store.ErrDamaged, err)
	}
	return err
}
