package storetest

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"turnstone/store"
)

var raceCases = []question{
	{"of 64 writers of one version exactly one wins", oneWinner},
	{"64 writers of one person make versions without a gap", noGap},
	{"the same write from two at once is one version", func(a *asker) {
		for range 20 {
			w := a.write("p", func(w *store.Write) { w.Log = [][]byte{[]byte("x")} })
			a.atOnce(2, func(int) error {
				return a.Store.Commit(background, w)
			})
			a.wantRecord("p", w.Next, "record")
			lines, err := a.Store.Log(background, "p")
			a.want(err, nil)
			if got, want := len(lines), int(w.Next.Version()); got != want {
				a.Fatalf("%d log lines at version %d", got, want)
			}
		}
	}},
	{"who reads meanwhile never sees half a commit", neverHalf},
	{"8 claimers of 10,000 hand out each person once", eachOnce},
}

// atOnce runs n calls side by side and fails on the first error.
func (a *asker) atOnce(n int, call func(i int) error) {
	a.Helper()
	errs := make([]error, n)
	var wg sync.WaitGroup
	for i := range n {
		wg.Go(func() { errs[i] = call(i) })
	}
	wg.Wait()
	a.want(errors.Join(errs...), nil)
}

// crowd commits n numbered people, each in its first version.
func (a *asker) crowd(n int, change func(i int, w *store.Write)) {
	a.Helper()
	const writers = 64
	now := a.Now()
	a.atOnce(writers, func(first int) error {
		for i := first; i < n; i += writers {
			w := store.Write{Person: numbered(i), Next: store.Etag{}.Next(nonce()), Bytes: []byte("record"), Now: now}
			if change != nil {
				change(i, &w)
			}
			if err := a.Store.Commit(background, w); err != nil {
				return err
			}
		}
		return nil
	})
}

func oneWinner(a *asker) {
	for round := range 5 {
		read := a.load("p").Etag
		var wins, stales sync.Map
		a.atOnce(64, func(i int) error {
			w := store.Write{Person: "p", Read: read, Next: read.Next(nonce()), Bytes: fmt.Append(nil, i), Log: [][]byte{fmt.Append(nil, i)}, Now: a.Now()}
			switch err := a.Store.Commit(background, w); {
			case err == nil:
				wins.Store(i, w.Next)
			case errors.Is(err, store.ErrStale):
				stales.Store(i, true)
			default:
				return err
			}
			return nil
		})
		if won, lost := size(&wins), size(&stales); won != 1 || lost != 63 {
			a.Fatalf("round %d: %d won and %d were stale", round, won, lost)
		}
		wins.Range(func(i, etag any) bool {
			a.wantRecord("p", etag.(store.Etag), fmt.Sprint(i))
			return true
		})
	}
	if lines, err := a.Store.Log(background, "p"); err != nil || len(lines) != 5 {
		a.Fatalf("%d log lines after 5 versions (%v)", len(lines), err)
	}
}

func size(m *sync.Map) (n int) {
	m.Range(func(any, any) bool { n++; return true })
	return n
}

func noGap(a *asker) {
	const writers, each = 64, 3
	a.atOnce(writers, func(int) error {
		for done := 0; done < each; {
			r, err := a.Store.Load(background, "p")
			if err != nil {
				return err
			}
			next := r.Etag.Next(nonce())
			w := store.Write{Person: "p", Read: r.Etag, Next: next, Bytes: []byte("record"), Log: [][]byte{fmt.Append(nil, next.Version())}, Now: a.Now()}
			switch err := a.Store.Commit(background, w); {
			case err == nil:
				done++
			case !errors.Is(err, store.ErrStale):
				return err
			}
		}
		return nil
	})
	var want []string
	for v := range writers * each {
		want = append(want, fmt.Sprint(v+1))
	}
	a.wantLog("p", want...)
	if got := a.load("p").Etag.Version(); got != writers*each {
		a.Fatalf("got version %d, want %d", got, writers*each)
	}
}

// neverHalf reads in the order that can show a half: the record first, then
// what must be at least as new.
func neverHalf(a *asker) {
	const versions = 40
	a.atOnce(5, func(i int) error {
		if i == 0 {
			read := store.Etag{}
			for v := 1; v <= versions; v++ {
				text := fmt.Append(nil, v)
				next := read.Next(nonce())
				if err := a.Store.Commit(background, store.Write{
					Person: "p", Read: read, Next: next, Bytes: text, Log: [][]byte{text}, Now: a.Now(),
					Named: []store.NamedWrite{{Key: "version", Bytes: text}},
				}); err != nil {
					return err
				}
				read = next
			}
			return nil
		}
		for version := 0; version < versions; {
			r, err := a.Store.Load(background, "p")
			lines, lerr := a.Store.Log(background, "p")
			value, _, _, gerr := a.Store.Get(background, "version")
			if err := errors.Join(err, lerr, gerr); err != nil {
				return err
			}
			version = int(r.Etag.Version())
			named := 0
			if len(value) > 0 {
				if _, err := fmt.Sscan(string(value), &named); err != nil {
					return err
				}
			}
			if len(lines) < version || named < len(lines) {
				return fmt.Errorf("saw version %d, then %d log lines, then the named value of version %d", version, len(lines), named)
			}
		}
		return nil
	})
}

func eachOnce(a *asker) {
	const people, claimers, atOnce = 10_000, 8, 50
	past := a.Now().Add(-time.Hour)
	a.crowd(people, func(i int, w *store.Write) {
		w.Due[store.Routine] = past.Add(time.Duration(i%1000) * time.Millisecond)
	})
	claimed := make([][]string, claimers)
	a.atOnce(claimers, func(i int) error {
		for {
			some, err := a.Store.Claim(background, a.Now(), store.Routine, atOnce, 24*time.Hour)
			if err != nil || len(some) == 0 {
				return err
			}
			if len(some) > atOnce {
				return fmt.Errorf("claimed %d, asked for %d", len(some), atOnce)
			}
			claimed[i] = append(claimed[i], some...)
		}
	})
	all := slices.Concat(claimed...)
	if once := slices.Compact(slices.Sorted(slices.Values(all))); len(all) != people || len(once) != people {
		a.Fatalf("%d hand-outs of %d people, want %d of as many", len(all), len(once), people)
	}
}
