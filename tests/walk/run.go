package walk

import (
	"fmt"
	"strings"
	"sync"
	"time"

	"turnstone/care"
)

// A run is one walk at work.
type run struct {
	w       *World
	cfg     *Config
	ids     map[string]int // state by key
	led     map[string]int // where something that leaves the questions led, by class of states
	leads   map[string]int // the first state of each class
	members map[string]*members
	born    []born
	edges   [][]int32
	report  *Report
	twins   map[string]*pair
}

// A node is one state with an episode that stands for it.
type node struct {
	id   int
	ep   care.Episode
	now  time.Time
	used spent
	lead bool // the first of its class of states
}

// A born is where a state came from.
type born struct {
	parent int
	label  string
	state  string
	closed bool
}

// members are the states of a class that the walk went on from.
type members struct{ first, count int }

// level expands every node of one depth, several at a time, and collects the
// next depth in the same order every time.
func (r *run) level(nodes []*node) []*node {
	results := make([][]outcome, len(nodes))
	var wg sync.WaitGroup
	work := make(chan int)
	for range max(1, r.cfg.Workers) {
		wg.Go(func() {
			for i := range work {
				results[i] = r.w.expand(nodes[i], r.cfg)
			}
		})
	}
	for i := range nodes {
		work <- i
	}
	close(work)
	wg.Wait()
	var next []*node
	for i, n := range nodes {
		for _, o := range results[i] {
			next = r.take(n, o, next)
		}
		results[i] = nil
	}
	return next
}

// take books one outcome: what it broke, which rows it took, where it leads.
func (r *run) take(n *node, o outcome, next []*node) []*node {
	r.report.Transitions++
	for _, row := range o.rows {
		r.report.Raised[row]++
	}
	for _, b := range o.broken {
		b.Path = append(r.path(n.id), o.label)
		r.violate(b)
	}
	if o.to == nil {
		return next
	}
	way := ""
	if leaves(n, o) {
		way = r.class(n) + o.label
	}
	id, known := r.ids[o.key]
	same, followed := r.led[way]
	switch full := r.fullClass(o.to); {
	case known:
		r.pairUp(o)
	case followed && way != "":
		id = same
	case full >= 0:
		id = full
	default:
		id = r.add(o.to, o.key, n.id, o.label)
		next = append(next, o.to)
	}
	r.led[way] = id
	r.edges[n.id] = append(r.edges[n.id], int32(id))
	return next
}

// leaves reports whether something leads away from the questions: an emergency,
// stop, a due item, staff. It is tried wherever it may happen, and followed
// once from each class of states; from the others it counts as leading there.
func leaves(n *node, o outcome) bool {
	return n.ep.State == "rest" || o.kind != answers && o.kind != misread && o.label != "!back" || o.to.ep.Open && !n.ep.Open
}

// class is a rougher key: where an episode stands, how severe it is, what the
// person agreed to, and at rest what is still to come.
func (r *run) class(n *node) string {
	ep := &n.ep
	consent := wholeLens(r.w.P, ep).latest(r.w.P.Roles.Consent)
	var later strings.Builder
	if ep.State == "rest" {
		later.WriteString(kinds(ep))
		r.w.conditions(&later, wholeLens(r.w.P, ep), r.w.known.can(ep, 0), r.w.known.later)
	}
	return fmt.Sprint(ep.State, later.String(), ep.Aside.What, ep.Doubt != "", tries(ep), ep.Disposition, ep.Open, consent, ep.Sensitive, ep.Stopped, n.used)
}

// fullClass returns a state of n's class where there are enough of them, and
// -1 where there is room.
func (r *run) fullClass(n *node) int {
	m := r.members[r.class(n)]
	if r.cfg.Each == 0 || m == nil || m.count < r.cfg.Each {
		return -1
	}
	return m.first
}

func (r *run) add(n *node, key string, parent int, label string) int {
	n.id = len(r.born)
	class := r.class(n)
	if r.members[class] == nil {
		r.members[class] = &members{first: n.id}
	}
	r.members[class].count++
	lead, had := r.leads[class]
	n.lead = !had
	if !had {
		r.leads[class] = n.id
	}
	r.ids[key] = n.id
	r.born = append(r.born, born{parent, label, n.ep.State, n.ep.Closed})
	r.edges = append(r.edges, nil)
	r.report.Stands[Stand{n.ep.State, n.ep.Disposition, n.ep.Open}] = true
	if had && !r.cfg.Full { // what is not tried here was tried there
		r.edges[n.id] = append(r.edges[n.id], int32(lead))
	}
	r.firstOf(n, key)
	return n.id
}

// deadEnds finds states from which no way leads to a closed episode.
func (r *run) deadEnds() {
	back := make([][]int32, len(r.edges))
	for from, list := range r.edges {
		for _, to := range list {
			back[to] = append(back[to], int32(from))
		}
	}
	reach := make([]bool, len(r.born))
	var work []int32
	for i, b := range r.born {
		if b.closed {
			reach[i] = true
			work = append(work, int32(i))
		}
	}
	for len(work) > 0 {
		at := work[len(work)-1]
		work = work[:len(work)-1]
		for _, from := range back[at] {
			if !reach[from] {
				reach[from] = true
				work = append(work, from)
			}
		}
	}
	for i, b := range r.born {
		if !reach[i] {
			r.violate(Violation{Rule: DeadEnd, Place: b.state, Text: "caught", Path: r.path(i)})
		}
	}
}
