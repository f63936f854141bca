package storetest

import (
	"time"

	"turnstone/store"
)

var clockCases = []question{
	{"a clock set back hands nothing out twice and lets nothing stall", func(a *asker) {
		a.commit("p", due(store.Urgent, a.Now().Add(-5*time.Hour)))
		if got := a.claimFor(store.Urgent, 1, a.Lease); len(got) != 1 {
			a.Fatalf("claimed %q", got)
		}
		a.Jump(-time.Hour)
		if got := a.claimFor(store.Urgent, 1, a.Lease); len(got) != 0 {
			a.Fatalf("claimed %q within the lease", got)
		}
		a.Pass(a.Lease + a.Slack)
		a.wantClaim(store.Urgent, "p")
		a.commit("p", nil)
		a.Jump(-2 * time.Hour)
		a.wantClaim(store.Urgent) // done is done, at any hour
		a.wantNext(store.Urgent, time.Time{})
	}},
	{"a clock set ahead lets at most the lease go early, and one of two commits wins", func(a *asker) {
		a.commit("p", due(store.Urgent, a.Now().Add(-5*time.Hour)))
		if got := a.claimFor(store.Urgent, 1, a.Lease); len(got) != 1 {
			a.Fatalf("claimed %q", got)
		}
		first, second := a.write("p", nil), a.write("p", nil)
		a.Jump(time.Hour)
		a.Pass(a.Lease + a.Slack)
		a.wantClaim(store.Urgent, "p")
		a.want(a.Store.Commit(background, second), nil)
		a.want(a.Store.Commit(background, first), store.ErrStale)
		a.wantClaim(store.Urgent)
	}},
	{"a commit by a clock set back still ends the lease and takes a new one", func(a *asker) {
		old := a.Now().Add(-5 * time.Hour)
		a.commit("p", due(store.Urgent, old))
		a.wantClaim(store.Urgent, "p")
		a.Jump(-time.Hour)
		a.commit("p", func(w *store.Write) { w.Due[store.Urgent], w.Lease[store.Urgent] = old, a.Lease })
		if got := a.claimFor(store.Urgent, 1, a.Lease); len(got) != 0 {
			a.Fatalf("claimed %q within the commit's lease", got)
		}
		a.Pass(a.Lease + a.Slack)
		a.wantClaim(store.Urgent, "p")
	}},
	{"a zone has no say in what is due", func(a *asker) {
		at := a.Now().Add(-time.Minute)
		a.commit("east", due(store.Routine, at.In(time.FixedZone("east", 14*3600))))
		a.commit("west", due(store.Routine, at.Add(time.Millisecond).In(time.FixedZone("west", -12*3600))))
		a.wantClaim(store.Routine, "east", "west")
	}},
}
