package storetest

import (
	"bytes"
	"context"
	"errors"
	"strings"
	"time"

	"turnstone/store"
)

var recordCases = []question{
	{"nobody has a zero record and no log", func(a *asker) {
		a.wantRecord("nobody", store.Etag{}, "")
		a.wantLog("nobody")
	}},
	{"a commit is read back, and the next one takes its place", func(a *asker) {
		first := a.commit("p", func(w *store.Write) { w.Bytes = []byte("one") })
		a.wantRecord("p", first.Next, "one")
		second := a.commit("p", func(w *store.Write) { w.Bytes = []byte{} })
		a.wantRecord("p", second.Next, "")
		if second.Next.Version() != 2 {
			a.Fatalf("got version %d, want 2", second.Next.Version())
		}
	}},
	{"people do not touch each other, however alike their names", func(a *asker) {
		people := []string{"a", "a\x00", "a\x00\x00\x00\x00\x00\x00\x00\x01", "aa", "ab", "\x00", "\xff", "b:c", "b", strings.Repeat("x", store.MaxPerson)}
		for _, p := range people {
			a.commit(p, func(w *store.Write) {
				w.Bytes, w.Log = []byte("of "+p), [][]byte{[]byte("line of " + p)}
				w.Keep = []store.Kept{{ID: "e", Until: a.Now().Add(time.Hour), Bytes: []byte(p)}}
			})
		}
		a.erase("aa")
		for _, p := range people {
			if p == "aa" {
				a.wantRecord(p, store.Etag{}, "")
				a.wantLog(p)
				continue
			}
			a.wantRecord(p, a.load(p).Etag, "of "+p)
			a.wantLog(p, "line of "+p)
			a.wantKept(p, "e="+p)
		}
	}},
	{"a write on an older version is stale and changes nothing", staleChangesNothing},
	{"a repeat of the very same write is done once and answered nil", func(a *asker) {
		w := a.commit("p", func(w *store.Write) { w.Log = [][]byte{[]byte("one")} })
		a.want(a.Store.Commit(background, w), nil)
		a.wantRecord("p", w.Next, "record")
		a.wantLog("p", "one")
		a.commit("p", nil)
		a.want(a.Store.Commit(background, w), store.ErrStale) // somebody has gone on from it
	}},
	{"log lines come back in the order of their commits", func(a *asker) {
		var want []string
		for i := range 300 { // past 256, where one byte of a number would turn over
			line := "line " + numbered(i)
			want = append(want, line, "second "+line)
			a.commit("p", func(w *store.Write) { w.Log = [][]byte{[]byte(line), []byte("second " + line)} })
		}
		a.wantLog("p", want...)
	}},
	{"erasing leaves nothing of the person", erasingLeavesNothing},
	{"erasing who is not there is done already", func(a *asker) {
		w := a.write("p", func(w *store.Write) {
			w.Bytes, w.Named = nil, []store.NamedWrite{{Key: "erased/p", Bytes: []byte("x")}}
		})
		a.want(a.Store.Commit(background, w), nil)
		a.want(a.Store.Commit(background, w), nil)
		a.wantNamed("erased/p", "x")
		a.wantRecord("p", store.Etag{}, "")
	}},
	{"a repeat of an erasing is answered nil", func(a *asker) {
		a.commit("p", nil)
		w := a.erase("p")
		a.want(a.Store.Commit(background, w), nil)
		a.wantRecord("p", store.Etag{}, "")
	}},
	{"erasing on an older version is stale", func(a *asker) {
		w := a.write("p", func(w *store.Write) { w.Bytes = nil })
		there := a.commit("p", nil)
		a.want(a.Store.Commit(background, w), store.ErrStale)
		a.wantRecord("p", there.Next, "record")
	}},
	{"a write that breaks a rule is refused whole", func(a *asker) {
		w := a.write("p", func(w *store.Write) { w.Now = time.Time{} })
		a.want(a.Store.Commit(background, w), store.ErrInvalid)
		a.want(a.Store.Commit(background, store.Write{}), store.ErrInvalid)
		a.wantRecord("p", store.Etag{}, "")
		_, err := a.Store.Load(background, "")
		a.want(err, store.ErrInvalid)
	}},
	{"bytes handed in and out belong to the caller", func(a *asker) {
		long := strings.Repeat("long enough not to be a copy by chance ", 200)
		w := a.commit("p", func(w *store.Write) {
			w.Bytes, w.Log = []byte(long), [][]byte{[]byte(long)}
			w.Keep = []store.Kept{{ID: "e", Until: a.Now().Add(time.Hour), Bytes: []byte(long)}}
			w.Named = []store.NamedWrite{{Key: "k", Bytes: []byte(long)}}
		})
		lines, lerr := a.Store.Log(background, "p")
		kept, kerr := a.Store.Kept(background, "p")
		value, _, _, gerr := a.Store.Get(background, "k")
		a.want(errors.Join(lerr, kerr, gerr), nil)
		for _, b := range [][]byte{
			w.Bytes, w.Log[0], w.Keep[0].Bytes, w.Named[0].Bytes,
			a.load("p").Bytes, lines[0], kept[0].Bytes, value,
		} {
			copy(b, "overwritten")
		}
		a.wantRecord("p", w.Next, long)
		a.wantLog("p", long)
		a.wantKept("p", "e="+long)
		a.wantNamed("k", long)
	}},
	{"a large record comes back whole", func(a *asker) {
		large := bytes.Repeat([]byte("0123456789abcdef"), 1<<16)
		w := a.commit("p", func(w *store.Write) { w.Bytes, w.Log = large, [][]byte{large} })
		a.wantRecord("p", w.Next, string(large))
		a.wantLog("p", string(large))
	}},
	{"an ended context means that nothing happened", func(a *asker) {
		ended, end := context.WithCancel(background)
		end()
		w := a.write("p", nil)
		a.want(a.Store.Commit(ended, w), context.Canceled)
		a.want(a.Store.Put(ended, "k", nil, 0, time.Time{}), context.Canceled)
		_, err := a.Store.Load(ended, "p")
		a.want(err, context.Canceled)
		_, err = a.Store.Claim(ended, a.Now(), store.Urgent, 1, time.Hour)
		a.want(err, context.Canceled)
		a.wantRecord("p", store.Etag{}, "")
		a.wantNoNamed("k")
	}},
	{"everybody is gone through once, also while others come", peopleOnce},
	{"what was answered nil is there after a crash", crashKeeps},
	{"a closed store says that it is down", func(a *asker) {
		w := a.write("p", nil)
		a.want(a.Store.Close(), nil)
		a.want(a.Store.Commit(background, w), store.ErrDown)
		_, err := a.Store.Load(background, "p")
		a.want(err, store.ErrDown)
		a.want(a.Store.Close(), nil)
	}},
}

func staleChangesNothing(a *asker) {
	stale := a.write("p", func(w *store.Write) {
		w.Bytes, w.Log = []byte("stale"), [][]byte{[]byte("stale")}
		w.Due[store.Urgent] = a.Now().Add(-time.Hour)
		w.Keep = []store.Kept{{ID: "stale", Until: a.Now().Add(time.Hour)}}
		w.Named = []store.NamedWrite{{Key: "stale", Bytes: []byte("x")}}
	})
	there := a.commit("p", func(w *store.Write) { w.Log = [][]byte{[]byte("one")} })
	a.want(a.Store.Commit(background, stale), store.ErrStale)

	fresh := a.write("p", nil)
	fresh.Read[15]++ // the right version, another nonce
	a.want(a.Store.Commit(background, fresh), store.ErrStale)

	nobody := a.write("nobody", nil)
	nobody.Read = there.Next
	nobody.Next = nobody.Read.Next(nonce())
	a.want(a.Store.Commit(background, nobody), store.ErrStale)

	a.wantRecord("p", there.Next, "record")
	a.wantRecord("nobody", store.Etag{}, "")
	a.wantLog("p", "one")
	a.wantKept("p")
	a.wantNoNamed("stale")
	a.wantClaim(store.Urgent)
}

func erasingLeavesNothing(a *asker) {
	a.commit("p", func(w *store.Write) {
		w.Due = [2]time.Time{a.Now().Add(-time.Hour), a.Now().Add(time.Hour)}
		w.Log = [][]byte{[]byte("one"), []byte("two")}
		w.Keep = []store.Kept{{ID: "e", Until: a.Now().Add(time.Hour), Bytes: []byte("episode")}}
		w.Named = []store.NamedWrite{{Key: "staff/p", Bytes: []byte("card")}}
	})
	a.wantClaim(store.Urgent, "p")
	a.commit("p", func(w *store.Write) {
		w.Bytes, w.Named = nil, []store.NamedWrite{{Key: "staff/p"}, {Key: "erased/p", Bytes: []byte{}}}
	})
	a.wantRecord("p", store.Etag{}, "")
	a.wantLog("p")
	a.wantKept("p")
	a.wantNoNamed("staff/p")
	a.wantNamed("erased/p", "")
	a.wantNext(store.Urgent, time.Time{})
	a.wantNext(store.Routine, time.Time{})

	back := a.commit("p", due(store.Urgent, a.Now().Add(-time.Hour)))
	if back.Next.Version() != 1 {
		a.Fatalf("who came back has version %d, want 1", back.Next.Version())
	}
	a.wantClaim(store.Urgent, "p") // the old lease is gone too
	a.wantLog("p")
	a.wantKept("p")
}

func peopleOnce(a *asker) {
	const people = 1200
	a.crowd(people, nil)
	seen := map[string]int{}
	i := 0
	for p, err := range a.Store.People(background) {
		a.want(err, nil)
		seen[p]++
		if i++; i%400 == 0 { // writing while going through must neither hang nor lead astray
			a.commit("late-"+numbered(i), nil)
			a.commit(numbered(0), nil)
		}
	}
	for i := range people {
		if n := seen[numbered(i)]; n != 1 {
			a.Fatalf("%s came %d times", numbered(i), n)
		}
	}
	for _, err := range a.Store.People(background) {
		if err != nil {
			a.Fatalf("people: %v", err)
		}
		break // leaving early must leave nothing behind
	}
	ended, end := context.WithCancel(background)
	end()
	for _, err := range a.Store.People(ended) {
		a.want(err, context.Canceled)
	}
}

func crashKeeps(a *asker) {
	now := a.Now()
	w := a.commit("p", func(w *store.Write) {
		w.Log = [][]byte{[]byte("one")}
		w.Due = [2]time.Time{now.Add(-time.Minute), now.Add(-time.Hour)}
		w.Keep = []store.Kept{{ID: "e", Until: now.Add(time.Hour), Bytes: []byte("kept")}}
		w.Named = []store.NamedWrite{{Key: "with", Bytes: []byte("the commit")}}
	})
	a.want(a.Store.Put(background, "k", []byte("v"), 0, now.Add(time.Hour)), nil)
	a.commit("erased", nil)
	a.erase("erased")

	a.Store = a.Crash()
	a.wantRecord("p", w.Next, "record")
	a.want(a.Store.Commit(background, w), nil) // a repeat across the crash is still a repeat
	a.wantLog("p", "one")
	a.wantKept("p", "e=kept")
	a.wantNamed("with", "the commit")
	a.wantNamed("k", "v")
	a.wantRecord("erased", store.Etag{}, "")
	a.wantClaim(store.Urgent, "p")
	a.wantClaim(store.Routine, "p")
	if err := a.Store.Put(background, "k", nil, 0, time.Time{}); !errors.Is(err, store.ErrStale) {
		a.Fatalf("got %v, want ErrStale", err)
	}
}
