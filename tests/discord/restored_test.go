package discord_test

import (
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"turnstone/adapters/discord/double"
	"turnstone/tests/talk"
)

// A backup is put back, and something was past due: staff read in their channel
// that it was restored, whatever the disposition, and the person reads nothing.
func TestHAZ31_WhatIsRestoredSaysSoInTheStaffChannel(t *testing.T) {
	pr := newProgram(t)
	does := func(args ...string) string {
		t.Helper()
		out, err := pr.run(args...)
		if err != nil {
			t.Fatalf("bot %q: %v: %s", args, err, out)
		}
		return out
	}
	for _, name := range []string{"home", "danger"} {
		set := talk.Home()
		set.Data, set.Person, set.At = pr.data(), name, time.Now().UTC().AddDate(0, 0, -4).Truncate(time.Second).Format(time.RFC3339)
		s := talk.Start(t, set)
		talk.Person{}.DayZero(s)
		if name == "danger" { // after consent: without it all but a bare item is erased by now
			s.Say("my toes are blue and cold")
		}
		s.End()
	}
	does("staff", "--data", pr.data(), "add", "Rui", "--role", "nurse")
	made, _, _ := strings.Cut(does("backup", "--data", pr.data(), filepath.Join(pr.dir, "backups")), "\n")
	if out := does("restore", "--data", pr.data(), made); !strings.Contains(out, "past due for 2") {
		t.Errorf("the restore says %q", out)
	}
	code, _, _ := strings.Cut(does("staff", "--data", pr.data(), "code", "Rui"), "\n")
	room := pr.p.Channel("server", false)
	cmd, out := pr.serve("--staff-channel", room)
	defer func() {
		if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
			t.Fatal(err)
		}
		if err := cmd.Wait(); err != nil {
			t.Errorf("it ends with %v", err)
		}
		if strings.Contains(out.String(), "can't be reached") { // they talked in the terminal: to write to them fails, and is logged
			t.Errorf("somebody was written to: %s", out)
		}
	}()
	items := func(says string) (list []double.Message) {
		for _, m := range pr.p.Messages(room) {
			if m.About == "" && strings.Contains(m.Content, says) {
				list = append(list, m)
			}
		}
		return list
	}
	const label = "Restored from a backup: something is late"
	if !pr.p.Until(patience, func() bool { return len(items(label)) == 2 }) {
		t.Fatalf("staff read %+v; the program says %s", pr.p.Messages(room), out)
	}
	rui := pr.p.Join("en-US")
	rui.Write(code)
	if !pr.p.Until(patience, func() bool { return has("This account is now that of Rui")(rui.Direct()) }) {
		t.Fatalf("the account is not tied: %s", out)
	}
	for _, m := range items(label) {
		if !strings.Contains(m.Content, "Nobody has it.") {
			t.Errorf("the item reads %q", m.Content)
		}
		for _, b := range m.Rows[0].Parts {
			if strings.HasPrefix(b.CustomID, "s|look|") {
				rui.Press(m, b.CustomID)
			}
		}
	}
	looks := func() (all string) {
		for _, m := range rui.Seen() {
			all += m.Content + "\n"
		}
		return all
	}
	if !pr.p.Until(patience, func() bool { return strings.Count(looks(), label) == 2 && strings.Contains(looks(), "cold") }) {
		t.Errorf("a look reads %q", looks())
	}
}
