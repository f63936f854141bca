package redis

import (
	"testing"
	"time"

	"turnstone/tests/redis/servers"
)

const writers = 16

// after lets the writers go on for a while.
func goOn(d time.Duration) { time.Sleep(d) }

// Acknowledged commits survive the kill of a server that syncs each of them.
// Of one that syncs each second they do as long as its disk keeps up: while a
// sync is under way it keeps what it has acknowledged in its own memory, for up
// to two seconds (src/aof.c, flushAppendOnlyFile). So there what is lost is
// counted, and only that everything is readable is asked for.
func TestKilledAlone(t *testing.T) {
	for _, fsync := range []string{"always", "everysec"} {
		t.Run(fsync, func(t *testing.T) {
			server := servers.Start(t, "appendonly yes", "appendfsync "+fsync)
			s := openAt(t, "redis://"+server.Addr())
			l := startLoad(s, writers)
			for range rounds(3, 20) {
				goOn(400 * time.Millisecond)
				server.Kill()
				if err := server.Launch(); err != nil {
					t.Fatal(err)
				}
			}
			goOn(300 * time.Millisecond)
			c := l.end(t)
			t.Logf("alone, killed, appendfsync %s: %v", fsync, c)
			if fsync == "always" {
				wantNothingLost(t, c)
			} else if c.unreadable > 0 || c.acked == 0 {
				t.Errorf("want nobody unreadable: %v", c)
			}
		})
	}
}

// The master is killed under load; the Sentinels make a replica the master.
func TestKilledUnderSentinels(t *testing.T) {
	g := servers.StartGuarded(t, 2, "appendonly yes", "appendfsync everysec")
	s := openAt(t, g.Address()+"?password-file="+g.Grant(t))
	l := startLoad(s, writers)
	goOn(time.Second)
	g.Nodes[0].Kill()
	goOn(8 * time.Second)
	c := l.end(t)
	wantNothingLost(t, c)
	if c.silence > 7*time.Second {
		t.Errorf("somebody waited for %v", c.silence)
	}
}

// A master of a Cluster is killed under load, and comes back as the replica of
// who took over. Until then nothing is acknowledged there: it would lie on one
// machine only.
func TestKilledInACluster(t *testing.T) {
	g := servers.StartCluster(t, "appendonly yes", "appendfsync everysec")
	s := openAt(t, g.Address()+"?password-file="+g.Grant(t))
	l := startLoad(s, 3*writers)
	goOn(time.Second)
	g.Nodes[1].Kill()
	servers.Until(t, "the replica has taken over", 15*time.Second, func() bool {
		return g.Nodes[4].Info(t, "replication", "role") == "master"
	})
	if err := g.Nodes[1].Launch(); err != nil {
		t.Fatal(err)
	}
	goOn(6 * time.Second)
	c := l.end(t)
	wantNothingLost(t, c)
	if c.silence > 10*time.Second {
		t.Errorf("somebody waited for %v", c.silence)
	}
}
