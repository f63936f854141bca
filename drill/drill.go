// Package drill plays many invented people over the built program and the
// stand-in for its platform, on a real store, while children of the drill are
// killed, frozen or cut off.
//
// Each act has a planned instant, and what it takes is counted from there, so
// that a program that holds the drill up does not look fast. What is lost,
// doubled or late is read from the stand-in's receipts alone, never from what
// the program keeps about itself.
package drill

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"time"

	"turnstone/adapters/discord/double"
)

// Settings are what a drill goes by.
type Settings struct {
	Program   string                 // path of the program
	Serve     func(n int) []string   // the arguments of process n from 0, without those of the platform
	Folder    string                 // for the token and the logs of the processes
	Processes int                    // how many at once
	Progress  io.Writer              // a line now and then
	Stage     func(*double.Platform) // where set, turns knobs of the stand-in before the first person comes

	People      int
	Each        time.Duration // between two arrivals
	Think       time.Duration // between reading and answering
	Emergencies float64       // the share of people who write of an emergency
	Seed        uint64
	Wait        time.Duration // how long after the last fault an answer may take before it is lost

	Lag time.Duration // that the platform takes for each call, as a network does

	Kill, Freeze, Cut time.Duration // between two faults of a kind; 0 is none
	Proxy             *Proxy        // stands before the server; only Cut needs it
}

// How late an emergency card may be, counted from the planned instant.
const (
	lateCalm   = 2 * time.Second
	lateFaulty = 8 * time.Second
)

// ErrFound ends a drill that found something lost, doubled, out of order or
// late.
var ErrFound = errors.New("the drill found what must not be")

// server is the community from which the people come.
const server = "310000000000000001"

// A drill is one at work.
type drill struct {
	Settings
	began    time.Time
	platform *double.Platform
	crew     *crew
	channel  string

	people []*person
	by     map[string]*person // fixed before the first one comes

	mu    sync.Mutex
	plans map[string]plan
}

// note does something and remembers what was meant by it, under its ID.
func (d *drill) note(p plan, do func() string) string {
	id := do()
	d.mu.Lock()
	d.plans[id] = p
	d.mu.Unlock()
	return id
}

// Run plays the people to the end of their talks. An error that is ErrFound
// comes with the result.
func Run(ctx context.Context, s Settings) (_ *Result, err error) {
	d, err := prepare(s)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, d.platform.Close()) }()
	d.invent()
	d.crew = newCrew(s, d.platform.At())
	if err := d.crew.start(ctx); err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, d.crew.end()) }()
	if err := d.setUp(ctx); err != nil {
		return nil, err
	}
	d.stage()
	d.play(ctx)
	return d.result(ctx)
}

// prepare starts a stand-in whose IDs nobody had before.
func prepare(s Settings) (*drill, error) {
	p, err := double.New()
	if err != nil {
		return nil, err
	}
	p.IDsFrom(time.Now().UnixMilli() << 20) // as the platform's own, they grow with time
	if err := os.WriteFile(filepath.Join(s.Folder, tokenFile), []byte(double.Token+"\n"), 0o600); err != nil {
		return nil, errors.Join(err, p.Close())
	}
	return &drill{Settings: s, began: time.Now(), platform: p, channel: p.Channel(server, false), by: map[string]*person{}, plans: map[string]plan{}}, nil
}

// invent makes the people; the same seed makes the same ones.
func (d *drill) invent() {
	dice := rand.New(rand.NewPCG(d.Seed, 1))
	for range d.People {
		w := &person{who: d.platform.Join("en-US"), drill: d, dice: rand.New(rand.NewPCG(dice.Uint64(), 2)), hears: make(chan double.Receipt, 64)}
		danger, turn, words := dice.Float64() < d.Emergencies, 1+dice.IntN(lastTurn), emergencies[dice.IntN(len(emergencies))]
		if danger {
			w.danger, w.words = turn, words
		}
		d.people = append(d.people, w)
		d.by[w.who.ID] = w
	}
}

// starting is how long the program may take to listen.
const starting = time.Minute

// setUp waits until the program listens, and sets the community up, as
// somebody must before people come.
func (d *drill) setUp(ctx context.Context) error {
	if !d.platform.Until(starting, func() bool { return d.platform.Connected() || ctx.Err() != nil }) {
		return fmt.Errorf("no process listens within %v; their logs are in %s", starting, d.Folder)
	}
	a := d.platform.Join("en-US").Command(d.channel, "ankle-setup", map[string]string{"zone": "Europe/Lisbon", "region": "PT"})
	pinned := func() bool {
		for _, m := range d.platform.Messages(d.channel) {
			if m.Pinned {
				return true
			}
		}
		return ctx.Err() != nil
	}
	if !d.platform.Until(starting, pinned) {
		return fmt.Errorf("the server is not set up within %v (the command failed: %v); the logs are in %s", starting, a.Failed(), d.Folder)
	}
	return ctx.Err()
}

// stage makes the platform as slow as it is to be, and turns its knobs.
func (d *drill) stage() {
	if d.Lag > 0 {
		d.platform.Fail(double.Fault{Times: math.MaxInt, Wait: d.Lag})
	}
	if d.Stage != nil {
		d.Stage(d.platform)
	}
}

// play lets everybody live and the faults happen, until all is answered or
// nothing more can come.
func (d *drill) play(ctx context.Context) {
	d.platform.Watch(func(r double.Receipt) {
		if w := d.by[r.Who]; w != nil {
			select {
			case w.hears <- r:
			default: // nobody gets so much at once; who misses it is stuck, and found
			}
		}
	})
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	var living sync.WaitGroup
	start := time.Now()
	for i, w := range d.people {
		w.starts = start.Add(time.Duration(i) * d.Each)
		living.Go(func() { w.live(ctx) })
	}
	calm := d.crew.faults(ctx, d.Settings)
	d.watch(ctx, calm)
	stop()
	living.Wait()
}

// stuck is how long somebody must wait before they count as held up: when
// nobody else is left the faults end, and what was lost shows.
const stuck = 10 * time.Second

// watch tells how far it is until everybody is done, or nobody has anything
// to wait for any more.
func (d *drill) watch(ctx context.Context, calm func()) {
	look, tell := time.NewTicker(100*time.Millisecond), time.NewTicker(5*time.Second)
	defer look.Stop()
	defer tell.Stop()
	for {
		done, held := d.count(stuck)
		_, lost := d.count(d.Wait)
		switch {
		case done == len(d.people):
			return
		case done+held == len(d.people):
			calm()
			if done+lost == len(d.people) && time.Since(d.crew.lastFault()) > d.Wait {
				return
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-look.C:
		case <-tell.C:
			fmt.Fprintf(d.Progress, "drill: %s, %d of %d people at the end, %d wait longer than %v, %s\n",
				time.Since(d.began).Round(time.Second), done, len(d.people), held, stuck, d.crew.told())
		}
	}
}

// count counts who is done and who has waited longer than so.
func (d *drill) count(so time.Duration) (done, held int) {
	for _, w := range d.people {
		since := w.since.Load()
		switch {
		case w.done.Load():
			done++
		case since > 0 && time.Since(d.began)-time.Duration(since) > so:
			held++
		}
	}
	return done, held
}
