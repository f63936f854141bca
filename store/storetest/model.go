package storetest

import (
	"errors"
	"maps"
	"slices"
	"strings"
	"time"

	"turnstone/store"
)

// A model is the promise as simply as it can be said: what every store must
// answer, in memory and one call at a time.
type model struct {
	slack  time.Duration
	people map[string]*modelPerson
	leases [2]map[string]modelLease
	named  map[string]modelNamed
}

type modelPerson struct {
	etag  store.Etag
	bytes string
	due   [2]time.Time
	log   []string
	kept  map[string]store.Kept
}

type modelNamed struct {
	value   string
	expires time.Time
	etag    uint64 // as the store gave it; 0 until it has been read
}

// A span is the time between just before and just after a call. A store with a
// clock of its own did what it did somewhere in it; otherwise it is a moment.
type span struct{ from, to time.Time }

type modelLease struct {
	span
	length  time.Duration
	perhaps bool // the commit that would take it was sent just when the time came
}

// An answer about time: between no and yes lies what the span leaves open.
type answer int

const (
	no answer = iota
	maybe
	yes
)

func newModel(slack time.Duration) *model {
	return &model{
		slack: slack, people: map[string]*modelPerson{}, named: map[string]modelNamed{},
		leases: [2]map[string]modelLease{{}, {}},
	}
}

// come tells whether the moment t has come at now.
func (m *model) come(t time.Time, now span) answer {
	switch {
	case t.IsZero() || t.After(now.to.Add(m.slack)):
		return no
	case t.After(now.from.Add(-m.slack)):
		return maybe
	}
	return yes
}

// free tells whether nobody has a lease on person in lane.
func (m *model) free(lane store.Lane, person string, now span) answer {
	l, held := m.leases[lane][person]
	switch {
	case !held || now.from.Sub(l.to) >= l.length+m.slack:
		return yes
	case !l.perhaps && now.to.Sub(l.from) < l.length-m.slack:
		return no
	}
	return maybe
}

func (m *model) commit(w store.Write, now span) error {
	p := m.people[w.Person]
	switch {
	case p == nil && w.Bytes == nil: // erased is erased
	case p == nil && w.Read != (store.Etag{}):
		return store.ErrStale
	case p != nil && p.etag == w.Next:
		return nil
	case p != nil && p.etag != w.Read:
		return store.ErrStale
	}
	for _, n := range w.Named {
		m.set(n)
	}
	for lane := range m.leases {
		delete(m.leases[lane], w.Person)
		if come := m.come(w.Due[lane], now); w.Lease[lane] > 0 && come != no {
			m.leases[lane][w.Person] = modelLease{now, w.Lease[lane], come == maybe}
		}
	}
	if w.Bytes == nil {
		delete(m.people, w.Person)
		return nil
	}
	if p == nil {
		p = &modelPerson{kept: map[string]store.Kept{}}
		m.people[w.Person] = p
	}
	p.etag, p.bytes, p.due = w.Next, string(w.Bytes), w.Due
	p.log = append(p.log, texts(w.Log)...)
	for _, k := range w.Keep {
		p.kept[k.ID] = k
	}
	return nil
}

// claimed takes what a store has handed out, or says why it should not have.
func (m *model) claimed(lane store.Lane, got []string, n int, length time.Duration, now span) error {
	for i, person := range got {
		p := m.people[person]
		if p == nil || m.come(p.due[lane], now) == no || m.free(lane, person, now) == no || slices.Contains(got[:i], person) {
			return errors.New(person + " was not to be handed out")
		}
	}
	if len(got) > n {
		return errors.New("more were handed out than asked for")
	}
	for person, p := range m.people {
		if len(got) < n && !slices.Contains(got, person) && m.come(p.due[lane], now) == yes && m.free(lane, person, now) == yes {
			return errors.New(person + " was to be handed out")
		}
	}
	for _, person := range got {
		m.leases[lane][person] = modelLease{now, length, false}
	}
	return nil
}

// next returns between which moments the next person can be claimed.
func (m *model) next(lane store.Lane, now span) (early, late time.Time, ok bool) {
	for person, p := range m.people {
		if p.due[lane].IsZero() {
			continue
		}
		from, to := p.due[lane], p.due[lane]
		l := m.leases[lane][person]
		switch m.free(lane, person, now) {
		case no:
			from = latest(from, l.from.Add(l.length))
			fallthrough
		default: // a lease that is over may still be what places the person
			if _, held := m.leases[lane][person]; held {
				to = latest(to, l.to.Add(l.length))
			}
		}
		if !ok || from.Before(early) {
			early = from
		}
		if !ok || to.Before(late) {
			late = to
		}
		ok = true
	}
	return early, late, ok
}

func latest(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// at returns what is to be found under key; sure is false if that hangs on the clock.
func (m *model) at(key string, now span) (n modelNamed, there, sure bool) {
	n, there = m.named[key]
	gone := m.come(n.expires, now)
	return n, there && gone == no, !there || gone != maybe
}

func (m *model) set(n store.NamedWrite) {
	if n.Bytes == nil {
		delete(m.named, n.Key)
		return
	}
	m.named[n.Key] = modelNamed{value: string(n.Bytes), expires: n.Expires}
}

func (m *model) kept(person string, now span) (ids []string, sure bool) {
	sure = true
	if p := m.people[person]; p != nil {
		for id, k := range p.kept {
			gone := m.come(k.Until, now)
			sure = sure && gone != maybe
			if gone == no {
				ids = append(ids, id+"="+string(k.Bytes))
			}
		}
	}
	slices.Sort(ids)
	return ids, sure
}

func (m *model) keys(prefix string, now span) (keys []string, sure bool) {
	sure = true
	for _, key := range slices.Sorted(maps.Keys(m.named)) {
		_, there, certain := m.at(key, now)
		sure = sure && certain
		if there && strings.HasPrefix(key, prefix) {
			keys = append(keys, key)
		}
	}
	return keys, sure
}
