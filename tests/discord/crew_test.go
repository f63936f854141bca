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
	"turnstone/tests/talk"
)

// A crew is several built programs on one server and one stand-in.
type crew struct {
	t        *testing.T
	p        *double.Platform
	server   *servers.Server
	password string // the file
	dir      string
	n        int
}

func newCrew(t *testing.T) *crew {
	t.Helper()
	p, err := double.New()
	if err != nil {
		t.Fatal(err)
	}
	p.Several = true
	t.Cleanup(func() {
		if err := p.Close(); err != nil {
			t.Error(err)
		}
		for _, b := range p.Breaches() {
			t.Errorf("against the platform's rules: %s", b)
		}
	})
	c := &crew{t: t, p: p, dir: t.TempDir(), password: servers.PasswordFile(t)}
	c.server = servers.Start(t, "appendonly yes", "appendfsync always", servers.User(t))
	if err := os.WriteFile(c.token(), []byte(double.Token+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return c
}

func (c *crew) token() string { return filepath.Join(c.dir, "token") }

// A hand is one process of a crew, with a way to the server of its own.
type hand struct {
	*exec.Cmd
	c     *crew
	net   *servers.Proxy
	out   *os.File
	ended chan error
}

// start starts the program as it is here.
func (c *crew) start() *hand {
	c.t.Helper()
	return c.startBuild(talk.Bot)
}

// startBuild starts a program.
func (c *crew) startBuild(program string) *hand {
	c.t.Helper()
	c.n++
	net := servers.StartProxy(c.t, c.server.Addr())
	h, err := c.launch(program, net.Addr(), fmt.Sprintf("machine-%d", c.n))
	if err != nil {
		c.t.Fatal(err)
	}
	h.net = net
	return h
}

// launch starts a program on a machine; what it says is added to what was said
// there before.
func (c *crew) launch(program, server, machine string) (*hand, error) {
	out, err := os.OpenFile(filepath.Join(c.dir, machine+".log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	h := &hand{c: c, out: out, ended: make(chan error, 1)}
	args := append([]string{"serve", "--discord-at", c.p.At(), "--discord-token", c.token()}, c.place(server, machine)...)
	h.Cmd = exec.CommandContext(c.t.Context(), program, args...)
	h.Stdout, h.Stderr = out, out
	if err := h.Start(); err != nil {
		return nil, err
	}
	go func() { h.ended <- h.Wait() }()
	return h, nil
}

// place is where the store and the keys of a machine are.
func (c *crew) place(server, machine string) []string {
	return []string{
		"--key", filepath.Join(c.dir, "clinic.key"), "--redis", "redis://bot@" + server + "?password-file=" + c.password,
		"--data", filepath.Join(c.dir, machine),
	}
}

// What a process says of its turn.
const (
	working = "this process works now"
	idling  = "only emergency cards go out"
)

func (h *hand) said(word string) bool {
	text, err := os.ReadFile(h.out.Name())
	return err == nil && bytes.Contains(text, []byte(word))
}

func (h *hand) log() string {
	text, err := os.ReadFile(h.out.Name())
	return string(text) + fmt.Sprint(err)
}

func (h *hand) works() {
	h.c.t.Helper()
	if !h.c.p.Until(patience, func() bool { return h.said(working) && h.c.p.Connected() }) {
		h.c.t.Fatalf("it does not work: %s", h.log())
	}
}

func (h *hand) standsBy() {
	h.c.t.Helper()
	if !h.c.p.Until(patience, func() bool { return h.said("stands by") }) {
		h.c.t.Fatalf("it does not stand by: %s", h.log())
	}
}

// losesItsTurn waits for the end of a process that worked past its turn.
func (h *hand) losesItsTurn() {
	h.c.t.Helper()
	select {
	case err := <-h.ended:
		if err == nil || !h.said("this one was frozen or cut off") {
			h.c.t.Errorf("it ends with %v", err)
		}
	case <-time.After(patience):
		h.c.t.Errorf("it works on: %s", h.log())
	}
}

// stop ends a process as an operator does.
func (h *hand) stop() {
	h.c.t.Helper()
	if err := h.Process.Signal(syscall.SIGTERM); err != nil {
		h.c.t.Fatal(err)
	}
	if err := <-h.ended; err != nil {
		h.c.t.Errorf("told to stop it ends with %v: %s", err, h.log())
	}
}

// nothingTwice looks at what somebody reads: no message is there twice.
func (c *crew) nothingTwice(who *double.Person) {
	c.t.Helper()
	seen := map[string]int{}
	for _, m := range who.Direct() {
		if m.Nonce != "" {
			seen[m.Nonce]++
		}
	}
	for nonce, n := range seen {
		if n > 1 {
			c.t.Errorf("%s came %d times", nonce, n)
		}
	}
}
