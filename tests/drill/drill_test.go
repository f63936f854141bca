// Package drill plays people over the built program: small drills each time,
// large ones with TURNSTONE_LONG=1 (make proofs).
package drill

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"turnstone/adapters/discord/double"
	"turnstone/drill"
	"turnstone/tests/redis/servers"
	"turnstone/tests/talk"
)

func TestMain(m *testing.M) { os.Exit(talk.Main(m)) }

// long is whether the large drills run.
var long = os.Getenv("TURNSTONE_LONG") != ""

// settings are those of a drill over a folder, as bot drill has them.
func settings(t *testing.T) drill.Settings {
	t.Helper()
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	return drill.Settings{
		Program: talk.Bot, Folder: dir, Processes: 1, Progress: t.Output(), People: 5, Each: 100 * time.Millisecond, Think: 100 * time.Millisecond,
		Emergencies: 0.3, Seed: 1, Wait: time.Minute,
		Serve: func(int) []string { return []string{"--data", data, "--key", data + ".key"} },
	}
}

// well fails the test when a drill found something.
func well(t *testing.T, r *drill.Result, err error) {
	t.Helper()
	if err != nil {
		t.Error(err)
	}
	if r == nil {
		t.FailNow()
	}
	if r.Finished != r.People || r.Turns < 20*r.People/2 || r.Accepted < r.Turns || r.Answer.Max <= 0 {
		t.Errorf("the drill says %+v", r)
	}
	if err := r.Table(t.Output()); err != nil {
		t.Error(err)
	}
}

// A process is killed in the middle of everybody's talk. Nothing is lost,
// nothing comes twice, no card is late.
func TestAHandfulOfPeopleAndAKill(t *testing.T) {
	t.Parallel()
	s := settings(t)
	s.Kill, s.Think = 4*time.Second, 200*time.Millisecond // a talk takes eight seconds at least
	if long {
		s.People, s.Emergencies, s.Kill = 60, 0.2, 10*time.Second
	}
	r, err := drill.Run(t.Context(), s)
	well(t, r, err)
	if r.Kills == 0 || r.Cards.N == 0 {
		t.Errorf("%d kills and %d cards prove nothing", r.Kills, r.Cards.N)
	}
}

// A platform that says that it brought a message, and did not, loses it. The
// drill must end with that, whatever the program believes.
func TestALossIsFound(t *testing.T) {
	t.Parallel()
	s := settings(t)
	s.People, s.Emergencies, s.Wait = 2, 0, 3*time.Second
	s.Stage = func(p *double.Platform) { p.Swallow(1) }
	r, err := drill.Run(t.Context(), s)
	if !errors.Is(err, drill.ErrFound) || r == nil || r.Lost != 1 || r.Finished != 1 {
		t.Fatalf("got %+v, %v; want one loss", r, err)
	}
	traces, err := filepath.Glob(filepath.Join(s.Folder, "person-*.txt"))
	if err != nil || len(traces) != 1 || !strings.Contains(strings.Join(r.Found, "\n"), "lost: ") {
		t.Errorf("traces %v, %v; found %v", traces, err, r.Found)
	}
}

// Several processes on one server; one is killed now and then, and all
// connections to the server are cut through the drill's own proxy.
func TestSeveralProcessesOnAServer(t *testing.T) {
	if !long { // takes a minute; the small one is over a folder
		return
	}
	server := servers.Start(t, "appendonly yes", "appendfsync always")
	password := server.Grant(t)
	proxy, err := drill.NewProxy(server.Addr())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := proxy.Close(); err != nil {
			t.Error(err)
		}
	})
	s := settings(t)
	dir := s.Folder
	s.People, s.Processes, s.Each, s.Think, s.Emergencies = 60, 3, 500*time.Millisecond, 500*time.Millisecond, 0.2
	s.Kill, s.Freeze, s.Cut, s.Proxy = 17*time.Second, 23*time.Second, 11*time.Second, proxy
	s.Serve = func(n int) []string {
		return []string{"--redis", "redis://bot@" + proxy.At() + "?password-file=" + password, "--key", filepath.Join(dir, "clinic.key"), "--data", filepath.Join(dir, fmt.Sprint("machine-", n))}
	}
	r, err := drill.Run(t.Context(), s)
	well(t, r, err)
	if r.Kills == 0 || r.Freezes == 0 || r.Cuts == 0 {
		t.Errorf("faults: %d kills, %d freezes, %d cuts", r.Kills, r.Freezes, r.Cuts)
	}
}

// The same through the command, as its user has it: a rush of checks, the
// table, and what it refuses.
func TestTheCommand(t *testing.T) {
	for args, says := range map[string]string{
		"--cut 5s":                  "name one with --redis",
		"--processes 2":             "needs --redis",
		"--people 0":                "at least 1",
		"--rush 10 --kill 5s":       "leave --kill",
		"--emergencies 7":           "no share",
		"--redis nonsense --cut 1s": "the address of the store must be",
	} {
		out, err := run(t, append([]string{"drill"}, strings.Fields(args)...)...)
		if err == nil || !strings.Contains(out, says) {
			t.Errorf("bot drill %s: %v, says %q, not %q", args, err, out, says)
		}
	}
}
