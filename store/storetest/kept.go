package storetest

import (
	"fmt"
	"slices"
	"time"

	"turnstone/store"
)

// wantKept fails unless these ("id=bytes") are the kept episodes of person.
func (a *asker) wantKept(person string, want ...string) {
	a.Helper()
	kept, err := a.Store.Kept(background, person)
	a.want(err, nil)
	var got []string
	for _, k := range kept {
		got = append(got, k.ID+"="+string(k.Bytes))
	}
	if !slices.Equal(got, want) {
		a.Fatalf("%s: kept %q, want %q", person, got, want)
	}
}

// retire retires what has passed, and fails if that was not all of it.
func (a *asker) retire() {
	a.Helper()
	now := a.Now()
	_, err := a.Store.Retire(background, now)
	a.want(err, nil)
	if left, err := a.Store.Retire(background, now); err != nil || left != 0 {
		a.Fatalf("retired %d more (%v)", left, err)
	}
}

var keptCases = []question{
	{"an episode is kept until its moment, and not from then on", func(a *asker) {
		until := a.Now().Add(a.Lease)
		w := a.commit("p", func(w *store.Write) {
			w.Keep = []store.Kept{
				{ID: "b", Until: until.Add(time.Hour), Bytes: []byte("longer")},
				{ID: "a", Until: until, Bytes: []byte("short")},
			}
		})
		kept, err := a.Store.Kept(background, "p")
		a.want(err, nil)
		if len(kept) != 2 || store.Millis(kept[0].Until) != store.Millis(until) {
			a.Fatalf("kept %v, want the first until %v", kept, until)
		}
		a.wantKept("p", "a=short", "b=longer")
		a.retire()
		a.wantKept("p", "a=short", "b=longer")
		a.Pass(a.Lease + a.Slack)
		a.wantKept("p", "b=longer") // gone before anybody retires it
		a.retire()
		a.wantKept("p", "b=longer")
		a.wantRecord("p", w.Next, "record") // the person stays
	}},
	{"keeping the same ID again replaces it", func(a *asker) {
		soon, later := a.Now().Add(a.Lease), a.Now().Add(time.Hour)
		for i, until := range []time.Time{soon, later} {
			a.commit("p", func(w *store.Write) {
				w.Keep = []store.Kept{{ID: "e", Until: until, Bytes: fmt.Append(nil, i)}}
			})
		}
		a.Pass(a.Lease + a.Slack)
		a.retire()
		a.wantKept("p", "e=1")
	}},
	{"retiring removes the passed ones of many, and leaves the rest", func(a *asker) {
		soon, later := a.Now().Add(a.Lease+time.Second), a.Now().Add(time.Hour)
		a.crowd(700, func(i int, w *store.Write) {
			w.Keep = []store.Kept{{ID: "short", Until: soon, Bytes: []byte("x")}, {ID: "longer", Until: later, Bytes: []byte("y")}}
		})
		a.Pass(a.Lease + time.Second + a.Slack)
		a.retire()
		for i := range 700 {
			a.wantKept(numbered(i), "longer=y")
		}
	}},
	{"expired named values are retired, and their keys are free", func(a *asker) {
		a.want(a.Store.Put(background, "short", []byte("1"), 0, a.Now().Add(a.Lease)), nil)
		a.want(a.Store.Put(background, "renewed", []byte("1"), 0, a.Now().Add(a.Lease)), nil)
		a.want(a.Store.Put(background, "renewed", []byte("2"), store.AnyEtag, time.Time{}), nil)
		a.Pass(a.Lease + a.Slack)
		a.retire()
		a.wantNoNamed("short")
		a.wantNamed("renewed", "2")
		a.want(a.Store.Put(background, "short", []byte("3"), 0, time.Time{}), nil)
		a.retire()
		a.wantNamed("short", "3")
	}},
	{"retiring at no moment is refused", func(a *asker) {
		_, err := a.Store.Retire(background, time.Time{})
		a.want(err, store.ErrInvalid)
	}},
}
