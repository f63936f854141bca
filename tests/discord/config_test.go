package discord_test

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"turnstone/tests/talk"
)

// IDs of the configured server, as in the example of a configuration.
const (
	clubServer = "310000000000000001"
	staffRoom  = "310000000000000012"
	clinicRole = "310000000000000021"
)

// configure writes a configuration whose places lie in the program's folder.
func (pr *program) configure(health, watched string) string {
	pr.t.Helper()
	path := filepath.Join(pr.dir, "turnstone.toml")
	text := fmt.Sprintf(`data = %q
signed = %q
backup = %q
health = %q
token_file = %q
languages = ["en", "es"]
keep_months = 3

[[server]]
id = %q
zone = "Europe/Lisbon"
region = "PT"
language = "es"
watch = [%q]
staff = [%q]
clinic = [%q]
hours = "Mon-Sun 00:00-24:00"
`, filepath.Join(pr.dir, "there", "store"), filepath.Join(pr.dir, "signed.toml"), filepath.Join(pr.dir, "backups"), health, pr.token, clubServer, watched, staffRoom, clinicRole)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		pr.t.Fatal(err)
	}
	return path
}

// free is an address on this machine that nobody listens on.
func free(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	return l.Addr().String()
}

// well reports whether /health answers that all is well.
func well(addr string) bool {
	resp, err := http.Get("http://" + addr + "/health")
	return err == nil && resp.Body.Close() == nil && resp.StatusCode == http.StatusOK
}

// A service runs by its file: places, health, the server's zone, region,
// language and watched channel, how long things are kept. A flag goes before
// it, no word of a person is logged, a stop tells nobody, and bot retire tells
// who waits.
func TestAServiceByItsFile(t *testing.T) {
	pr := newProgram(t)
	pr.p.Allowed |= 1<<9 | 1<<15 // messages in servers, and their content
	ch, watched := pr.p.Channel(clubServer, false), pr.p.Channel(clubServer, false)
	other := free(t)
	config := pr.configure("127.0.0.1:1", watched)
	pr.p.Room(clubServer, staffRoom, "clinic", closed()...)
	if out, err := pr.run("staff", "--config", config, "add", "Ana Reis", "--role", "physiotherapist"); err != nil {
		t.Fatalf("staff: %v: %s", err, out)
	}
	args := []string{"serve", "--config", config, "--discord-at", pr.p.At(), "--health", other}
	cmd, out := pr.start(args...)
	if !pr.p.Until(patience, func() bool { return pr.p.Connected() && well(other) }) {
		t.Fatalf("it does not say that it is well: %s", out)
	}
	pr.p.Join("en-US").Command(ch, "ankle-setup", nil)
	if !pr.p.Until(patience, func() bool {
		for _, m := range pr.p.Messages(ch) {
			if m.Pinned && strings.Contains(m.Content, "112") && strings.Contains(m.Content, "tobillo") {
				return true
			}
		}
		return false
	}) {
		t.Fatalf("nothing is pinned in the server's language: %+v", pr.p.Messages(ch))
	}
	who := pr.p.Join("en-US")
	who.WriteIn(watched, "zebracanary, my toes are numb and the foot is blue")
	if !pr.p.Until(patience, func() bool { return len(pr.p.Messages(watched)) > 1 }) {
		t.Errorf("the watched channel is not watched: %s", out)
	}
	who.Command(ch, "ankle", nil)
	if !pr.p.Until(patience, func() bool { m, asks := question(who.Direct()); return asks && strings.Contains(m.Content, "112") }) {
		t.Fatalf("nothing is asked, or without the region's number: %+v", who.Direct())
	}
	who.Write("zebracanary what do you keep")
	if !pr.p.Until(patience, func() bool { return lastAsks("erased 3 months after")(who.Direct()) }) {
		t.Errorf("it does not say how long it keeps things: %+v", who.Direct())
	}
	for _, made := range []string{"there/store/bot.db", "there/store.key"} {
		if _, err := os.Stat(filepath.Join(pr.dir, made)); err != nil {
			t.Errorf("%v", err)
		}
	}
	if !pr.p.Until(patience, func() bool { l, err := os.ReadDir(filepath.Join(pr.dir, "backups")); return err == nil && len(l) > 1 }) {
		t.Error("no backup is made")
	}
	before := len(who.Direct())
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Fatalf("told to stop it ends with %v: %s", err, out)
	}
	if len(who.Direct()) != before {
		t.Errorf("a stop says %+v", who.Direct()[before:])
	}
	log := out.String()
	cmd, out = pr.start(append([]string{"retire"}, args[1:]...)...)
	if err := cmd.Wait(); err != nil {
		t.Fatalf("told to retire it ends with %v: %s", err, out)
	}
	if !has("ends today")(who.Direct()) || !strings.Contains(out.String(), "Open talks: 1.") {
		t.Errorf("the person is not told, or the operator: %s", out)
	}
	logged(t, log+strings.ReplaceAll(out.String(), "Open talks: 1. Who waited for something is told, and nothing is planned any more.\n", ""), "zebracanary", who.ID, "numb")
}

// logged holds a log against its form: a JSON object a line, and no word of a
// person in it.
func logged(t *testing.T, log string, never ...string) {
	t.Helper()
	for s := bufio.NewScanner(strings.NewReader(log)); s.Scan(); {
		var line map[string]any
		if err := json.Unmarshal(s.Bytes(), &line); err != nil || line["msg"] == nil {
			t.Errorf("a line of the log is no JSON object with a msg: %s", s.Text())
		}
		for _, word := range never {
			if strings.Contains(s.Text(), word) {
				t.Errorf("the log holds %q: %s", word, s.Text())
			}
		}
	}
}

// Every fault of the file, the flags and the secrets comes at once, before
// anything is made.
func TestHAZ33_AServiceIsCheckedWhole(t *testing.T) {
	pr := newProgram(t)
	config := pr.configure("0.0.0.0:80", "a room")
	if err := os.Chmod(pr.token, 0o644); err != nil {
		t.Fatal(err)
	}
	out, err := pr.run("serve", "--config", config, "--locale", "tlh", "now")
	if exit, ended := errors.AsType[*exec.ExitError](err); !ended || exit.ExitCode() != 3 {
		t.Fatalf("it ends with %v, want the status 3 that the unit leaves alone: %s", err, out)
	}
	for _, want := range []string{`"now" is not understood`, ":4: health is", ":14: \"a room\" is no ID", `--locale "tlh"`, "chmod 600", "protocol: nobody has signed it"} {
		if !strings.Contains(out, want) {
			t.Errorf("it does not say %q: %s", want, out)
		}
	}
	if _, err := os.Stat(filepath.Join(pr.dir, "there")); err == nil {
		t.Error("it has made the folder of the store all the same")
	}
}

// A configuration with daily backups of a folder can't be used with a server,
// as the head of deploy/compose.yaml says: the program names what to do instead.
func TestBackupsOfAFolderAndAServerExcludeEachOther(t *testing.T) {
	compose, err := os.ReadFile("../../deploy/compose.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if head, _, _ := strings.Cut(string(compose), "services:"); !strings.Contains(head, "must not have\n# `backup`") {
		t.Error("deploy/compose.yaml does not say that backup must not stand in the configuration")
	}
	pr := newProgram(t)
	out, err := exec.CommandContext(t.Context(), talk.Bot, "serve", "--redis", "redis://bot@127.0.0.1:1", "--config", pr.configure("127.0.0.1:0", "1")).CombinedOutput()
	if err == nil || !strings.Contains(string(out), "--backup copies a folder; a server is backed up by its own means: docs/store.md has the page") {
		t.Errorf("got %v: %s", err, out)
	}
}
