package drill

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"time"

	"turnstone/adapters/discord"
	"turnstone/adapters/discord/double"
)

// A Rush is what many checks that fall due in one minute come to.
type Rush struct {
	Due     int      `json:"due"`
	Within  Duration `json:"within"` // from the first due instant to the last
	Pace    int      `json:"pace"`   // calls a second that the platform allows the program
	Sent    int      `json:"first_lines"`
	Early   int      `json:"early"`
	Took    Duration `json:"took"`             // from the first due instant to the last first line
	Allowed Duration `json:"allowed"`          // what that may be
	Unread  int      `json:"histories_unread"` // at the first due instant: what the program still had to look at after its start
}

// Limits of a rush: all first lines are out within slack times what the pace
// allows; meanwhile somebody writes of an emergency this often.
const (
	slack         = 1.15
	rushMinute    = time.Minute
	rushEmergency = 2 * time.Second
)

// rushOf plans a rush of so many: within a minute, or all at one moment where
// the pace lets them out in less.
func rushOf(due int) *Rush {
	r := &Rush{Due: due, Pace: discord.Pace}
	if r.atPace() > rushMinute {
		r.Within = Duration(rushMinute)
	}
	r.Allowed = Duration(slack * float64(r.atPace()))
	return r
}

// atPace is how long the first lines take when nothing else is sent.
func (r *Rush) atPace() time.Duration {
	return time.Duration(float64(r.Due) / float64(r.Pace) * float64(time.Second))
}

// RunRush puts people whose check is due into a store, starts the program on
// it, and measures. Open opens the store; it is closed before the program
// starts. An error that is ErrFound comes with the result.
func RunRush(ctx context.Context, s Settings, due int, open func(context.Context) (*House, error)) (_ *Result, err error) {
	d, err := prepare(s)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, d.platform.Close()) }()
	r := rushOf(due)
	writers := int(math.Ceil(float64(r.atPace()) / float64(rushEmergency)))
	all := time.Duration(float64(due+writers) / float64(r.Pace) * float64(time.Second))
	first := time.Now().Add(30*time.Second + time.Duration(due)*4*time.Millisecond + all*11/10).Truncate(time.Second)
	people, err := d.wait(r, writers, first)
	if err != nil {
		return nil, err
	}
	fmt.Fprintf(d.Progress, "drill: %d checks are due at %s; they are put into the store\n", due, first.Format(time.TimeOnly))
	h, err := open(ctx)
	if err != nil {
		return nil, err
	}
	if err := errors.Join(h.fill(ctx, people), h.Close()); err != nil {
		return nil, err
	}
	d.crew = newCrew(s, d.platform.At())
	if err := d.crew.start(ctx); err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, d.crew.end()) }()
	if err := d.setUp(ctx); err != nil {
		return nil, err
	}
	d.stage()
	return d.rush(ctx, r, people, writers, first)
}

// wait invents those who wait, and behind them those who will write of an
// emergency, whose own check is hours away.
func (d *drill) wait(r *Rush, writers int, first time.Time) ([]*waiting, error) {
	zone, err := zoneOfDay(first)
	if err != nil {
		return nil, err
	}
	dice := rand.New(rand.NewPCG(d.Seed, 3))
	var people []*waiting
	for n := range r.Due + writers {
		p := &person{who: d.platform.Join("en-US"), drill: d}
		d.people = append(d.people, p)
		d.by[p.who.ID] = p
		w := &waiting{account: p.who.ID, channel: p.who.Channel(), zone: zone, due: first}
		switch {
		case n >= r.Due:
			w.due = first.Add(3 * time.Hour)
		case r.Within > 0:
			w.due = first.Add(time.Duration(dice.Int64N(int64(r.Within)))).Truncate(time.Millisecond)
		}
		people = append(people, w)
	}
	return people, nil
}

// rush waits for the minute, lets the writers write in it, and reads the
// receipts once everybody has a first line or none can come any more.
func (d *drill) rush(ctx context.Context, r *Rush, people []*waiting, writers int, first time.Time) (*Result, error) {
	if time.Now().After(first) {
		return nil, fmt.Errorf("the checks were due at %s, before the program was ready; this machine is too slow for so many", first.Format(time.TimeOnly))
	}
	var mu sync.Mutex
	lines := map[string]time.Time{}
	due := map[string]time.Time{}
	for _, w := range people[:r.Due] {
		due[w.account] = w.due
	}
	d.platform.Watch(func(got double.Receipt) {
		mu.Lock()
		defer mu.Unlock()
		if _, had := lines[got.Who]; got.Saw == double.Brought && !had && !due[got.Who].IsZero() {
			lines[got.Who] = got.At
		}
	})
	out := func() int { mu.Lock(); defer mu.Unlock(); return len(lines) }
	var writing sync.WaitGroup
	for n, p := range d.people[r.Due:] {
		at := first.Add(time.Duration(n) * rushEmergency)
		writing.Go(func() {
			if sleep(ctx, time.Until(at)) {
				d.note(plan{at: at, emergency: true}, func() string { return p.who.Write(emergencies[n%len(emergencies)]) })
			}
		})
	}
	sleep(ctx, time.Until(first))
	r.Unread = len(people) - d.histories()
	last := first.Add(2*time.Duration(r.Allowed) + d.Wait)
	for out() < r.Due && time.Now().Before(last) && sleep(ctx, time.Second) {
		if n := time.Since(first) / time.Second; n%5 == 0 {
			fmt.Fprintf(d.Progress, "drill: %d s, %d of %d first lines\n", n, out(), r.Due)
		}
	}
	writing.Wait()
	sleep(ctx, lateFaulty) // for the last card, and for what comes twice
	mu.Lock()
	defer mu.Unlock()
	return d.rushed(ctx, r, writers, first, due, lines)
}

func sleep(ctx context.Context, long time.Duration) bool {
	select {
	case <-ctx.Done():
		return false
	case <-time.After(long):
		return true
	}
}

// histories counts the histories that the program has read: after its start it
// looks whether somebody wrote meanwhile, at the same pace.
func (d *drill) histories() int {
	read := map[string]bool{}
	for _, s := range d.platform.Sent() {
		if path, _, ok := strings.Cut(s.Path, "/messages"); ok && s.Method == "GET" {
			read[path] = true
		}
	}
	return len(read)
}

func (d *drill) rushed(ctx context.Context, r *Rush, writers int, first time.Time, due, lines map[string]time.Time) (*Result, error) {
	receipts := d.platform.Receipts()
	c := reckon(receipts, d.plans, func(account string) bool { return d.by[account] != nil })
	res := &Result{People: r.Due + writers, Took: Duration(time.Since(d.began)), CardLimit: Duration(lateCalm), Rush: r}
	var waited []time.Duration
	for who, at := range due {
		line, ok := lines[who]
		switch {
		case !ok:
			c.lost = append(c.lost, who+": a check that was due at "+at.Format(time.TimeOnly))
			c.found[who] = true
			continue
		case line.Before(at):
			r.Early++
		}
		r.Sent++
		waited = append(waited, line.Sub(at))
		r.Took = max(r.Took, Duration(line.Sub(first)))
	}
	res.Finished = r.Sent + len(c.cards)
	c.answers = waited
	res.take(c, d.platform.Breaches())
	if r.Took > r.Allowed {
		res.Found = append(res.Found, fmt.Sprintf("the last first line came after %v; %v is allowed", r.Took, r.Allowed))
	}
	if r.Early > 0 {
		res.Found = append(res.Found, fmt.Sprintf("%d first lines came before they were due", r.Early))
	}
	return res, errors.Join(ctx.Err(), res.err(), d.trace(receipts, c.found))
}

func (r *Rush) rows(row func(string, ...any)) {
	row("checks due", fmt.Sprintf("%d, in %.0f s", r.Due, time.Duration(r.Within).Seconds()))
	row("first lines", fmt.Sprintf("%d in %v, %.1f a second; allowed are %v at %d calls a second", r.Sent, r.Took, float64(r.Sent)/max(0.001, time.Duration(r.Took).Seconds()), r.Allowed, r.Pace))
	row("histories unread", r.Unread, "at the first due instant")
}
