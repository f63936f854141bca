package storetest

import (
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"turnstone/store"
)

// Few people and few keys, so that a short history meets each of them again.
var (
	historyPeople = []string{"a", "b", "c", "d"}
	historyKeys   = []string{"k/1", "k/2", "j"}
)

// histories does the same random things to a store and to the model.
func histories(t *testing.T, open func(t *testing.T) *Subject) {
	rapid.Check(t, func(rt *rapid.T) {
		s := open(t)
		h := &history{T: rt, Subject: s, model: newModel(s.Slack), reads: map[string][]store.Etag{}, etags: map[string][]uint64{}}
		defer func() {
			if err := h.Store.Close(); err != nil {
				rt.Fatalf("close: %v", err)
			}
		}()
		rt.Repeat(map[string]func(*rapid.T){
			"":       h.compare,
			"commit": h.commit, "again": h.again, "claim": h.claim, "release": h.release,
			"named": h.change, "pass": h.pass, "crash": h.crash, "retire": h.retire,
		})
	})
}

type history struct {
	*rapid.T
	*Subject
	model  *model
	last   *store.Write
	reads  map[string][]store.Etag // every etag a person ever had
	etags  map[string][]uint64     // every etag a key ever had
	values int
}

// during runs call and returns the span that it took.
func (h *history) during(call func() error) (span, error) {
	from := h.Now()
	err := call()
	return span{from, h.Now()}, err
}

func (h *history) now() span { now := h.Now(); return span{now, now} }

func (h *history) must(err error) {
	h.Helper()
	if err != nil {
		h.Fatalf("%v", err)
	}
}

func (h *history) commit(rt *rapid.T) {
	person := rapid.SampledFrom(historyPeople).Draw(rt, "person")
	read := store.Etag{}
	if p := h.model.people[person]; p != nil {
		read = p.etag
	}
	if old := h.reads[person]; len(old) > 0 && rapid.IntRange(0, 4).Draw(rt, "stale") == 0 {
		read = rapid.SampledFrom(append(old, store.Etag{})).Draw(rt, "read")
	}
	w := store.Write{Person: person, Read: read, Next: read.Next(nonce()), Now: h.Now()}
	if rapid.IntRange(0, 9).Draw(rt, "erase") > 0 {
		h.fill(rt, &w)
	}
	if rapid.Bool().Draw(rt, "with a named value") {
		w.Named = []store.NamedWrite{h.namedWrite(rt)}
	}
	h.last = &w
	h.send(w)
}

func (h *history) fill(rt *rapid.T, w *store.Write) {
	now := h.Now()
	w.Bytes = h.value()
	for lane := range w.Due {
		w.Due[lane] = rapid.SampledFrom([]time.Time{
			{}, time.Unix(0, 0), now.Add(-time.Hour), now.Add(-2 * h.Slack), now.Add(h.Lease / 2), now.Add(time.Hour),
		}).Draw(rt, "due")
		w.Lease[lane] = rapid.SampledFrom([]time.Duration{0, h.Lease}).Draw(rt, "lease")
	}
	for range rapid.IntRange(0, 2).Draw(rt, "lines") {
		w.Log = append(w.Log, h.value())
	}
	if rapid.Bool().Draw(rt, "keep") {
		w.Keep = []store.Kept{{ID: rapid.SampledFrom([]string{"x", "y"}).Draw(rt, "ID"), Until: h.soon(rt), Bytes: h.value()}}
	}
}

// value returns bytes that no other value of the history has.
func (h *history) value() []byte {
	h.values++
	return fmt.Appendf(nil, "value %d", h.values)
}

func (h *history) soon(rt *rapid.T) time.Time {
	return h.Now().Add(rapid.SampledFrom([]time.Duration{h.Lease / 2, h.Lease, time.Hour}).Draw(rt, "until"))
}

func (h *history) namedWrite(rt *rapid.T) store.NamedWrite {
	n := store.NamedWrite{Key: rapid.SampledFrom(historyKeys).Draw(rt, "key")}
	if rapid.IntRange(0, 3).Draw(rt, "delete") > 0 {
		n.Bytes = h.value()
		if rapid.Bool().Draw(rt, "expires") {
			n.Expires = h.soon(rt)
		}
	}
	return n
}

// again sends the last write once more, as somebody does who got no answer.
func (h *history) again(rt *rapid.T) {
	if h.last == nil {
		rt.SkipNow() // rapid draws another action
	}
	h.send(*h.last)
}

func (h *history) send(w store.Write) {
	h.wakes(func() {
		took, err := h.during(func() error { return h.Store.Commit(background, w) })
		if want := h.model.commit(w, took); !errors.Is(err, want) || (want == nil && err != nil) {
			h.Fatalf("commit of %s at version %d: got %v, want %v", w.Person, w.Next.Version(), err, want)
		}
		if err == nil {
			h.reads[w.Person] = append(h.reads[w.Person], w.Next)
		}
	})
}

// wakes runs call and fails if it made somebody claimable earlier without a ring.
func (h *history) wakes(call func()) {
	select {
	case <-h.Store.Wake():
	default:
	}
	type due struct {
		early, late time.Time
		ok          bool
	}
	next := func() (d [2]due) {
		for lane := range d {
			d[lane].early, d[lane].late, d[lane].ok = h.model.next(store.Lane(lane), h.now())
		}
		return d
	}
	before := next()
	call()
	for lane, after := range next() {
		if !after.ok || (before[lane].ok && !after.late.Before(before[lane].early)) {
			continue
		}
		select {
		case <-h.Store.Wake():
			return
		default:
			h.Fatalf("nobody was woken although the %v lane is due at %v", store.Lane(lane), after.late)
		}
	}
}

func (h *history) claim(rt *rapid.T) {
	lane := store.Lane(rapid.IntRange(0, 1).Draw(rt, "lane"))
	n := rapid.IntRange(1, 5).Draw(rt, "n")
	var got []string
	took, err := h.during(func() (err error) {
		got, err = h.Store.Claim(background, h.Now(), lane, n, h.Lease)
		return err
	})
	h.must(err)
	if err := h.model.claimed(lane, got, n, h.Lease, took); err != nil {
		h.Fatalf("claim of %d in the %v lane: got %q, but %v", n, lane, got, err)
	}
}

func (h *history) release(rt *rapid.T) {
	person := rapid.SampledFrom(historyPeople).Draw(rt, "person")
	lane := store.Lane(rapid.IntRange(0, 1).Draw(rt, "lane"))
	h.wakes(func() {
		h.Store.Release(person, lane)
		delete(h.model.leases[lane], person)
	})
}

func (h *history) change(rt *rapid.T) {
	n := h.namedWrite(rt)
	there, found, sure := h.model.at(n.Key, h.now())
	if !sure {
		rt.SkipNow() // rapid draws another action
	}
	current := there.etag
	if !found {
		current = 0
	}
	choices := []uint64{0, store.AnyEtag, current, current}
	etag := rapid.SampledFrom(append(choices, h.etags[n.Key]...)).Draw(rt, "etag")
	took, err := h.during(func() error {
		if n.Bytes == nil {
			return h.Store.Delete(background, n.Key, etag)
		}
		return h.Store.Put(background, n.Key, n.Bytes, etag, n.Expires)
	})
	if _, _, sure := h.model.at(n.Key, took); !sure { // it went while the call was on its way
		if err == nil {
			h.model.set(n)
		} else if !errors.Is(err, store.ErrStale) {
			h.must(err)
		}
		return
	}
	if etag != store.AnyEtag && etag != current {
		if !errors.Is(err, store.ErrStale) {
			h.Fatalf("change of %s with etag %d where %d is there: got %v, want ErrStale", n.Key, etag, current, err)
		}
		return
	}
	h.must(err)
	h.model.set(n)
}

func (h *history) pass(rt *rapid.T) {
	h.Pass(rapid.SampledFrom([]time.Duration{time.Millisecond, h.Lease / 4, h.Lease/2 + h.Slack, h.Lease + h.Slack}).Draw(rt, "passes"))
}

func (h *history) crash(*rapid.T) {
	h.Store = h.Crash()
	if !h.LeasesSurvive {
		h.model.leases = newModel(0).leases
	}
}

func (h *history) retire(*rapid.T) {
	_, err := h.Store.Retire(background, h.Now())
	h.must(err)
}

// compare asks the store for everything and holds it against the model.
func (h *history) compare(rt *rapid.T) {
	for _, person := range historyPeople {
		h.comparePerson(person)
	}
	var people []string
	for p, err := range h.Store.People(background) {
		h.must(err)
		people = append(people, p)
	}
	if slices.Sort(people); len(people) != len(h.model.people) {
		h.Fatalf("people: got %q, want %d", people, len(h.model.people))
	}
	for lane := range store.Routine + 1 {
		h.compareNext(lane)
	}
	for _, key := range historyKeys {
		h.compareNamed(key)
	}
	h.compareList(rapid.SampledFrom([]string{"", "k/", "x"}).Draw(rt, "prefix"))
}

func (h *history) comparePerson(person string) {
	want := h.model.people[person]
	if want == nil {
		want = &modelPerson{}
	}
	r, err := h.Store.Load(background, person)
	h.must(err)
	lines, err := h.Store.Log(background, person)
	h.must(err)
	if r.Etag != want.etag || string(r.Bytes) != want.bytes || !slices.Equal(texts(lines), want.log) {
		h.Fatalf("%s: got %q at version %d with the log %q, want %q at version %d with %q",
			person, r.Bytes, r.Etag.Version(), texts(lines), want.bytes, want.etag.Version(), want.log)
	}
	var got []string
	took, err := h.during(func() error {
		kept, err := h.Store.Kept(background, person)
		for _, k := range kept {
			got = append(got, k.ID+"="+string(k.Bytes))
		}
		return err
	})
	h.must(err)
	if want, sure := h.model.kept(person, took); sure && !slices.Equal(got, want) {
		h.Fatalf("%s: kept %q, want %q", person, got, want)
	}
}

func (h *history) compareNext(lane store.Lane) {
	var got time.Time
	var ok bool
	took, err := h.during(func() (err error) {
		got, ok, err = h.Store.NextDue(background, lane)
		return err
	})
	h.must(err)
	early, late, want := h.model.next(lane, took)
	if ok != want || ok && (store.Millis(got) < store.Millis(early.Add(-h.Slack)) || store.Millis(got) > store.Millis(late.Add(h.Slack))) {
		h.Fatalf("next due in the %v lane: got %v, %v; want %v to %v, %v", lane, got, ok, early, late, want)
	}
}

func (h *history) compareNamed(key string) {
	var value []byte
	var etag uint64
	var ok bool
	took, err := h.during(func() (err error) {
		value, etag, ok, err = h.Store.Get(background, key)
		return err
	})
	h.must(err)
	want, there, sure := h.model.at(key, took)
	if sure && (ok != there || ok && string(value) != want.value || ok && want.etag != 0 && etag != want.etag) {
		h.Fatalf("%s: got %q with etag %d, %v; want %q with %d, %v", key, value, etag, ok, want.value, want.etag, there)
	}
	if ok && want.etag == 0 {
		if slices.Contains(h.etags[key], etag) {
			h.Fatalf("%s: the etag %d came back", key, etag)
		}
		want.etag = etag
		h.model.named[key] = want
		h.etags[key] = append(h.etags[key], etag)
	}
}

func (h *history) compareList(prefix string) {
	var got []string
	took, err := h.during(func() error {
		named, err := h.Store.List(background, prefix)
		for _, n := range named {
			got = append(got, n.Key)
		}
		return err
	})
	h.must(err)
	if want, sure := h.model.keys(prefix, took); sure && !slices.Equal(got, want) {
		h.Fatalf("list of %q: got %q, want %q", prefix, got, want)
	}
}
