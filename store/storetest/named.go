package storetest

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"turnstone/store"
)

// get returns the named value and its etag; the etag is 0 if there is none.
func (a *asker) get(key string) (value string, etag uint64) {
	a.Helper()
	b, etag, ok, err := a.Store.Get(background, key)
	a.want(err, nil)
	if ok != (etag != 0) || etag == store.AnyEtag {
		a.Fatalf("%s: found %v with the etag %d", key, ok, etag)
	}
	return string(b), etag
}

func (a *asker) wantNamed(key, want string) {
	a.Helper()
	if got, etag := a.get(key); got != want || etag == 0 {
		a.Fatalf("%s: got %q with the etag %d, want %q", key, got, etag, want)
	}
}

func (a *asker) wantNoNamed(key string) {
	a.Helper()
	if got, etag := a.get(key); etag != 0 {
		a.Fatalf("%s: got %q, want none", key, got)
	}
}

func (a *asker) put(key, value string, etag uint64, want error) {
	a.Helper()
	a.want(a.Store.Put(background, key, []byte(value), etag, time.Time{}), want)
}

var namedCases = []question{
	{"a named value is put once, and changed only by who read it", func(a *asker) {
		a.wantNoNamed("k")
		a.put("k", "never", 7, store.ErrStale)
		a.put("k", "one", 0, nil)
		a.put("k", "two", 0, store.ErrStale)
		_, one := a.get("k")
		a.put("k", "two", one, nil)
		a.put("k", "three", one, store.ErrStale)
		a.wantNamed("k", "two")
		a.put("k", "any", store.AnyEtag, nil)
		a.wantNamed("k", "any")
		a.put("other", "any", store.AnyEtag, nil)
		a.wantNamed("other", "any")
		a.want(a.Store.Put(background, "nil", nil, 0, time.Time{}), nil)
		a.wantNamed("nil", "")
	}},
	{"a named value is deleted only by who read it, and its etag does not come back", func(a *asker) {
		a.put("k", "one", 0, nil)
		_, one := a.get("k")
		a.want(a.Store.Delete(background, "k", 0), store.ErrStale)
		a.put("k", "two", one, nil)
		_, two := a.get("k")
		a.want(a.Store.Delete(background, "k", one), store.ErrStale)
		a.want(a.Store.Delete(background, "k", two), nil)
		a.wantNoNamed("k")
		a.want(a.Store.Delete(background, "k", two), store.ErrStale)
		a.want(a.Store.Delete(background, "k", store.AnyEtag), nil)
		a.want(a.Store.Delete(background, "k", 0), nil)
		a.put("k", "one", 0, nil)
		if _, again := a.get("k"); again == one || again == two {
			a.Fatalf("the etag %d came back", again)
		}
		a.want(a.Store.Delete(background, "k", store.AnyEtag), nil)
		a.wantNoNamed("k")
	}},
	{"a value is never returned after it expires", func(a *asker) {
		a.want(a.Store.Put(background, "k", []byte("v"), 0, a.Now().Add(a.Lease)), nil)
		_, etag := a.get("k")
		a.wantNamed("k", "v")
		a.Pass(a.Lease + a.Slack)
		a.wantNoNamed("k")
		if got, err := a.Store.List(background, ""); err != nil || len(got) != 0 {
			a.Fatalf("listed %v, %v", got, err)
		}
		a.put("k", "again", etag, store.ErrStale)
		a.want(a.Store.Delete(background, "k", etag), store.ErrStale)
		a.put("k", "again", 0, nil) // an expired one is none
		a.wantNamed("k", "again")
	}},
	{"a list has the values of its prefix, in order", func(a *asker) {
		later := a.Now().Add(time.Hour)
		for _, key := range []string{"b/2", "a/1", "b/10", "b", "c/1", "b/1", "b0"} {
			a.want(a.Store.Put(background, key, []byte("of "+key), 0, later), nil)
		}
		a.put("b/forever", "of b/forever", 0, nil)
		named, err := a.Store.List(background, "b/")
		a.want(err, nil)
		var keys []string
		for _, n := range named {
			keys = append(keys, n.Key)
			value, etag := a.get(n.Key)
			if string(n.Bytes) != value || n.Etag != etag || value != "of "+n.Key {
				a.Fatalf("listed %q with etag %d, got %q with %d", n.Bytes, n.Etag, value, etag)
			}
			if forever := n.Key == "b/forever"; forever != n.Expires.IsZero() || (!forever && store.Millis(n.Expires) != store.Millis(later)) {
				a.Fatalf("%s expires %v", n.Key, n.Expires)
			}
		}
		if want := []string{"b/1", "b/10", "b/2", "b/forever"}; !slices.Equal(keys, want) {
			a.Fatalf("listed %q, want %q", keys, want)
		}
		if all, err := a.Store.List(background, ""); err != nil || len(all) != 8 {
			a.Fatalf("listed %d of 8, %v", len(all), err)
		}
	}},
	{"named values of a commit come with it, whatever was there", func(a *asker) {
		a.put("there", "old", 0, nil)
		a.put("going", "old", 0, nil)
		_, old := a.get("there")
		w := a.commit("p", func(w *store.Write) {
			w.Named = []store.NamedWrite{
				{Key: "there", Bytes: []byte("new")},
				{Key: "going"},
				{Key: "never there"},
				{Key: "short", Bytes: []byte("new"), Expires: a.Now().Add(a.Lease)},
			}
		})
		a.wantNamed("there", "new")
		a.wantNoNamed("going")
		a.wantNamed("short", "new")
		a.put("there", "mine", old, store.ErrStale) // the commit gave it an etag of its own
		a.put("there", "later", store.AnyEtag, nil)
		a.want(a.Store.Commit(background, w), nil) // a repeat does not bring it back
		a.wantNamed("there", "later")
		a.Pass(a.Lease + a.Slack)
		a.wantNoNamed("short")
	}},
	{"of 32 who take a value once exactly one has it", func(a *asker) {
		a.put("once", "token", 0, nil)
		_, etag := a.get("once")
		var taken atomic.Int64
		a.atOnce(32, func(int) error {
			err := a.Store.Delete(background, "once", etag)
			if err == nil {
				taken.Add(1)
			}
			if errors.Is(err, store.ErrStale) {
				return nil
			}
			return err
		})
		if taken.Load() != 1 {
			a.Fatalf("taken %d times", taken.Load())
		}
	}},
	{"a counter counted by 16 loses no count", func(a *asker) {
		const counters, each = 16, 8
		a.atOnce(counters, func(int) error {
			for done := 0; done < each; {
				value, etag, _, err := a.Store.Get(background, "count")
				if err != nil {
					return err
				}
				err = a.Store.Put(background, "count", append(value, '|'), etag, time.Time{})
				switch {
				case err == nil:
					done++
				case !errors.Is(err, store.ErrStale):
					return err
				}
			}
			return nil
		})
		a.wantNamed("count", strings.Repeat("|", counters*each))
	}},
	{"a key that breaks a rule is refused", func(a *asker) {
		for _, key := range []string{"", strings.Repeat("k", store.MaxKey+1)} {
			a.put(key, "v", 0, store.ErrInvalid)
			a.want(a.Store.Delete(background, key, 0), store.ErrInvalid)
			_, _, _, err := a.Store.Get(background, key)
			a.want(err, store.ErrInvalid)
		}
		for i, key := range []string{strings.Repeat("k", store.MaxKey), "\x00", "\xff\xff"} {
			a.put(key, fmt.Sprint(i), 0, nil)
			a.wantNamed(key, fmt.Sprint(i))
		}
	}},
}
