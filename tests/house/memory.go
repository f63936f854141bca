package house

import (
	"bytes"
	"context"
	"fmt"
	"iter"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"turnstone/store"
)

// A Memory is a store without a disk. It keeps the whole promise of package
// store (its test asks storetest), so that what holds on it holds on the others.
type Memory struct {
	clock func() time.Time
	wake  chan struct{}

	mu     sync.Mutex
	closed bool
	people map[string]*stored
	leases [2]map[string]lease
	named  map[string]store.Named
	etags  uint64
}

type stored struct {
	record store.Record
	due    [2]int64 // milliseconds, -1 where nothing is due
	log    [][]byte
	kept   []store.Kept
}

// A lease ends at taken+length; a clock set back before taken counts it anew.
type lease struct {
	taken  time.Time
	length time.Duration
}

// NewMemory is empty.
func NewMemory(clock func() time.Time) *Memory {
	return &Memory{
		clock: clock, wake: make(chan struct{}, 1), people: map[string]*stored{},
		leases: [2]map[string]lease{{}, {}}, named: map[string]store.Named{},
	}
}

// enter locks, unless the context has ended or the store is closed.
func (m *Memory) enter(ctx context.Context) (leave func(), err error) {
	m.mu.Lock()
	switch {
	case ctx.Err() != nil:
		err = ctx.Err()
	case m.closed:
		err = fmt.Errorf("closed: %w", store.ErrDown)
	}
	if err != nil {
		m.mu.Unlock()
		return nil, err
	}
	return m.mu.Unlock, nil
}

// Load returns the zero record for an unknown person.
func (m *Memory) Load(ctx context.Context, person string) (store.Record, error) {
	if err := store.CheckPerson(person); err != nil {
		return store.Record{}, err
	}
	leave, err := m.enter(ctx)
	if err != nil {
		return store.Record{}, err
	}
	defer leave()
	p := m.people[person]
	if p == nil {
		return store.Record{}, nil
	}
	return store.Record{Etag: p.record.Etag, Bytes: bytes.Clone(p.record.Bytes)}, nil
}

// Commit writes all of w or nothing.
func (m *Memory) Commit(ctx context.Context, w store.Write) error {
	if err := w.Check(); err != nil {
		return err
	}
	leave, err := m.enter(ctx)
	if err != nil {
		return err
	}
	defer leave()
	p := m.people[w.Person]
	switch {
	case p != nil && p.record.Etag == w.Next:
		return nil
	case p != nil && p.record.Etag != w.Read, p == nil && w.Read != store.Etag{} && w.Bytes != nil:
		return fmt.Errorf("%s: %w", w.Person, store.ErrStale)
	}
	for _, n := range w.Named {
		m.set(n.Key, n.Bytes, n.Expires)
	}
	m.write(w, p)
	return nil
}

func (m *Memory) write(w store.Write, p *stored) {
	delete(m.leases[store.Urgent], w.Person)
	delete(m.leases[store.Routine], w.Person)
	if w.Bytes == nil {
		delete(m.people, w.Person)
		m.ring()
		return
	}
	if p == nil {
		p = &stored{}
		m.people[w.Person] = p
	}
	p.record = store.Record{Etag: w.Next, Bytes: bytes.Clone(w.Bytes)}
	for lane, at := range w.Due {
		p.due[lane] = -1
		if at.IsZero() {
			continue
		}
		p.due[lane] = store.Millis(at)
		if w.Lease[lane] > 0 && p.due[lane] <= w.Now.UnixMilli() {
			m.leases[lane][w.Person] = lease{w.Now, w.Lease[lane]}
		}
	}
	for _, l := range w.Log {
		p.log = append(p.log, bytes.Clone(l))
	}
	for _, k := range w.Keep {
		p.kept = slices.DeleteFunc(p.kept, func(have store.Kept) bool { return have.ID == k.ID })
		p.kept = append(p.kept, store.Kept{ID: k.ID, Until: k.Until, Bytes: bytes.Clone(k.Bytes)})
	}
	m.ring()
}

func (m *Memory) ring() {
	select {
	case m.wake <- struct{}{}:
	default:
	}
}

// Wake is rung when something may be claimable earlier than before.
func (m *Memory) Wake() <-chan struct{} { return m.wake }

// ends is when person can be claimed in lane as far as leases go.
func (m *Memory) ends(lane store.Lane, person string) time.Time {
	l, held := m.leases[lane][person]
	if !held {
		return time.Time{}
	}
	now := m.clock()
	if now.Before(l.taken) {
		l.taken = now
		m.leases[lane][person] = l
	}
	if !l.taken.Add(l.length).After(now) {
		delete(m.leases[lane], person) // over for good, also if the clock is set back
		return time.Time{}
	}
	return l.taken.Add(l.length)
}

// Claim hands out who is due, the longest due first.
func (m *Memory) Claim(ctx context.Context, now time.Time, lane store.Lane, n int, length time.Duration) ([]string, error) {
	if lane > store.Routine || n < 0 || length <= 0 || now.IsZero() {
		return nil, fmt.Errorf("claim: %w", store.ErrInvalid)
	}
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	var list []string
	for person, p := range m.people {
		if at := p.due[lane]; at >= 0 && at <= now.UnixMilli() && !m.ends(lane, person).After(now) {
			list = append(list, person)
		}
	}
	slices.SortFunc(list, func(a, b string) int {
		if d := m.people[a].due[lane] - m.people[b].due[lane]; d != 0 {
			return int(d)
		}
		return strings.Compare(a, b)
	})
	list = list[:min(n, len(list))]
	for _, person := range list {
		m.leases[lane][person] = lease{now, length}
	}
	return list, nil
}

// Release ends a lease early.
func (m *Memory) Release(person string, lane store.Lane) {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.leases[lane], person)
	m.ring()
}

// NextDue is when the next person can be claimed.
func (m *Memory) NextDue(ctx context.Context, lane store.Lane) (at time.Time, ok bool, err error) {
	if lane > store.Routine {
		return at, false, fmt.Errorf("next due: %w", store.ErrInvalid)
	}
	leave, err := m.enter(ctx)
	if err != nil {
		return at, false, err
	}
	defer leave()
	for person, p := range m.people {
		if p.due[lane] < 0 {
			continue
		}
		t := time.UnixMilli(p.due[lane])
		if end := m.ends(lane, person); end.After(t) {
			t = end
		}
		if !ok || t.Before(at) {
			at, ok = t, true
		}
	}
	return at, ok, nil
}

// Log returns the lines in the order of their commits.
func (m *Memory) Log(ctx context.Context, person string) ([][]byte, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	var lines [][]byte
	if p := m.people[person]; p != nil {
		for _, l := range p.log {
			lines = append(lines, bytes.Clone(l))
		}
	}
	return lines, nil
}

// Kept returns the finished episodes whose day has not come.
func (m *Memory) Kept(ctx context.Context, person string) ([]store.Kept, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	var list []store.Kept
	if p := m.people[person]; p != nil {
		for _, k := range p.kept {
			if store.Millis(k.Until) > m.clock().UnixMilli() {
				list = append(list, store.Kept{ID: k.ID, Until: k.Until, Bytes: bytes.Clone(k.Bytes)})
			}
		}
	}
	slices.SortFunc(list, func(a, b store.Kept) int { return strings.Compare(a.ID, b.ID) })
	return list, nil
}

// Retire removes kept episodes and named values whose day has come.
func (m *Memory) Retire(ctx context.Context, now time.Time) (int, error) {
	if now.IsZero() {
		return 0, fmt.Errorf("retire: %w", store.ErrInvalid)
	}
	leave, err := m.enter(ctx)
	if err != nil {
		return 0, err
	}
	defer leave()
	n := 0
	for _, p := range m.people {
		before := len(p.kept)
		p.kept = slices.DeleteFunc(p.kept, func(k store.Kept) bool { return store.Millis(k.Until) <= now.UnixMilli() })
		n += before - len(p.kept)
	}
	for key, v := range m.named {
		if !v.Expires.IsZero() && store.Millis(v.Expires) <= now.UnixMilli() {
			delete(m.named, key)
			n++
		}
	}
	return n, nil
}

// set writes a named value, whatever is there.
func (m *Memory) set(key string, value []byte, expires time.Time) {
	if value == nil {
		delete(m.named, key)
		return
	}
	m.etags++
	m.named[key] = store.Named{Key: key, Bytes: bytes.Clone(value), Etag: m.etags, Expires: expires}
}

// get is a named value that has not expired.
func (m *Memory) get(key string) (store.Named, bool) {
	v, ok := m.named[key]
	if !ok || !v.Expires.IsZero() && store.Millis(v.Expires) <= m.clock().UnixMilli() {
		return store.Named{}, false
	}
	return v, true
}

// Get returns a named value.
func (m *Memory) Get(ctx context.Context, key string) (value []byte, etag uint64, ok bool, err error) {
	if err := store.CheckNamed(store.NamedWrite{Key: key}); err != nil {
		return nil, 0, false, err
	}
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, 0, false, err
	}
	defer leave()
	v, ok := m.get(key)
	return bytes.Clone(v.Bytes), v.Etag, ok, nil
}

// Put writes a named value if the etag fits.
func (m *Memory) Put(ctx context.Context, key string, value []byte, etag uint64, expires time.Time) error {
	if value == nil {
		value = []byte{}
	}
	return m.change(ctx, key, value, etag, expires)
}

// Delete removes a named value if the etag fits.
func (m *Memory) Delete(ctx context.Context, key string, etag uint64) error {
	return m.change(ctx, key, nil, etag, time.Time{})
}

func (m *Memory) change(ctx context.Context, key string, value []byte, etag uint64, expires time.Time) error {
	if err := store.CheckNamed(store.NamedWrite{Key: key, Bytes: value}); err != nil {
		return err
	}
	leave, err := m.enter(ctx)
	if err != nil {
		return err
	}
	defer leave()
	if v, _ := m.get(key); etag != store.AnyEtag && v.Etag != etag {
		return fmt.Errorf("key %q: %w", key, store.ErrStale)
	}
	m.set(key, value, expires)
	return nil
}

// List returns the named values under a prefix.
func (m *Memory) List(ctx context.Context, prefix string) ([]store.Named, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	var list []store.Named
	for _, key := range slices.Sorted(maps.Keys(m.named)) {
		if v, ok := m.get(key); ok && strings.HasPrefix(key, prefix) {
			v.Bytes = bytes.Clone(v.Bytes)
			list = append(list, v)
		}
	}
	return list, nil
}

// People goes through everybody.
func (m *Memory) People(ctx context.Context) iter.Seq2[string, error] {
	return func(yield func(string, error) bool) {
		leave, err := m.enter(ctx)
		if err != nil {
			yield("", err)
			return
		}
		list := slices.Sorted(maps.Keys(m.people))
		leave()
		for _, p := range list {
			if !yield(p, nil) {
				return
			}
		}
	}
}

// Close ends it.
func (m *Memory) Close() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.closed = true
	return nil
}
