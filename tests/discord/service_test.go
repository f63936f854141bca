package discord_test

import (
	"strings"
	"syscall"
	"testing"
)

// The built program serves, says that it is well, and, told to retire, says
// goodbye to whoever waits and ends.
func TestHAZ32_TheServiceRetires(t *testing.T) {
	pr := newProgram(t)
	p := pr.p
	health := free(t)
	cmd, out := pr.serve("--health", health)
	if !p.Until(patience, p.Connected) {
		t.Fatalf("it does not connect: %s", out)
	}
	if !p.Until(patience, func() bool { return well(health) }) {
		t.Errorf("it does not say that it is well: %s", out)
	}
	who := p.Join("en-US")
	who.Command(p.Channel("server", false), "ankle", nil)
	if !p.Until(patience, func() bool { _, asks := question(who.Direct()); return asks }) {
		t.Fatalf("nothing is asked: %s", out)
	}
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Fatalf("told to stop it ends with %v: %s", err, out)
	}
	if has("ends today")(who.Direct()) {
		t.Error("a stop tells people that it is the end")
	}
	cmd, out = pr.command("retire")
	if err := cmd.Wait(); err != nil {
		t.Fatalf("told to retire it ends with %v: %s", err, out)
	}
	if !has("ends today")(who.Direct()) || !strings.Contains(out.String(), "Open talks: 1.") {
		t.Errorf("the person is not told, or the operator: %s", out)
	}
}
