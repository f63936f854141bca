package discord_test

import (
	"bytes"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"turnstone/tests/discord/double"
)

// The built program serves, says that it is well, and, told to retire, says
// goodbye to whoever waits and ends.
func TestHAZ32_TheServiceRetires(t *testing.T) {
	p, err := double.New()
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := p.Close(); err != nil {
			t.Error(err)
		}
	}()
	dir := t.TempDir()
	bot, token := filepath.Join(dir, "bot"), filepath.Join(dir, "token")
	if out, err := exec.CommandContext(t.Context(), "go", "build", "-o", bot, "turnstone/cmd/bot").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if err := os.WriteFile(token, []byte(double.Token+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	health := free.Addr().String()
	if err := free.Close(); err != nil {
		t.Fatal(err)
	}
	serve := func(more ...string) (*exec.Cmd, *bytes.Buffer) {
		cmd := exec.CommandContext(t.Context(), bot, append([]string{"serve", "--discord-at", p.At(), "--discord-token", token, "--data", filepath.Join(dir, "data")}, more...)...)
		var out bytes.Buffer
		cmd.Stdout, cmd.Stderr = &out, &out
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		return cmd, &out
	}
	cmd, out := serve("--health", health)
	if !p.Until(patience, p.Connected) {
		t.Fatalf("it does not connect: %s", out)
	}
	if !p.Until(patience, func() bool {
		resp, err := http.Get("http://" + health + "/health")
		if err != nil {
			return false
		}
		return resp.Body.Close() == nil && resp.StatusCode == http.StatusOK
	}) {
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
	cmd, out = serve("--retire")
	if err := cmd.Wait(); err != nil {
		t.Fatalf("told to retire it ends with %v: %s", err, out)
	}
	if !has("ends today")(who.Direct()) || !strings.Contains(out.String(), "Open talks: 1.") {
		t.Errorf("the person is not told, or the operator: %s", out)
	}
	for _, b := range p.Breaches() {
		t.Errorf("against the platform's rules: %s", b)
	}
}
