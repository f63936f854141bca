package discord_test

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"turnstone/adapters/discord/double"
	"turnstone/tests/redis/servers"
)

// A crew is several built programs on one server and one stand-in.
type crew struct {
	t    *testing.T
	p    *double.Platform
	bot  string
	args []string
	dir  string
	n    int
}

func newCrew(t *testing.T) *crew {
	t.Helper()
	p, err := double.New()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := p.Close(); err != nil {
			t.Error(err)
		}
	})
	server := servers.Start(t, "appendonly yes", "appendfsync always")
	dir := t.TempDir()
	c := &crew{t: t, p: p, dir: dir, bot: filepath.Join(dir, "bot")}
	token := filepath.Join(dir, "token")
	if out, err := exec.CommandContext(t.Context(), "go", "build", "-o", c.bot, "turnstone/cmd/bot").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if err := os.WriteFile(token, []byte(double.Token+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	c.args = []string{
		"serve", "--discord-at", p.At(), "--discord-token", token, "--key", filepath.Join(dir, "clinic.key"),
		"--redis", "redis://bot@" + server.Addr() + "?password-file=" + server.Grant(t),
	}
	return c
}

// A hand is one process of a crew.
type hand struct {
	*exec.Cmd
	out   *os.File
	ended chan error
}

func (c *crew) start() *hand {
	c.t.Helper()
	c.n++
	out, err := os.Create(filepath.Join(c.dir, fmt.Sprintf("log-%d", c.n)))
	if err != nil {
		c.t.Fatal(err)
	}
	h := &hand{exec.CommandContext(c.t.Context(), c.bot, append(c.args, "--data", filepath.Join(c.dir, fmt.Sprintf("machine-%d", c.n)))...), out, make(chan error, 1)}
	h.Stdout, h.Stderr = out, out
	if err := h.Start(); err != nil {
		c.t.Fatal(err)
	}
	go func() { h.ended <- h.Wait() }()
	return h
}

func (h *hand) said(word string) bool {
	text, err := os.ReadFile(h.out.Name())
	return err == nil && bytes.Contains(text, []byte(word))
}

func (h *hand) log() string {
	text, err := os.ReadFile(h.out.Name())
	return string(text) + fmt.Sprint(err)
}

// Of three processes one works. It is killed, and the next answers; that one is
// frozen past its turn, and the last answers; woken, the frozen one ends and
// says nothing more. The person loses nothing and reads nothing twice.
func TestHAZ08_OneWorksAndAnotherFollows(t *testing.T) {
	c := newCrew(t)
	first := c.start()
	if !c.p.Until(patience, func() bool { return first.said("this process works now") && c.p.Connected() }) {
		t.Fatal("the first does not work")
	}
	second, third := c.start(), c.start()
	if !c.p.Until(patience, func() bool { return second.said("stands by") && third.said("stands by") }) {
		t.Fatal("the others do not stand by")
	}
	who := c.p.Join("en-US")
	who.Command(c.p.Channel("server", false), "ankle", nil)
	asked := func() bool { _, asks := question(who.Direct()); return asks }
	if !c.p.Until(patience, asked) {
		t.Fatal("nothing is asked")
	}
	if err := first.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	who.Write("my chest hurts and i cannot breathe") // nobody hears it yet
	if !c.p.Until(patience, func() bool { return has("112")(who.Direct()) || has("911")(who.Direct()) || has("Call")(who.Direct()) }) {
		t.Fatalf("the emergency that was written between two processes is not answered: %v\n%s\n%s", who.Direct(), second.log(), third.log())
	}
	working, idle := second, third
	if third.said("this process works now") {
		working, idle = third, second
	}
	if err := working.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	if !c.p.Until(patience, func() bool { return idle.said("this process works now") }) {
		t.Fatal("nobody follows the frozen one")
	}
	before := len(who.Direct())
	if err := working.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	select {
	case err := <-working.ended:
		if err == nil || !working.said("this one was frozen or cut off") {
			t.Errorf("the woken one ends with %v", err)
		}
	case <-time.After(patience):
		t.Error("the woken one works on")
	}
	who.Write("yes somebody is with me")
	if !c.p.Until(patience, func() bool { return len(who.Direct()) > before+1 }) {
		t.Error("the last one does not answer")
	}
	seen := map[string]int{}
	for _, m := range who.Direct() {
		if m.Nonce != "" {
			seen[m.Nonce]++
		}
	}
	for nonce, n := range seen {
		if n > 1 {
			t.Errorf("%s came %d times", nonce, n)
		}
	}
	if err := idle.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := <-idle.ended; err != nil {
		t.Errorf("told to stop it ends with %v", err)
	}
}
