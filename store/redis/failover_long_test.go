package redis

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"turnstone/tests/redis/servers"
)

// The fail-overs that take minutes run with TURNSTONE_LONG=1 (make proofs).
// Without it their set-ups are only listed.
func long(t *testing.T) bool {
	t.Helper()
	if os.Getenv("TURNSTONE_LONG") != "" {
		return true
	}
	t.Log("runs with TURNSTONE_LONG=1 (make proofs)")
	return false
}

// The replicas lag: they are frozen, then the master is killed, then they go
// on. With wait=1 nothing that was acknowledged is lost. With wait=0 it may
// be, and how much is counted: that is what the README says of it.
func TestLaggedUnderSentinels(t *testing.T) {
	if !long(t) {
		return
	}
	for _, wait := range []int{0, 1} {
		t.Run(fmt.Sprint("wait=", wait), func(t *testing.T) {
			g := servers.StartGuarded(t, 2, "appendonly yes", "appendfsync everysec")
			s := openAt(t, fmt.Sprintf("%s?wait=%d&password-file=%s", g.Address(), wait, g.Grant(t)))
			l := startLoad(s, writers)
			goOn(time.Second)
			for _, replica := range g.Nodes[1:] {
				if err := replica.Freeze(); err != nil {
					t.Fatal(err)
				}
			}
			goOn(700 * time.Millisecond)
			g.Nodes[0].Kill()
			for _, replica := range g.Nodes[1:] {
				if err := replica.Thaw(); err != nil {
					t.Fatal(err)
				}
			}
			goOn(9 * time.Second)
			c := l.end(t)
			t.Logf("Sentinels, lag, wait=%d: %v", wait, c)
			if wait > 0 {
				wantNothingLost(t, c)
			} else if c.unreadable > 0 || c.acked == 0 {
				t.Errorf("%v", c)
			}
		})
	}
}

// The master hangs and comes back after another has taken over.
func TestHungUnderSentinels(t *testing.T) {
	if !long(t) {
		return
	}
	g := servers.StartGuarded(t, 2, "appendonly yes", "appendfsync everysec", "min-replicas-to-write 1", "min-replicas-max-lag 2")
	s := openAt(t, g.Address()+"?wait=1&password-file="+g.Grant(t))
	l := startLoad(s, writers)
	goOn(time.Second)
	if err := g.Nodes[0].Freeze(); err != nil {
		t.Fatal(err)
	}
	goOn(4 * time.Second)
	if err := g.Nodes[0].Thaw(); err != nil {
		t.Fatal(err)
	}
	goOn(8 * time.Second)
	wantNothingLost(t, l.end(t))
}

// The same in a Cluster: the replicas of one master lag, and it is killed.
func TestLaggedInACluster(t *testing.T) {
	if !long(t) {
		return
	}
	g := servers.StartCluster(t, "appendonly yes", "appendfsync everysec")
	s := openAt(t, g.Address()+"?wait=1&password-file="+g.Grant(t))
	l := startLoad(s, 3*writers)
	goOn(time.Second)
	if err := g.Nodes[4].Freeze(); err != nil {
		t.Fatal(err)
	}
	goOn(700 * time.Millisecond)
	g.Nodes[1].Kill()
	if err := g.Nodes[4].Thaw(); err != nil {
		t.Fatal(err)
	}
	servers.Until(t, "the replica has taken over", 20*time.Second, func() bool {
		return g.Nodes[4].Info(t, "replication", "role") == "master"
	})
	if err := g.Nodes[1].Launch(); err != nil {
		t.Fatal(err)
	}
	goOn(8 * time.Second)
	wantNothingLost(t, l.end(t))
}

// A master of a Cluster hangs and comes back after its replica has taken over.
func TestHungInACluster(t *testing.T) {
	if !long(t) {
		return
	}
	g := servers.StartCluster(t, "appendonly yes", "appendfsync everysec")
	s := openAt(t, g.Address()+"?wait=1&password-file="+g.Grant(t))
	l := startLoad(s, 3*writers)
	goOn(time.Second)
	if err := g.Nodes[1].Freeze(); err != nil {
		t.Fatal(err)
	}
	goOn(6 * time.Second)
	if err := g.Nodes[1].Thaw(); err != nil {
		t.Fatal(err)
	}
	goOn(8 * time.Second)
	wantNothingLost(t, l.end(t))
}

// Slots move from one master to another under load, as when a Cluster grows:
// no commit fails, and nothing is lost.
func TestSlotsThatMove(t *testing.T) {
	g := servers.StartCluster(t)
	s := openAt(t, g.Address()+"?wait=1&password-file="+g.Grant(t))
	l := startLoad(s, 3*writers)
	goOn(300 * time.Millisecond)
	from, to := g.Nodes[0], g.Nodes[1]
	moved := map[string]bool{}
	for i := 0; i < 3*writers && len(moved) < rounds(6, 40); i++ {
		tag := partitionOf(person(i)).tag()
		slot := fmt.Sprint(from.Do(t, "CLUSTER", "KEYSLOT", tag).Val())
		if moved[slot] || !g.Has(t, 0, slot) {
			continue
		}
		g.MoveSlot(t, from, to, slot)
		moved[slot] = true
	}
	goOn(300 * time.Millisecond)
	c := l.end(t)
	wantNothingLost(t, c)
	if c.resent > 0 || len(moved) == 0 {
		t.Errorf("%d slots were moved, and %d commits failed", len(moved), c.resent)
	}
	if again := strings.Count(to.Do(t, "CLUSTER", "NODES").String(), "fail"); again > 0 {
		t.Errorf("the Cluster is not well")
	}
}
