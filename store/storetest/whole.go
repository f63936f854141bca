package storetest

import (
	"fmt"
	"reflect"
	"time"

	"turnstone/store"
)

func (a *asker) mover() Mover {
	a.Helper()
	m, ok := a.Store.(Mover)
	if !ok {
		a.Fatal("nobody can be moved out of this store or into it")
	}
	return m
}

func (a *asker) whole(person string) store.Whole {
	a.Helper()
	w, err := a.mover().Whole(background, person)
	a.want(err, nil)
	if w.Person != person {
		a.Fatalf("asked for %q and got %q", person, w.Person)
	}
	return w
}

// somebody makes a person who has something of everything.
func (a *asker) somebody(person string) {
	a.Helper()
	for i := range 3 {
		a.commit(person, func(w *store.Write) {
			w.Bytes = fmt.Appendf(nil, "record %d of %s", i, person)
			w.Log = [][]byte{fmt.Appendf(nil, "line %d", i), fmt.Appendf(nil, "second line %d", i)}
			w.Due = [2]time.Time{a.Now().Add(-time.Minute), a.Now().Add(time.Hour + time.Duration(i)*time.Minute)}
			w.Keep = []store.Kept{{ID: fmt.Sprint("e", i), Until: a.Now().Add(time.Hour), Bytes: []byte("kept of " + person)}}
		})
	}
}

var wholeCases = []question{
	{"everything of a person is read whole", func(a *asker) {
		a.somebody("p")
		r, w := a.load("p"), a.whole("p")
		if !reflect.DeepEqual(w.Record, r) || len(w.Log) != 6 || len(w.Kept) != 3 {
			a.Fatalf("got %+v, want the record %+v with 6 log lines and 3 kept episodes", w, r)
		}
		if got, want := texts(w.Log)[4:], []string{"line 2", "second line 2"}; got[0] != want[0] || got[1] != want[1] {
			a.Fatalf("the log ends in %q, want %q", got, want)
		}
		if got, want := store.Millis(w.Due[store.Routine])-store.Millis(w.Due[store.Urgent]), (63 * time.Minute).Milliseconds(); got < want-1000 || got > want+1000 {
			a.Fatalf("due %v, want about %d ms between the lanes", w.Due, want)
		}
		if nobody := a.whole("nobody"); !reflect.DeepEqual(nobody, store.Whole{Person: "nobody"}) {
			a.Fatalf("of nobody there is %+v", nobody)
		}
	}},
	{"who is restored is the same, and a lease does not come along", func(a *asker) {
		a.somebody("p")
		a.wantClaim(store.Urgent, "p")
		was := a.whole("p")
		a.erase("p")
		a.quiet()
		a.want(a.mover().Restore(background, was), nil)
		a.wantRing("somebody with something due was restored")
		if is := a.whole("p"); !reflect.DeepEqual(is, was) {
			a.Fatalf("got %+v, want %+v", is, was)
		}
		a.wantNext(store.Routine, was.Due[store.Routine])
		a.wantClaim(store.Urgent, "p")
		w := a.commit("p", func(w *store.Write) { w.Log = [][]byte{[]byte("after")} })
		if w.Read != was.Record.Etag || w.Next.Version() != 4 {
			a.Fatalf("went on from version %d", w.Read.Version())
		}
		a.wantLog("p", append(texts(was.Log), "after")...)
	}},
	{"restoring takes the place of whatever is there, again and again", func(a *asker) {
		a.somebody("p")
		was := a.whole("p")
		for range 2 {
			a.commit("p", func(w *store.Write) {
				w.Log = [][]byte{[]byte("later")}
				w.Keep = []store.Kept{{ID: "later", Until: a.Now().Add(time.Hour)}}
				w.Due[store.Routine] = a.Now().Add(time.Minute)
			})
			a.want(a.mover().Restore(background, was), nil)
			a.want(a.mover().Restore(background, was), nil)
			if is := a.whole("p"); !reflect.DeepEqual(is, was) {
				a.Fatalf("got %+v, want %+v", is, was)
			}
			a.wantNext(store.Routine, was.Due[store.Routine])
		}
		a.erase("p")
		a.wantKept("p")
		a.wantNext(store.Urgent, time.Time{})
	}},
	{"restoring nobody is refused", func(a *asker) {
		for _, w := range []store.Whole{{}, {Person: "p"}, {Person: "p", Record: store.Record{Bytes: []byte("r")}}} {
			a.want(a.mover().Restore(background, w), store.ErrInvalid)
		}
		a.wantRecord("p", store.Etag{}, "")
	}},
}
