package flow

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"

	"github.com/looplab/fsm"

	"turnstone/care"
	"turnstone/flow/protocol"
)

// The events of the table. Every state has a row for each that can happen in
// it, and none for the rest.
const (
	evAnswered = "answered" // the question is settled
	evAgain    = "again"    // the same question once more
	evBack     = "back"     // the question before
	evAsk      = "ask"      // a junction: the screen is asked
	evSkip     = "skip"     // a junction: the screen, or its section, is passed by
	evDanger   = "danger"   // an emergency ends the questions
	evStop     = "stop"     // nothing more is asked
	evClose    = "close"    // the episode ends
	evTo       = "to_"      // to_<talk> begins a talk
)

// States beside the screens. A screen's state is talk.screen, its junction
// talk.?screen, and a talk closes in talk.end.
const (
	StateNew    = "new"
	StateRest   = "rest"
	StateClosed = "closed"
)

// A table is the dialogue of one protocol version as a finite-state machine:
// checked rows first, looplab/fsm built from them and nothing else.
type table struct {
	rows    map[[2]string]string // {state, event} -> state; the truth
	events  fsm.Events
	screens map[string]place
	pool    sync.Pool
}

// A place is where a state stands in the protocol.
type place struct {
	talk     *protocol.Talk
	index    int
	screen   *protocol.Screen
	junction bool
	end      bool
}

func stateOf(talk, screen string) string { return talk + "." + screen }

// newTable compiles and checks the table of p.
func newTable(p *protocol.Protocol) (*table, error) {
	t := &table{rows: map[[2]string]string{}, screens: map[string]place{}}
	var faults []error
	add := func(from, event, to string) {
		key := [2]string{from, event}
		if had, twice := t.rows[key]; twice && had != to {
			faults = append(faults, fmt.Errorf("state %s has two rows for %s: %s and %s", from, event, had, to))
		}
		t.rows[key] = to
	}
	for _, name := range p.TalkSeq {
		t.addTalk(p.Talks[name], add)
	}
	var emergency, first string
	for _, name := range p.TalkSeq {
		switch talk := p.Talks[name]; talk.Kind {
		case protocol.Emergent:
			emergency = entry(talk, 0)
		case protocol.First:
			first = evTo + name
		}
	}
	for _, s := range t.states() {
		for _, name := range p.TalkSeq {
			if s != StateClosed || evTo+name == first {
				add(s, evTo+name, entry(p.Talks[name], 0))
			}
		}
		if s != StateClosed && s != StateNew {
			add(s, evDanger, emergency)
			add(s, evStop, StateRest)
			add(s, evClose, StateClosed)
		}
	}
	faults = append(faults, t.check()...)
	for key, to := range t.rows {
		t.events = append(t.events, fsm.EventDesc{Name: key[1], Src: []string{key[0]}, Dst: to})
	}
	t.pool.New = func() any { return fsm.NewFSM(StateNew, t.events, fsm.Callbacks{}) }
	return t, errors.Join(faults...)
}

// entry is the state in which screen i of a talk is entered: its junction
// where it may be skipped, and the talk's end after the last one.
func entry(t *protocol.Talk, i int) string {
	if i >= len(t.Screens) {
		return stateOf(t.Name, "end")
	}
	s := t.Screens[i]
	first := s.Section == "" || i == 0 || t.Screens[i-1].Section != s.Section
	if s.Conditional() && first {
		return stateOf(t.Name, "?"+s.Name)
	}
	return stateOf(t.Name, s.Name)
}

// past is the index of the first screen after i and its section.
func past(t *protocol.Talk, i int) int {
	next := i + 1
	for section := t.Screens[i].Section; section != "" && next < len(t.Screens) && t.Screens[next].Section == section; {
		next++
	}
	return next
}

func (t *table) addTalk(talk *protocol.Talk, add func(from, event, to string)) {
	for i := range talk.Screens {
		s := &talk.Screens[i]
		at := stateOf(talk.Name, s.Name)
		t.screens[at] = place{talk: talk, index: i, screen: s}
		add(at, evAnswered, entry(talk, i+1))
		add(at, evAgain, at)
		if i > 0 {
			add(at, evBack, stateOf(talk.Name, talk.Screens[i-1].Name))
		}
		if in := entry(talk, i); in != at {
			t.screens[in] = place{talk: talk, index: i, screen: s, junction: true}
			add(in, evAsk, at)
			add(in, evSkip, entry(talk, past(talk, i)))
		}
	}
	t.screens[stateOf(talk.Name, "end")] = place{talk: talk, index: len(talk.Screens), end: true}
}

// states lists every state, in order.
func (t *table) states() []string {
	list := []string{StateNew, StateRest, StateClosed}
	for s := range t.screens {
		list = append(list, s)
	}
	slices.Sort(list)
	return list
}

// check finds states that can't be reached, and states from which the episode
// can't end: a person would be caught there.
func (t *table) check() []error {
	var faults []error
	reached := t.closure(StateNew, func(from, to string) (string, string) { return from, to })
	ends := t.closure(StateClosed, func(from, to string) (string, string) { return to, from })
	for _, s := range t.states() {
		if !reached[s] {
			faults = append(faults, fmt.Errorf("state %s can't be reached", s))
		}
		if !ends[s] {
			faults = append(faults, fmt.Errorf("from state %s the episode can't end", s))
		}
		if strings.HasPrefix(s, evTo) {
			faults = append(faults, fmt.Errorf("state %s looks like an event; rename the talk", s))
		}
	}
	return faults
}

func (t *table) closure(start string, way func(from, to string) (string, string)) map[string]bool {
	next := map[string][]string{}
	for key, to := range t.rows {
		a, b := way(key[0], to)
		next[a] = append(next[a], b)
	}
	seen, work := map[string]bool{start: true}, []string{start}
	for len(work) > 0 {
		s := work[0]
		work = work[1:]
		for _, n := range next[s] {
			if !seen[n] {
				seen[n] = true
				work = append(work, n)
			}
		}
	}
	return seen
}

// move takes one event in one state. A state that the table does not know (an
// old stored one) is an error, never a guess.
func (t *table) move(state, event string) (string, error) {
	if _, ok := t.screens[state]; !ok && state != StateNew && state != StateRest && state != StateClosed {
		return "", fmt.Errorf("this protocol has no state %q", state)
	}
	m, ok := t.pool.Get().(*fsm.FSM)
	if !ok {
		return "", errors.New("the pool holds no machine")
	}
	m.SetState(state)
	err := m.Event(context.Background(), event)
	if _, same := errors.AsType[fsm.NoTransitionError](err); same {
		err = nil // asking again is a move too
	}
	if err != nil {
		return "", fmt.Errorf("state %s: %w", state, err) // the machine is dropped: after an error it may be stuck
	}
	to := m.Current()
	t.pool.Put(m)
	return to, nil
}

// then is the talk that follows at a disposition.
func then(t *protocol.Talk, d care.Disposition) string {
	if next, ok := t.Then[d]; ok {
		return next
	}
	return protocol.Rest
}
