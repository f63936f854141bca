package storetest

import (
	"slices"
	"time"

	"turnstone/store"
)

var dueCases = []question{
	{"the oldest is claimed first, and no more than asked for", func(a *asker) {
		now := a.Now()
		for i, p := range []string{"third", "first", "second", "later"} {
			a.commit(p, due(store.Routine, now.Add([]time.Duration{-1, -3, -2, 60}[i]*time.Minute)))
		}
		if got, want := a.claim(store.Routine, 2), []string{"first", "second"}; !slices.Equal(got, want) {
			a.Fatalf("got %q, want %q", got, want)
		}
		if got := a.claim(store.Routine, 0); len(got) != 0 {
			a.Fatalf("asked for nobody and got %q", got)
		}
		a.wantClaim(store.Routine, "third")
		a.wantClaim(store.Routine)
		a.wantNext(store.Urgent, time.Time{})
	}},
	{"the moment 0 comes before everything", func(a *asker) {
		a.commit("old", due(store.Urgent, a.Now().Add(-50*365*24*time.Hour)))
		a.commit("emergency", due(store.Urgent, time.Unix(0, 0)))
		a.wantNext(store.Urgent, time.Unix(0, 0))
		a.wantClaim(store.Urgent, "emergency", "old")
	}},
	{"nothing is claimed before its millisecond", func(a *asker) {
		at := a.Now().Add(a.Lease).Truncate(time.Millisecond).Add(time.Microsecond)
		a.commit("p", due(store.Urgent, at))
		a.wantNext(store.Urgent, at)
		a.wantClaim(store.Urgent)
		a.Pass(a.Lease + 2*time.Millisecond)
		a.wantClaim(store.Urgent, "p")
	}},
	{"what is due at this very moment is due", func(a *asker) {
		a.commit("p", due(store.Urgent, a.Now().Add(-2*a.Slack)))
		a.wantClaim(store.Urgent, "p")
	}},
	{"the lanes do not hold each other up", twoLanes},
	{"a commit moves what is due, and takes it away", func(a *asker) {
		soon, later := a.Now().Add(time.Hour), a.Now().Add(2*time.Hour)
		a.commit("p", due(store.Routine, soon))
		a.wantNext(store.Routine, soon)
		a.commit("p", due(store.Routine, later))
		a.wantNext(store.Routine, later)
		a.commit("p", due(store.Routine, a.Now().Add(-time.Hour)))
		a.wantClaim(store.Routine, "p")
		a.commit("p", nil)
		a.wantNext(store.Routine, time.Time{})
		a.wantClaim(store.Routine)
	}},
	{"a lease ends by time, and who worked past it is stale", leaseRunsOut},
	{"a lease is given back", func(a *asker) {
		at := a.Now().Add(-time.Hour)
		a.commit("p", func(w *store.Write) { w.Due = [2]time.Time{at, at} })
		a.wantClaim(store.Urgent, "p")
		a.wantClaim(store.Routine, "p")
		a.quiet()
		a.Store.Release("p", store.Routine)
		a.wantRing("a lease was given back")
		a.wantClaim(store.Urgent)
		a.wantNext(store.Routine, at)
		a.wantClaim(store.Routine, "p")
		a.Store.Release("nobody", store.Urgent)
	}},
	{"a commit ends the leases of its person", func(a *asker) {
		at := a.Now().Add(-time.Hour)
		a.commit("p", due(store.Urgent, at))
		a.commit("q", due(store.Urgent, at))
		a.wantClaim(store.Urgent, "p", "q")
		a.quiet()
		a.commit("p", due(store.Urgent, at))
		a.wantRing("a commit ended a lease and left something due")
		a.wantClaim(store.Urgent, "p")
	}},
	{"a commit takes a lease on what it makes due now", commitLease},
	{"who waits is woken when something becomes due earlier", func(a *asker) {
		a.quiet()
		a.commit("p", due(store.Routine, a.Now().Add(2*time.Hour)))
		a.wantRing("the first thing became due")
		a.commit("p", due(store.Routine, a.Now().Add(time.Hour)))
		a.wantRing("it became due earlier")
		a.commit("q", due(store.Urgent, a.Now().Add(3*time.Hour)))
		a.wantRing("something became due in the other lane")
		a.commit("p", nil)
		a.commit("p", due(store.Routine, time.Unix(0, 0)))
		a.wantRing("an emergency")
	}},
	{"a claim that breaks a rule is refused", func(a *asker) {
		for _, c := range []struct {
			now   time.Time
			lane  store.Lane
			n     int
			lease time.Duration
		}{{time.Time{}, 0, 1, 1}, {a.Now(), 2, 1, 1}, {a.Now(), 0, -1, 1}, {a.Now(), 0, 1, 0}} {
			_, err := a.Store.Claim(background, c.now, c.lane, c.n, c.lease)
			a.want(err, store.ErrInvalid)
		}
		_, _, err := a.Store.NextDue(background, 2)
		a.want(err, store.ErrInvalid)
	}},
}

func twoLanes(a *asker) {
	now := a.Now()
	a.commit("p", func(w *store.Write) { w.Due = [2]time.Time{now.Add(-time.Minute), now.Add(-time.Hour)} })
	a.wantNext(store.Urgent, now.Add(-time.Minute))
	a.wantNext(store.Routine, now.Add(-time.Hour))
	a.wantClaim(store.Routine, "p")
	a.wantClaim(store.Urgent, "p") // a routine message that fails must not hold up a card
	a.wantClaim(store.Urgent)

	a.commit("p", func(w *store.Write) { w.Due[store.Routine] = now.Add(-time.Hour) })
	a.wantClaim(store.Urgent)
	a.wantClaim(store.Routine, "p")
}

func leaseRunsOut(a *asker) {
	a.commit("p", due(store.Urgent, a.Now().Add(-time.Hour)))
	if got := a.claimFor(store.Urgent, 1, a.Lease); len(got) != 1 {
		a.Fatalf("claimed %q", got)
	}
	slow := a.write("p", nil)
	a.wantClaim(store.Urgent)
	a.Pass(a.Lease + a.Slack)
	a.wantClaim(store.Urgent, "p")
	quick := a.commit("p", nil)
	a.want(a.Store.Commit(background, slow), store.ErrStale)
	a.wantRecord("p", quick.Next, "record")
	a.wantClaim(store.Urgent)
}

func commitLease(a *asker) {
	now := a.Now()
	w := a.commit("p", func(w *store.Write) {
		w.Due = [2]time.Time{now.Add(-time.Second), now.Add(time.Hour)}
		w.Lease = [2]time.Duration{a.Lease, 2 * time.Hour}
	})
	a.wantClaim(store.Urgent)
	a.wantNext(store.Routine, now.Add(time.Hour)) // not due yet, so no lease
	a.want(a.Store.Commit(background, w), nil)    // a repeat does not end the lease
	a.wantClaim(store.Urgent)
	a.quiet()
	a.Store.Release("p", store.Urgent)
	a.wantRing("the commit's lease was given back")
	a.wantClaim(store.Urgent, "p")

	a.commit("p", func(w *store.Write) {
		w.Due[store.Urgent], w.Lease[store.Urgent] = now.Add(-time.Second), a.Lease
	})
	a.wantClaim(store.Urgent)
	a.Pass(a.Lease + a.Slack)
	a.wantClaim(store.Urgent, "p") // the committer died, somebody else delivers
}
