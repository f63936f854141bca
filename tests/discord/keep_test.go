package discord_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"turnstone/adapters/discord/double"
	"turnstone/tests/talk"
)

// The built program makes a backup of its folder while somebody talks, takes
// away what is too old and what was broken off, and goes on; the backup opens.
// Neither another backup nor a new master key comes between.
func TestHAZ22_ABackupIsMadeWhileTheProgramRuns(t *testing.T) {
	pr := newProgram(t)
	backups := filepath.Join(pr.dir, "backups")
	ago := func(days int) string { return time.Now().UTC().AddDate(0, 0, -days).Format("2006-01-02T150405Z") }
	old, recent, broken := ago(36), ago(34), ago(2)+".half"
	for _, name := range []string{old, recent, broken, "notes of Ana"} {
		if err := os.MkdirAll(filepath.Join(backups, name), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	ends := func(cmd *exec.Cmd) {
		t.Helper()
		if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
			t.Fatal(err)
		}
		if err := cmd.Wait(); err != nil {
			t.Errorf("told to stop it ends with %v", err)
		}
	}
	who := pr.p.Join("en-US")
	asks := func(what string) {
		t.Helper()
		if !pr.p.Until(patience, func() bool { return lastAsks(what)(who.Direct()) }) {
			t.Fatalf("it does not ask %q: %+v", what, who.Direct())
		}
	}
	cmd, out := pr.serve()
	if !pr.p.Until(patience, pr.p.Connected) {
		t.Fatalf("it does not connect: %s", out)
	}
	who.Command(pr.p.Channel("server", false), "ankle", nil)
	asks("danger")
	ends(cmd)
	cmd, out = pr.serve("--backup", backups)
	made := func() (names []string) {
		for _, name := range pr.list("backups") {
			if _, err := time.Parse("2006-01-02T150405Z", name); err == nil && name != old && name != recent {
				names = append(names, name)
			}
		}
		return names
	}
	if !pr.p.Until(patience, func() bool { return len(made()) == 1 && !slices.Contains(pr.list("backups"), old) }) {
		t.Fatalf("the folder of the backups holds %q: %s", pr.list("backups"), out)
	}
	if left := pr.list("backups"); slices.Contains(left, broken) || !slices.Contains(left, recent) || !slices.Contains(left, "notes of Ana") {
		t.Errorf("the folder of the backups holds %q", left)
	}
	if !pr.p.Until(patience, pr.p.Connected) {
		t.Fatalf("it does not connect again: %s", out)
	}
	m, _ := question(who.Direct())
	(&stage{t: t, p: pr.p}).press(who, m, "foot_cold_or_pale")
	if !pr.p.Until(patience, func() bool { return has("EMERGENCY")(who.Direct()) }) {
		t.Errorf("it does not go on: %+v; %s", who.Direct(), out)
	}
	for _, args := range [][]string{{"backup", "--data", pr.data(), backups}, {"key", "--data", pr.data(), "new"}} {
		if text, err := pr.run(args...); err == nil || !strings.Contains(text, "in use (by the process") {
			t.Errorf("bot %q while it runs: %v: %s", args, err, text)
		}
	}
	ends(cmd)
	if text, err := pr.run("restore", "--data", pr.data(), filepath.Join(backups, made()[0])); err != nil || !strings.Contains(text, "1 people") {
		t.Fatalf("the backup does not come back: %v: %s", err, text)
	}
	if text, err := pr.run("key", "--data", pr.data(), "new"); err != nil || !strings.Contains(text, "Master key 2 wraps") {
		t.Fatalf("no new master key: %v: %s", err, text)
	}
	health := free(t)
	cmd, out = pr.serve("--health", health)
	if !pr.p.Until(patience, func() bool { return well(health) }) {
		t.Fatalf("it does not say that it is well: %s", out)
	}
	who.Write("why") // they stand where they stood, under the new master key
	asks("danger")
	ends(cmd)
	if strings.Contains(out.String(), "ERROR") {
		t.Errorf("something went wrong: %s", out)
	}
}

// On a server the master key is changed while programs run. One that was
// started before takes the new key from its file, and reads whom it has never
// read.
func TestHAZ22_TheMasterKeyIsChangedWhileProgramsRun(t *testing.T) {
	c := newCrew(t)
	first := c.start()
	if !c.p.Until(patience, func() bool { return first.said("this process works now") && c.p.Connected() }) {
		t.Fatalf("the first does not work: %s", first.log())
	}
	second := c.start()
	if !c.p.Until(patience, func() bool { return second.said("stands by") }) {
		t.Fatalf("the second does not stand by: %s", second.log())
	}
	talks := func(who *double.Person, n int) {
		t.Helper()
		if !c.p.Until(patience, func() bool { return lastAsks("danger")(who.Direct()[n:]) }) {
			t.Fatalf("nothing is asked: %+v\n%s\n%s", who.Direct(), first.log(), second.log())
		}
	}
	who, server := c.p.Join("en-US"), c.p.Channel("server", false)
	who.Command(server, "ankle", nil)
	talks(who, 0)
	args := append(append([]string{"key"}, c.place(c.server.Addr(), "machine-1")...), "new")
	if out, err := exec.CommandContext(t.Context(), talk.Bot, args...).CombinedOutput(); err != nil || !strings.Contains(string(out), "Master key 2 wraps") {
		t.Fatalf("%v: %s", err, out)
	}
	n := len(who.Direct())
	who.Write("why")
	talks(who, n)
	if err := first.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	if !c.p.Until(patience, func() bool { return second.said("this process works now") && c.p.Connected() }) {
		t.Fatalf("the second does not follow: %s", second.log())
	}
	n = len(who.Direct())
	who.Write("why")
	talks(who, n)
	other := c.p.Join("en-US")
	other.Command(server, "ankle", nil)
	talks(other, 0)
	if second.said("is not in the key file") {
		t.Errorf("something could not be read: %s", second.log())
	}
}
