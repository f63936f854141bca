package discord_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"turnstone/adapters/discord/double"
)

// The built program: staff are added, tie their accounts, see an item, take it,
// and are then said to be there; and it does not start where nobody may take.
func TestHAZ33_TheServiceNeedsStaffForItsChannel(t *testing.T) {
	p, err := double.New()
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := p.Close(); err != nil {
			t.Error(err)
		}
		for _, b := range p.Breaches() {
			t.Errorf("against the platform's rules: %s", b)
		}
	}()
	dir := t.TempDir()
	bot, token, data := filepath.Join(dir, "bot"), filepath.Join(dir, "token"), filepath.Join(dir, "data")
	if out, err := exec.CommandContext(t.Context(), "go", "build", "-o", bot, "turnstone/cmd/bot").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if err := os.WriteFile(token, []byte(double.Token+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	room, server := p.Channel("server", false), p.Channel("server", false)
	run := func(args ...string) (string, error) {
		out, err := exec.CommandContext(t.Context(), bot, args...).CombinedOutput()
		return string(out), err
	}
	serve := []string{
		"serve", "--discord-at", p.At(), "--discord-token", token, "--data", data, "--staff-channel", room,
		"--hours", "zone UTC; Mon-Sun 00:00-24:00",
	}
	if out, err := run(serve...); err == nil || !strings.Contains(out, "nobody may take an item") {
		t.Fatalf("it starts without staff (%v): %s", err, out)
	}
	if out, err := run(append(serve[:len(serve):len(serve)], "--staff-channel", "the-room")...); err == nil || !strings.Contains(out, "no ID of a channel") {
		t.Errorf("it starts on %q (%v)", out, err)
	}
	if out, err := run("staff", "--data", data, "add", "Rui", "--role", "nurse"); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	code, err := run("staff", "--data", data, "code", "Rui")
	if err != nil {
		t.Fatalf("%v: %s", err, code)
	}
	cmd := exec.CommandContext(t.Context(), bot, serve...)
	var out strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	end := func() {
		if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
			t.Fatal(err)
		}
		if err := cmd.Wait(); err != nil {
			t.Errorf("told to stop it ends with %v: %s", err, out.String())
		}
	}
	person := p.Join("en-US")
	waits := func(what string, ok func() bool) {
		t.Helper()
		if !p.Until(patience, ok) {
			end()
			for _, m := range person.Direct() {
				t.Logf("%s: %q", m.Author, m.Content)
			}
			t.Fatalf("%s: never; the program says %s", what, out.String())
		}
	}
	waits("it connects", p.Connected)
	rui := p.Join("en-US")
	line, _, _ := strings.Cut(code[strings.LastIndex(code[:strings.Index(code, "It counts")-1], "\n")+1:], "\n")
	rui.Write(line)
	waits("the account is tied", func() bool { return has("This account is now that of Rui")(rui.Direct()) })
	person.Command(server, "ankle", nil)
	waits("the first question", func() bool { return lastAsks("danger")(person.Direct()) })
	person.Write("can I talk to a person?")
	waits("nobody is there", func() bool { return has("Nobody at the clinic reads this now.")(person.Direct()) })
	item := func(text string) (found double.Message, there bool) {
		for _, m := range p.Messages(room) {
			if m.About == "" && m.For == "" && strings.Contains(m.Content, text) {
				return m, true
			}
		}
		return found, false
	}
	waits("the item", func() bool { _, there := item("Asks for a person"); return there })
	m, _ := item("Nobody has it.")
	rui.Press(m, m.Rows[0].Parts[0].CustomID)
	waits("it is taken", func() bool { _, there := item("Rui (nurse) has it."); return there })
	person.Write("can I talk to a person?")
	waits("somebody is there", func() bool { return has("Rui (nurse) from the clinic has your talk. It can")(person.Direct()) })
	end()
	if !strings.Contains(out.String(), "One member of staff alone may take items") {
		t.Errorf("that one alone is there is not said: %s", out.String())
	}
	cmd = exec.CommandContext(t.Context(), bot, serve...)
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	waits("it connects again", p.Connected)
	if p.Until(2*time.Second, func() bool { return len(p.Messages(room)) != 1 }) {
		t.Errorf("after a start the room holds %d messages", len(p.Messages(room)))
	}
	end()
}
