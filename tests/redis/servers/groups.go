package servers

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A Guarded is a master, its replicas and three Sentinels that guard them.
type Guarded struct {
	Nodes     []*Server // the first one begins as master
	Sentinels []*Server
}

// Master is the name that the Sentinels know the master by.
const Master = "main"

// StartGuarded starts a master with replicas and Sentinels, which take a
// master for dead after a second.
func StartGuarded(t testing.TB, replicas int, settings ...string) *Guarded {
	t.Helper()
	g := &Guarded{Nodes: []*Server{Start(t, settings...)}}
	first := g.Nodes[0]
	for range replicas {
		g.Nodes = append(g.Nodes, Start(t, append([]string{fmt.Sprint("replicaof 127.0.0.1 ", first.Port)}, settings...)...))
	}
	Until(t, "the replicas are in touch", 20*time.Second, func() bool {
		return strings.Count(first.Do(t, "INFO", "replication").String(), "state=online") == replicas
	})
	for range 3 {
		s, err := New(t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		s.sentinel = true
		lines := []string{
			fmt.Sprint("port ", s.Port), "bind 127.0.0.1", "dir " + s.Dir, "protected-mode no",
			fmt.Sprintf("sentinel monitor %s 127.0.0.1 %d 2", Master, first.Port),
			"sentinel down-after-milliseconds " + Master + " 1000", "sentinel failover-timeout " + Master + " 4000",
		}
		if err := os.WriteFile(filepath.Join(s.Dir, "server.conf"), []byte(strings.Join(lines, "\n")+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := s.Launch(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(s.End)
		g.Sentinels = append(g.Sentinels, s)
	}
	Until(t, "the Sentinels know each other and the replicas", 30*time.Second, func() bool {
		for _, s := range g.Sentinels {
			if !strings.Contains(s.Do(t, "INFO", "sentinel").String(), fmt.Sprintf("slaves=%d,sentinels=3", replicas)) {
				return false
			}
		}
		return true
	})
	return g
}

// Address is how the store is told of it, without the settings behind the ?.
func (g *Guarded) Address() string {
	return "redis+sentinel://bot@" + addresses(g.Sentinels) + "/" + Master
}

// Grant makes the bot's user everywhere.
func (g *Guarded) Grant(t testing.TB) (passwordFile string) { t.Helper(); return grantAll(t, g.Nodes) }

// A Cluster is three masters with a replica each; the replica of node i is node i+3.
type Cluster struct{ Nodes []*Server }

// StartCluster starts a Cluster, whose nodes take each other for dead after two seconds.
func StartCluster(t testing.TB, settings ...string) *Cluster {
	t.Helper()
	c := &Cluster{}
	for range 6 {
		c.Nodes = append(c.Nodes, Start(t, append([]string{
			"cluster-enabled yes", "cluster-node-timeout 2000", "cluster-replica-validity-factor 0", "repl-diskless-sync-delay 0",
		}, settings...)...))
	}
	for i, n := range c.Nodes {
		n.Do(t, "CLUSTER", "SET-CONFIG-EPOCH", i+1)
		if i < 3 {
			n.Do(t, "CLUSTER", "ADDSLOTSRANGE", i*16384/3, (i+1)*16384/3-1)
		}
		if i > 0 {
			c.Nodes[0].Do(t, "CLUSTER", "MEET", "127.0.0.1", n.Port, n.busPort)
		}
	}
	Until(t, "the nodes know each other", 30*time.Second, func() bool {
		for _, n := range c.Nodes {
			if !strings.Contains(n.Do(t, "CLUSTER", "INFO").String(), "cluster_known_nodes:6") {
				return false
			}
		}
		return true
	})
	for i := range 3 {
		id, err := c.Nodes[i].Do(t, "CLUSTER", "MYID").Text()
		if err != nil {
			t.Fatal(err)
		}
		c.Nodes[i+3].Do(t, "CLUSTER", "REPLICATE", id)
	}
	Until(t, "the Cluster is whole", 40*time.Second, func() bool {
		for i, n := range c.Nodes {
			if !strings.Contains(n.Do(t, "CLUSTER", "INFO").String(), "cluster_state:ok") ||
				strings.Count(n.Do(t, "CLUSTER", "NODES").String(), " slave ")+strings.Count(n.Do(t, "CLUSTER", "NODES").String(), ",slave ") != 3 {
				return false
			}
			if i < 3 && !strings.Contains(n.Do(t, "INFO", "replication").String(), "state=online") {
				return false
			}
		}
		return true
	})
	return c
}

// Address is how the store is told of it, without the settings behind the ?.
func (c *Cluster) Address() string { return "redis+cluster://bot@" + addresses(c.Nodes) }

// Grant makes the bot's user everywhere.
func (c *Cluster) Grant(t testing.TB) (passwordFile string) { t.Helper(); return grantAll(t, c.Nodes) }

// Flush empties every master.
func (c *Cluster) Flush(t testing.TB) {
	t.Helper()
	for _, n := range c.Nodes {
		if n.Info(t, "replication", "role") == "master" {
			n.Do(t, "FLUSHALL")
		}
	}
}

func grantAll(t testing.TB, nodes []*Server) (passwordFile string) {
	t.Helper()
	for _, n := range nodes {
		passwordFile = n.Grant(t)
	}
	return passwordFile
}

func addresses(nodes []*Server) string {
	var all []string
	for _, n := range nodes {
		all = append(all, n.Addr())
	}
	return strings.Join(all, ",")
}

// Until waits for something to become so.
func Until(t testing.TB, what string, within time.Duration, so func() bool) {
	t.Helper()
	for begun := time.Now(); !so(); time.Sleep(20 * time.Millisecond) {
		if time.Since(begun) > within {
			t.Fatalf("after %v it is not so that %s", within, what)
		}
	}
}

// Has tells whether master i has a slot.
func (c *Cluster) Has(t testing.TB, i int, slot string) bool {
	t.Helper()
	var n int
	if _, err := fmt.Sscan(slot, &n); err != nil {
		t.Fatal(err)
	}
	return n >= i*16384/3 && n < (i+1)*16384/3
}

// MoveSlot moves a slot with its keys from one master to another, a key at a
// time, as redis-cli does: meanwhile some of its keys are here and some there.
func (c *Cluster) MoveSlot(t testing.TB, from, to *Server, slot string) {
	t.Helper()
	id := func(s *Server) string {
		text, err := s.Do(t, "CLUSTER", "MYID").Text()
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	to.Do(t, "CLUSTER", "SETSLOT", slot, "IMPORTING", id(from))
	from.Do(t, "CLUSTER", "SETSLOT", slot, "MIGRATING", id(to))
	for {
		keys, err := from.Do(t, "CLUSTER", "GETKEYSINSLOT", slot, 1).StringSlice()
		if err != nil {
			t.Fatal(err)
		}
		if len(keys) == 0 {
			break
		}
		from.Do(t, "MIGRATE", "127.0.0.1", to.Port, keys[0], 0, 5000)
	}
	for _, n := range []*Server{to, from, c.Nodes[2]} {
		n.Do(t, "CLUSTER", "SETSLOT", slot, "NODE", id(to))
	}
}
