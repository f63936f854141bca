package discord

import (
	"context"
	"errors"
	"net/http"
	"strconv"
	"sync"
	"time"
)

// errBusy is the answer to a call that would have to wait beyond its time.
var errBusy = errors.New("the platform asks us to wait longer than this call may")

// Limits of all calls together. Discord allows 50 a second and bans an address
// after 10,000 refused calls in 10 minutes (its documentation, "Rate Limits");
// we stay below both, and keep a part of each for emergencies.
const (
	perSecond      = 45
	keptForUrgent  = 10
	refusedWindow  = 10 * time.Minute
	refusedRoutine = 5000
	refusedMost    = 9000
)

// Pace is how many calls a second leave at most.
const Pace = perSecond

// A gate lets calls out at the pace that Discord allows: in all, and by route
// as its answers say. Discord's own library waits without looking at the
// context and lets a global limit hold nothing back, so it is told nothing.
type gate struct {
	now func() time.Time

	mu      sync.Mutex
	tokens  float64
	filled  time.Time
	closed  time.Time         // nothing goes out before
	buckets map[string]string // route -> the bucket it was said to belong to
	routes  map[string]*limit // bucket and major parameter -> what is left
	refused []time.Time       // the last refused calls, the oldest first
}

type limit struct {
	left  int
	reset time.Time
}

// A route is what Discord counts together: a method and path, and the channel
// or webhook that it is about.
type route struct {
	name, major string
	free        bool // answers to interactions do not count towards the limit of all
	urgent      bool
}

func newGate(now func() time.Time) *gate {
	return &gate{now: now, tokens: perSecond, filled: now(), buckets: map[string]string{}, routes: map[string]*limit{}}
}

// pass waits until the call may go out. A call that can't go out before its
// context ends is told so at once.
func (g *gate) pass(ctx context.Context, r route) error {
	for {
		wait, err := g.take(r)
		if err != nil || wait == 0 {
			return err
		}
		if end, ok := ctx.Deadline(); ok && time.Until(end) < wait {
			return errBusy
		}
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			timer.Stop()
			return ctx.Err()
		case <-timer.C:
		}
	}
}

// take lets the call out, or says how long it has to wait.
func (g *gate) take(r route) (time.Duration, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	now := g.now()
	for len(g.refused) > 0 && now.Sub(g.refused[0]) > refusedWindow {
		g.refused = g.refused[1:]
	}
	if n := len(g.refused); n >= refusedMost || n >= refusedRoutine && !r.urgent {
		return 0, errBusy
	}
	if wait := g.closed.Sub(now); wait > 0 && !r.free {
		return wait, nil
	}
	l := g.routes[g.key(r)]
	if l != nil && l.left <= 0 {
		if wait := l.reset.Sub(now); wait > 0 {
			return wait, nil
		}
		l = nil
	}
	if !r.free {
		g.tokens = min(perSecond, g.tokens+now.Sub(g.filled).Seconds()*perSecond)
		g.filled = now
		least := 1.0
		if !r.urgent {
			least += keptForUrgent
		}
		if g.tokens < least {
			return time.Duration((least-g.tokens)/perSecond*float64(time.Second)) + time.Millisecond, nil
		}
		g.tokens--
	}
	if l != nil {
		l.left--
	}
	return 0, nil
}

func (g *gate) key(r route) string {
	if b := g.buckets[r.name]; b != "" {
		return b + "/" + r.major
	}
	return r.name + "/" + r.major
}

// mostRoutes bounds what is remembered: limits that have ended are forgotten.
const mostRoutes = 1024

// heard learns from an answer.
func (g *gate) heard(r route, status int, h http.Header) {
	g.mu.Lock()
	defer g.mu.Unlock()
	now := g.now()
	if b := h.Get("X-RateLimit-Bucket"); b != "" && r.name != "" {
		g.buckets[r.name] = b
	}
	left, err := strconv.Atoi(h.Get("X-RateLimit-Remaining"))
	if after := seconds(h.Get("X-RateLimit-Reset-After")); err == nil && after > 0 {
		if len(g.routes) > mostRoutes {
			for k, l := range g.routes {
				if l.reset.Before(now) {
					delete(g.routes, k)
				}
			}
		}
		g.routes[g.key(r)] = &limit{left: left, reset: now.Add(after)}
	}
	if status == http.StatusUnauthorized || status == http.StatusForbidden || status == http.StatusTooManyRequests && h.Get("X-RateLimit-Scope") != "shared" {
		g.refused = append(g.refused, now)
	}
}

// limited notes a 429: of this route, or of everything.
func (g *gate) limited(r route, after time.Duration, global bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	until := g.now().Add(after)
	if global {
		g.closed = until
		return
	}
	g.routes[g.key(r)] = &limit{reset: until}
}

func seconds(s string) time.Duration {
	f, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return 0
	}
	return span(f)
}

// span is a wait of so many seconds. None is longer than a day: an answer that
// says so is mistaken, and nothing would ever go out again.
func span(s float64) time.Duration {
	if !(s > 0) || s > 24*3600 {
		return 0
	}
	return time.Duration(s * float64(time.Second))
}
