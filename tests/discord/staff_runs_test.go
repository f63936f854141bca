package discord_test

import (
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// Staff come and go while the built program runs: it is asked over a socket in
// its folder, and does what it would do by itself. Their account is tied at once.
func TestStaffComeAndGoWhileTheProgramRuns(t *testing.T) {
	pr := newProgram(t)
	staff := func(args ...string) (string, error) {
		return pr.run(append([]string{"staff", "--data", pr.data()}, args...)...)
	}
	does := func(says string, args ...string) string {
		t.Helper()
		out, err := staff(args...)
		if err != nil || !strings.Contains(out, says) {
			t.Fatalf("bot staff %q: %v: %s", args, err, out)
		}
		return out
	}
	does("The first member may do everything.", "add", "Rui", "--role", "nurse")
	room := pr.p.Channel("server", false)
	socket := filepath.Join(pr.data(), "staff.sock")
	if err := os.WriteFile(socket, []byte("left behind"), 0o600); err != nil { // by a process that was killed
		t.Fatal(err)
	}
	cmd, out := pr.serve("--staff-channel", room)
	if !pr.p.Until(patience, pr.p.Connected) {
		t.Fatalf("it does not connect: %s", out)
	}
	if info, err := os.Stat(socket); err != nil || info.Mode() != os.ModeSocket|0o600 {
		t.Fatalf("the socket: %v, %v", info, err)
	}
	does("Ana may see, take.", "add", "Ana", "--role", "physiotherapist", "--may", "see,take")
	list := does("Ana", "list")
	for _, line := range []string{"NAME", "Rui", "physiotherapist"} {
		if !strings.Contains(list, line) {
			t.Errorf("the list lacks %q: %s", line, list)
		}
	}
	code, _, _ := strings.Cut(does("It counts once", "code", "Ana"), "\n")
	ana := pr.p.Join("en-US")
	ana.Write(code)
	if !pr.p.Until(patience, func() bool { return has("This account is now that of Ana")(ana.Direct()) }) {
		t.Fatalf("the account is not tied: %+v; %s", ana.Direct(), out)
	}
	does("discord", "list")
	for says, args := range map[string][]string{
		"there is a member called Ana already":   {"add", "Ana", "--may", "see"},
		"is no right":                            {"add", "Zoe", "--may", "everything"},
		"no member of staff is called Zoe":       {"code", "Zoe"},
		`the only one with the right "settings"`: {"remove", "Rui"},
	} {
		if out, err := staff(args...); err == nil || !strings.Contains(out, says) {
			t.Errorf("bot staff %q: %v: %s", args, err, out)
		}
	}
	var wg sync.WaitGroup
	for _, name := range []string{"Eva", "Zoe", "Noa", "Ida"} { // at the same moment
		wg.Go(func() {
			if out, err := staff("add", name, "--may", "see"); err != nil {
				t.Errorf("%v: %s", err, out)
			}
		})
	}
	wg.Wait()
	if list := does("Eva", "list"); strings.Count(list, "\n") != 7 {
		t.Errorf("six are not listed: %s", list)
	}
	does("Ana is removed", "remove", "Ana")
	broken, err := (&net.Dialer{Timeout: time.Second}).DialContext(t.Context(), "unix", socket)
	if err == nil {
		_, err = broken.Write([]byte(`{"do":"everything"`))
	}
	if err != nil {
		t.Fatal(err)
	}
	if err := broken.Close(); err != nil {
		t.Fatal(err)
	}
	does("Rui", "list") // one that breaks off holds nobody up
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Errorf("told to stop it ends with %v: %s", err, out)
	}
	if _, err := os.Stat(socket); !os.IsNotExist(err) {
		t.Errorf("the socket is left behind: %v", err)
	}
	if list := does("Rui", "list"); strings.Contains(list, "Ana") || !strings.Contains(list, "Ida") {
		t.Errorf("what was done while it ran is not kept: %s", list)
	}
}

// In a folder that others may enter nobody is asked: who reaches the socket
// decides who is staff.
func TestHAZ25_NoSocketWhereOthersMayEnter(t *testing.T) {
	pr := newProgram(t)
	if err := os.Mkdir(pr.data(), 0o755); err != nil { //nolint:gosec // that is what is tested
		t.Fatal(err)
	}
	cmd, out := pr.serve()
	if !pr.p.Until(patience, pr.p.Connected) {
		t.Fatalf("it does not connect: %s", out)
	}
	if held, err := pr.run("staff", "--data", pr.data(), "list"); err == nil || !strings.Contains(held, "stop it, then run this again") || !strings.Contains(held, "in use (by the process") {
		t.Errorf("bot staff says %q (%v)", held, err)
	}
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil || !strings.Contains(out.String(), "chmod 700 it") || !strings.Contains(out.String(), "bot staff needs a stop") {
		t.Errorf("it ends with %v: %s", err, out)
	}
}
