package discord_test

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"turnstone/adapters/discord/double"
	"turnstone/tests/talk"
)

// A program is the built bot before the stand-in, with a folder of its own.
type program struct {
	t          *testing.T
	p          *double.Platform
	dir, token string
	undone     []func() error
}

func newProgram(t *testing.T) *program {
	t.Helper()
	p, err := double.New()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := p.Close(); err != nil {
			t.Error(err)
		}
		for _, b := range p.Breaches() {
			t.Errorf("against the platform's rules: %s", b)
		}
	})
	dir := t.TempDir()
	pr := &program{t: t, p: p, dir: dir, token: filepath.Join(dir, "token")}
	if err := os.WriteFile(pr.token, []byte(double.Token+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return pr
}

func (pr *program) data() string { return filepath.Join(pr.dir, "data") }

// run runs a subcommand to its end.
func (pr *program) run(args ...string) (string, error) {
	out, err := exec.CommandContext(pr.t.Context(), talk.Bot, args...).CombinedOutput()
	return string(out), err
}

// serve starts the service on the stand-in.
func (pr *program) serve(more ...string) (*exec.Cmd, *bytes.Buffer) {
	pr.t.Helper()
	return pr.command("serve", more...)
}

// command is a command that works on the service.
func (pr *program) command(name string, more ...string) (*exec.Cmd, *bytes.Buffer) {
	pr.t.Helper()
	return pr.start(append([]string{name, "--discord-at", pr.p.At(), "--discord-token", pr.token, "--data", pr.data()}, more...)...)
}

func (pr *program) start(args ...string) (*exec.Cmd, *bytes.Buffer) {
	pr.t.Helper()
	cmd := exec.CommandContext(pr.t.Context(), talk.Bot, args...)
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Start(); err != nil {
		pr.t.Fatal(err)
	}
	return cmd, &out
}

// signs signs parts: "protocol", "pictures", or a language.
func (pr *program) signs(parts ...string) {
	pr.t.Helper()
	for _, part := range parts {
		args := []string{"sign", "--data", pr.data(), "--role", "physiotherapist", "--name", "Ana Reis", "--part", part}
		if len(part) == 2 {
			args = append(args[:len(args)-1], "sentences", "--language", part)
		}
		if part == "es" {
			args = append(args, "--read-by", "Rui Sá")
		}
		if out, err := pr.run(args...); err != nil {
			pr.t.Fatalf("sign %s: %v: %s", part, err, out)
		}
	}
}

// again makes the stand-in right, as settle did.
func (pr *program) again() {
	pr.p.Heal()
	pr.p.Change(func(p *double.Platform) { p.Allowed, p.Public, p.Ahead = 1|1<<9|1<<12|1<<15, false, 0 })
	pr.p.Found(club(least, 0))
	pr.p.Leave("310000000000000077")
	pr.p.Room(clubServer, watchRoom, "trail-talk")
	pr.p.Room(clubServer, staffRoom, "clinic", closed()...)
}

// mode and move change files until undo.
func (pr *program) mode(name string, m os.FileMode) {
	pr.t.Helper()
	if err := os.Chmod(name, m); err != nil {
		pr.t.Fatal(err)
	}
	pr.undone = append(pr.undone, func() error { return os.Chmod(name, 0o600) })
}

func (pr *program) move(from, to string) {
	pr.t.Helper()
	from, to = filepath.Join(pr.dir, from), filepath.Join(pr.dir, to)
	if err := os.Rename(from, to); err != nil {
		pr.t.Fatal(err)
	}
	pr.undone = append(pr.undone, func() error { return os.Rename(to, from) })
}

func (pr *program) list(dir string) (names []string) {
	pr.t.Helper()
	entries, err := os.ReadDir(filepath.Join(pr.dir, dir))
	if err != nil {
		pr.t.Fatal(err)
	}
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

func (pr *program) undo() {
	for _, f := range pr.undone {
		if err := f(); err != nil {
			pr.t.Fatal(err)
		}
	}
	pr.undone = nil
}
